"""A comparison as text for a terminal of 80 columns or for a pipe."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from leakcheck.report.compare_words import (
    SCALES,
    by_change_sentence,
    coat_sentence,
    coats_words,
    density_words,
    side_words,
    stops_words,
    verdict,
)
from leakcheck.report.terminal import (
    RULE_UNDER_HEADS,
    heading,
    plain_console,
    print_list,
    print_rows,
    text_of,
)
from leakcheck.report.words import cautions, number_list, percent, printable

if TYPE_CHECKING:
    from leakcheck.compare import Comparison

STATE_STYLES = {"gone": "green", "new": "red", "brighter": "red"}


def comparison_text(comparison: Comparison, *, width: int = 80, colour: bool = False) -> str:
    """The whole result, verdict first.

    Args:
        comparison: the result.
        width: columns to stay within.
        colour: ANSI colours may be used.
    """
    console = plain_console(width=width, colour=colour)
    _print_verdict(console, comparison)
    sentence = coat_sentence(comparison)
    if sentence:
        console.print(Text(sentence))
    _print_changes(console, comparison)
    _print_what_to_do(console, comparison)
    print_list(
        console,
        "Openings that changed",
        [f"{lamp.name}: {lamp.words}" for lamp in comparison.lamps],
    )
    _print_measured(console, comparison)
    return text_of(console)


def comparison_verdict(comparison: Comparison, *, colour: bool = False) -> str:
    """The verdict alone, on one line."""
    console = plain_console(width=10_000, colour=colour)
    _print_verdict(console, comparison)
    return text_of(console)


def _print_verdict(console: Console, comparison: Comparison) -> None:
    style = "bold green" if comparison.closed else "bold red"
    console.print(Text(printable(verdict(comparison)), style=style))


def _print_changes(console: Console, comparison: Comparison) -> None:
    """The table of leaks, a row each."""
    if not comparison.changes:
        return
    first, last = comparison.stages[0].name, comparison.stages[-1].name
    table = Table(box=RULE_UNDER_HEADS, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("No", justify="right", no_wrap=True)
    table.add_column("State", no_wrap=True)
    table.add_column("Leak", ratio=1, overflow="fold")
    table.add_column("Before", justify="right", no_wrap=True)
    table.add_column("After", justify="right", no_wrap=True)
    table.add_column("Stops", justify="right", no_wrap=True)
    table.add_column("Density", justify="right", no_wrap=True)
    table.add_column("Coats\nleft", justify="right", min_width=5)
    for change in comparison.changes:
        table.add_row(
            str(change.number),
            Text(change.state, style=STATE_STYLES.get(change.state, "")),
            Text(printable(f"{change.kind} {change.where}")),
            side_words(change, first=True),
            side_words(change, first=False),
            stops_words(change),
            density_words(change).replace(" +- ", "\n+-"),
            coats_words(change).replace(" (", "\n("),
        )
    console.print()
    console.print(table)
    text = (
        f"Before ({first}) and after ({last}): light added to the room light on its surface;"
        " <: nothing seen, it would have shown from there on. Density: log10(before / after)."
        f" Coats left: until it adds less than {percent(comparison.noticeable)}, which nobody"
        " notices; with the range."
    )
    console.print()
    console.print(Padding(Text(printable(text), style="dim"), (0, 2)))


def _print_what_to_do(console: Console, comparison: Comparison) -> None:
    """Advice and cautions for what is left, each once; and why something cannot be told."""
    left = [change for change in comparison.changes if change.open and change.advice]
    groups: dict[str, list[int]] = {}
    for change in left:
        groups.setdefault(change.advice, []).append(change.number)
    if groups:
        heading(console, "What to do")
        print_rows(console, [(number_list(n), advice) for advice, n in groups.items()])
        print_list(console, "Take care", cautions(left))
    doubts = [c for c in comparison.changes if c.reason]
    print_list(
        console, "What cannot be told", [f"{change.number}: {change.reason}." for change in doubts]
    )


def _print_measured(console: Console, comparison: Comparison) -> None:
    """What one needs to doubt the result."""
    heading(console, "How it was compared")
    scale = comparison.scale
    text = f"By {SCALES[scale.by]}."
    if scale.room:
        word = "brighter" if scale.room > 0 else "darker"
        text += f" The room was {percent(abs(10**scale.room - 1))} {word} in the last test."
    text += f" Every density shares an error of {scale.error:.2f}."
    text = f"{text} {by_change_sentence(comparison)}".rstrip()
    console.print(Padding(Text(text), (0, 2)))
    rows = []
    for stage in comparison.stages:
        link = stage.from_base
        how = "the others were laid onto it"
        if link is not None:
            how = f"laid on to {link.residual_px:.1f} px; covers {percent(link.overlap)}"
        limit = stage.check.limit.pinhole_far.contrast
        seen = percent(limit) if math.isfinite(limit) else "nothing"
        rows.append((printable(stage.name), f"{how}; a pinhole of +{seen} would have shown"))
    print_rows(console, rows)
