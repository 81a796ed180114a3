"""An overview as text for a terminal of 80 columns or for a pipe."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from leakcheck.report.overview_words import (
    VERDICTS,
    counted,
    failures,
    leaks_words,
    left_out,
    notes,
    side_heading,
    verdict,
    work_of,
    worst_words,
)
from leakcheck.report.terminal import (
    RULE_UNDER_HEADS,
    heading,
    plain_console,
    print_list,
    print_rows,
    rows_table,
    text_of,
)
from leakcheck.report.words import (
    cautions,
    on_surface,
    printable,
)

if TYPE_CHECKING:
    from leakcheck.batch import Plan
    from leakcheck.overview import LeakLine, OpeningLine, Overview, ViewLine

STYLES = {"tight": "green", "leaks": "red", "not measured": "yellow"}
MOST_LEAKS = 8  # of a side; the page and the tables have them all


def overview_text(overview: Overview, *, width: int = 80, colour: bool = False) -> str:
    """The whole overview, verdict first.

    Args:
        overview: the result.
        width: columns to stay within.
        colour: ANSI colours may be used.
    """
    console = plain_console(width=width, colour=colour)
    _print_verdict(console, overview)
    _print_pairs(console, overview)
    for view in overview.views:
        _print_side(console, overview, view)
    _print_cautions(console, overview)
    _print_named(console, "Not measured", failures(overview))
    _print_named(console, "Not used", left_out(overview))
    print_list(console, "To keep in mind", notes(overview))
    return text_of(console)


def overview_verdict(overview: Overview, *, colour: bool = False) -> str:
    """The verdict alone, on one line."""
    console = plain_console(width=10_000, colour=colour)
    _print_verdict(console, overview)
    return text_of(console)


def plan_text(plan: Plan, *, width: int = 80, colour: bool = False) -> str:
    """What would be paired, and why."""
    console = plain_console(width=width, colour=colour)
    views = len({placed.view for placed in plan.pairs})
    found = f"{counted(len(plan.pairs), 'pair')} of {counted(views, 'side')} would be measured."
    console.print(Text(found if plan.pairs else "No pair was found.", style="bold"))
    if plan.pairs:
        _print_plan(console, plan)
    left = [(each.shot.rel, f"{each.reason}: {each.why}") for each in plan.left_out]
    _print_named(console, "In no pair", left)
    drawings = [
        (drawing.path.relative_to(plan.folder).as_posix(), drawing.why) for drawing in plan.drawings
    ]
    _print_named(console, "Openings", drawings)
    return text_of(console)


def _print_plan(console: Console, plan: Plan) -> None:
    """The pairs, a row each, the reason below."""
    table = _table()
    for head in ("View", "Stage", "Off", "On", "Why"):
        table.add_column(head, overflow="fold", ratio=2 if head == "Why" else None)
    for k, placed in enumerate(plan.pairs):
        again = f" ({placed.number})" if placed.number > 1 else ""
        why = f"{placed.pair.why}; {placed.view_why}"
        if k in plan.served:
            why += f"; openings {plan.served[k].path.name}"
        table.add_row(
            *(
                Text(printable(cell))
                for cell in (placed.view, placed.stage + again, placed.pair.off.rel)
            ),
            Text(printable(placed.pair.on.rel)),
            Text(printable(why), style="yellow" if placed.pair.damaged else ""),
        )
    console.print()
    console.print(table)


def _table() -> Table:
    return Table(box=RULE_UNDER_HEADS, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))


def _print_verdict(console: Console, overview: Overview) -> None:
    style = "bold green" if overview.exit_code == 0 else "bold red"
    console.print(Text(printable(verdict(overview)), style=style))


def _print_pairs(console: Console, overview: Overview) -> None:
    """Every view by stage, a row for each pair."""
    if not overview.pairs:
        return
    table = _table()
    table.add_column("View", overflow="fold", max_width=16)
    table.add_column("Stage", overflow="fold", max_width=14)
    table.add_column("Verdict", no_wrap=True)
    table.add_column("Leaks", overflow="fold", max_width=10)
    table.add_column("Worst leak", ratio=1, overflow="fold")
    for view in overview.views:
        for place, k in enumerate(view.pairs):
            pair = overview.pairs[k]
            again = f" ({pair.number})" if pair.number > 1 else ""
            table.add_row(
                Text(printable(pair.view) if place == 0 else ""),
                Text(printable(pair.stage) + again),
                Text(VERDICTS[pair.verdict], style=STYLES[pair.verdict]),
                Text(leaks_words(pair)),
                Text(printable(worst_words(pair))),
            )
    console.print()
    console.print(table)
    if not any(pair.measured for pair in overview.pairs):
        return
    text = "Worst leak: light added to the room light on its surface. ?: may be spill."
    console.print()
    console.print(Padding(Text(text, style="dim"), (0, 2)))


def _print_side(console: Console, overview: Overview, view: ViewLine) -> None:
    """What is left to do on one side, worst first; how it went over the stages."""
    last = overview.last_of(view)
    compared = view.comparison.text if view.comparison and view.comparison.results else ""
    left = overview.left_on(view)
    if last is None or not (left or last.faulty_openings or compared):
        return
    heading(console, printable(side_heading(overview, view)))
    if compared:
        console.print(Padding(Text(printable(f"Over the stages: {compared}")), (0, 2)))
    _print_work(console, left)
    if last.faulty_openings:
        rows = [
            ("o", printable(f"{each.name}: {', '.join(each.findings)}. {each.advice}"))
            for each in last.faulty_openings
        ]
        print_rows(console, rows)


def _print_work(console: Console, left: Sequence[LeakLine]) -> None:
    """Each thing to do once, with the leaks that it is for."""
    room = MOST_LEAKS
    for advice, leaks in work_of(left):
        if room <= 0:
            break
        console.print(Padding(Text(printable(advice)), (0, 2)))
        rows = [_leak_row(leak) for leak in leaks[:room]]
        console.print(Padding(rows_table(rows), (0, 0, 0, 4)))
        room -= len(rows)
    if len(left) > MOST_LEAKS:
        more = f"... and {len(left) - MOST_LEAKS} more, in overview.html"
        console.print(Padding(Text(more), (0, 2)))


def _leak_row(leak: LeakLine) -> tuple[str, str]:
    text = f"{leak.kind} {leak.where}"
    text += "" if leak.contrast is None else f", {on_surface(leak)}"
    if leak.doubtful:
        text += ", doubtful: tape over the windows and test again"
    elif leak.coats == "not paint":
        text += ", paint will not close it"
    elif leak.coats:
        text += f", {leak.coats} more {'coat' if leak.coats == '1' else 'coats'}"
    return "-" if leak.number is None else str(leak.number), printable(text)


def _print_cautions(console: Console, overview: Overview) -> None:
    items: list[LeakLine | OpeningLine] = []
    for view in overview.views:
        items += overview.left_on(view)
        items += pair.faulty_openings if (pair := overview.last_of(view)) else ()
    print_list(console, "Take care", cautions(items))


def _print_named(console: Console, title: str, rows: Sequence[tuple[str, str]]) -> None:
    """Names with a sentence each; names are long, so the sentence goes below."""
    if not rows:
        return
    heading(console, title)
    for name, why in rows:
        console.print(Padding(Text(printable(name)), (0, 0, 0, 2)))
        console.print(Padding(Text(printable(why)), (0, 0, 0, 4)))
