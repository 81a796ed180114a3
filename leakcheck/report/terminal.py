"""A check as text for a terminal of 80 columns or for a pipe."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from leakcheck.colour import CAMERA_NOTE
from leakcheck.report import lamp_table
from leakcheck.report.shown import openings_numbered, spill_shown
from leakcheck.report.words import (
    LIMITS,
    by_advice,
    cautions,
    faintest,
    lamps_verdict,
    near_distance,
    number_list,
    of_window,
    on_surface,
    percent,
    printable,
    shortened,
    verdict,
)

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.diagnose import Leak
    from leakcheck.lamps import Lamp

DOUBTFUL_SPILL = (
    "A leak there would look much the same. Cover the windows with tape and take both photos again:"
    " what still shines is a leak."
)


MOST_LINES = 6  # of a list that is not the result itself

# Rules of hyphens: they survive every locale, log file and forum.
RULE_UNDER_HEADS = box.Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)


def check_text(check: Check, *, width: int = 80, colour: bool = False) -> str:
    """The whole result, verdict first.

    Args:
        check: the result.
        width: columns to stay within.
        colour: ANSI colours may be used.
    """
    console = plain_console(width=width, colour=colour)
    _print_verdict(console, check)
    if check.lamps:
        _print_lamps_verdict(console, check)
    _print_leaks(console, check)
    _print_what_to_do(console, check.leaks)
    _print_lamps(console, check.lamps)
    print_list(console, "Take care", cautions([*check.leaks, *lamp_table.faulty(check.lamps)]))
    _print_spill(console, check.spill)
    _print_likely_openings(console, check.likely_openings)
    _print_limit(console, check)
    print_list(console, "For better photos", check.photo_tips)
    _print_measured(console, check)
    return text_of(console)


def verdict_text(check: Check, *, lamps: bool = False, colour: bool = False) -> str:
    """The verdict alone, on one line; with `lamps` a second line for that on the openings."""
    console = plain_console(width=10_000, colour=colour)
    _print_verdict(console, check)
    if lamps:
        _print_lamps_verdict(console, check)
    return text_of(console)


def plain_console(*, width: int, colour: bool) -> Console:
    """A console that prints into a text, the same in every locale and terminal."""
    return Console(
        file=io.StringIO(),
        width=width,
        color_system="standard" if colour else None,
        force_terminal=colour,
        no_color=not colour,
        legacy_windows=False,
        markup=False,
        emoji=False,
        highlight=False,
        _environ={},
    )


def text_of(console: Console) -> str:
    """What was printed, without the blanks that tables leave at the end of lines."""
    assert isinstance(console.file, io.StringIO)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines()) + "\n"


def _print_verdict(console: Console, check: Check) -> None:
    text = Text(verdict(check), style="bold")
    text.stylize("green" if check.tight else "red", 0, 5)
    console.print(text)


def _print_lamps_verdict(console: Console, check: Check) -> None:
    text = Text(lamps_verdict(check))
    if lamp_table.faulty(check.lamps):
        text.stylize("yellow", 0, len("Openings"))
    console.print(text)


def heading(console: Console, text: str) -> None:
    """An empty line and a bold one."""
    console.print()
    console.print(Text(text, style="bold"))


def _print_leaks(console: Console, check: Check) -> None:
    """The table of leaks, a row each."""
    if not check.leaks:
        return
    table = Table(box=RULE_UNDER_HEADS, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("No", justify="right", no_wrap=True)
    table.add_column("Kind", no_wrap=True)
    table.add_column("Where", ratio=1, overflow="fold")
    table.add_column("Of\nwindow", justify="right", no_wrap=True)
    table.add_column("On its\nsurface", justify="right", no_wrap=True)
    table.add_column("Noticed", no_wrap=True)
    for leak in check.leaks:
        table.add_row(
            str(leak.number),
            f"{leak.kind}{' ?' if leak.doubtful else ''}",
            Text(printable(leak.where)),
            shortened(of_window(leak)),
            shortened(on_surface(leak)),
            "yes" if leak.noticeable else "no",
        )
    console.print()
    console.print(table)
    _print_legend(console, check.leaks)


def _print_legend(console: Console, leaks: Sequence[Leak]) -> None:
    """What the columns mean, once, under the table."""
    text = (
        "Of window: its brightest part / the median window. On its surface: light added to the"
        " room light there. Noticed: would a"
        " person see it in this room light."
    )
    if any(leak.level_at_most for leak in leaks):
        text += " <=: at most, as the windows are blown out to full white."
    if any(leak.clipped for leak in leaks):
        text += " >=: at least, as it is blown out to full white itself."
    if any(leak.clipped and leak.level_at_most for leak in leaks):
        text += " ?: cannot be told, as both are."
    if any(leak.level is None for leak in leaks):
        text += " -: no window is lit to compare with."
    if any(leak.doubtful for leak in leaks):
        text += " ? after a kind: doubtful, see below."
    console.print()
    console.print(Padding(Text(text, style="dim"), (0, 2)))


def _print_what_to_do(console: Console, leaks: Sequence[Leak]) -> None:
    """Advice and cautions, each once, however many leaks they are for."""
    if not leaks:
        return
    heading(console, "What to do")
    print_rows(console, [(number_list(numbers), advice) for numbers, advice in by_advice(leaks)])


def _print_lamps(console: Console, lamps: Sequence[Lamp]) -> None:
    """The openings with which something is wrong, a row each; the others in a sentence."""
    if not lamps:
        return
    heading(console, "The openings themselves")
    rows = lamp_table.table_rows(lamps)
    if rows:
        table = Table(box=RULE_UNDER_HEADS, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
        table.add_column(lamp_table.HEADS[0], overflow="fold", max_width=24)
        table.add_column(lamp_table.HEADS[1], ratio=1, overflow="fold")
        for head in lamp_table.HEADS[2:4]:
            table.add_column(head, justify="right", no_wrap=True)
        table.add_column(lamp_table.HEADS[4], overflow="fold")
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))
        console.print(table)
        console.print()
    for sentence in lamp_table.the_rest(lamps):
        console.print(Padding(Text(sentence), (0, 2)))
    if rows:
        console.print(
            Padding(Text(f"{lamp_table.LEGEND} {CAMERA_NOTE}", style="dim"), (1, 2, 0, 2))
        )
        heading(console, "What to do about them")
        print_rows(console, lamp_table.advice_rows(lamps))


def _print_spill(console: Console, spill: Sequence[Leak]) -> None:
    if not spill:
        return
    heading(console, "Spill: light of the openings on other surfaces, not counted as leaks")
    print_rows(console, _side_rows(spill, spill_shown(spill), "S"))
    doubtful = [leak.number for leak in spill if leak.doubtful]
    if doubtful:
        text = f"S{number_list(doubtful).replace(', ', ', S').replace('-', '-S')}"
        console.print(Padding(Text(f"{text}: doubtful. {DOUBTFUL_SPILL}"), (0, 2)))


def _print_likely_openings(console: Console, likely: Sequence[Leak]) -> None:
    if not likely:
        return
    heading(console, "Likely openings: bright and sharp-edged like windows, not counted as leaks")
    print_rows(console, _side_rows(likely, openings_numbered(likely)[:MOST_LINES], "O"))
    console.print(
        Text(
            "Write them down with --save-openings FILE.svg, correct the file in a drawing"
            " program and give it with --openings: then every other light counts."
        )
    )


def _side_rows(leaks: Sequence[Leak], shown: Sequence[Leak], letter: str) -> list[tuple[str, str]]:
    """Short rows for what is shown of a list that is not the result itself."""
    rows = [
        (
            f"{letter}{leak.number}",
            f"{printable(leak.where)}: {on_surface(leak)} on its surface"
            + ("" if leak.level is None else f", {of_window(leak)} of a window"),
        )
        for leak in shown
    ]
    if len(leaks) > len(shown):
        rows.append(("...", f"and {len(leaks) - len(shown)} more, all of them in --json"))
    return rows


def _print_limit(console: Console, check: Check) -> None:
    """The weakest leak that would have shown: without it "tight" says nothing."""
    limit = check.limit
    heading(console, "The faintest leak that would have shown")
    near = f"within {near_distance(check)} of one"
    rows = [
        ("pinhole", "far from lit windows", faintest(limit.pinhole_far)),
        ("", near, faintest(limit.pinhole_near)),
        ("broad glow", "far from lit windows", faintest(limit.broad_far)),
        ("", near, faintest(limit.broad_near)),
    ]
    if check.window_level is None:  # nothing is lit, so nothing is near it
        rows = [(size, "", light) for size, _, light in rows[::2]]
    print_rows(console, rows)
    reason = LIMITS.get(limit.limited_by, limit.limited_by)
    text = f"What limited it: {reason}."
    if limit.blind_share > 0:
        text += f" {percent(limit.blind_share)} of the model could not be measured at all."
    console.print(Padding(Text(text), (0, 2)))


def _print_measured(console: Console, check: Check) -> None:
    """What one needs to doubt the result."""
    registration = check.registration
    heading(console, "How it was measured")
    gain = sum(check.exposure.gain) / 3
    text = (
        f"The photos line up to {registration.residual_px:.1f} px at {registration.points:,}"
        f" points; the lights-off photo covers {percent(registration.overlap)} of the lights-on"
        f" photo. The room looks {gain:.2g} times as bright with the lights on."
    )
    if check.openings:
        text += f" {_counted_openings(check)}."
    console.print(Padding(Text(text), (0, 2)))


def _counted_openings(check: Check) -> str:
    shapes = sum(opening.kind in {"window", "beacon"} for opening in check.openings)
    ignored = sum(opening.kind == "ignore" for opening in check.openings)
    return f"Openings left out: {shapes}" + (f", ignored areas: {ignored}" if ignored else "")


def print_list(console: Console, title: str, sentences: Iterable[str]) -> None:
    """Sentences under a heading; nothing where there are none."""
    rows = [("-", printable(sentence)) for sentence in sentences]
    if rows:
        heading(console, title)
        print_rows(console, rows)


def print_rows(console: Console, rows: Sequence[Sequence[str]]) -> None:
    """Rows of short cells and one long one that wraps beside them."""
    console.print(Padding(rows_table(rows), (0, 0, 0, 2)))


def rows_table(rows: Sequence[Sequence[str]]) -> Table:
    """The same without its indent."""
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for _ in rows[0][:-1]:
        table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table
