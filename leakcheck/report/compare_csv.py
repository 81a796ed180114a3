"""A comparison as a CSV table for a spreadsheet: one row a leak."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from leakcheck.report.result_json import rounded
from leakcheck.report.table_csv import Cell, to_csv

if TYPE_CHECKING:
    from leakcheck.compare import Change, Comparison, Side

SIDE_COLUMNS = (
    "found",
    "x_px",
    "y_px",
    "glow_px",
    "level_of_median_window_ratio",
    "contrast_ratio",
)
COLUMNS = (
    "number",
    "kind",
    "state",
    *(f"before_{name}" for name in SIDE_COLUMNS),
    *(f"after_{name}" for name in SIDE_COLUMNS),
    "after_before_ratio",
    "change_stops",
    "density",
    "density_error",
    "scale",
    "density_per_coat",
    "coats_needed",
    "coats_needed_least",
    "coats_needed_most",
    "paint_will_not_close",
    "where",
    "advice",
    "reason",
    "by_change",
)


def comparison_to_csv(comparison: Comparison) -> bytes:
    """The table of changes as the bytes of a CSV file."""
    return to_csv(COLUMNS, (_row(change) for change in comparison.changes))


def _row(change: Change) -> Iterator[Cell]:
    """The cells of one change in the order of `COLUMNS`."""
    yield from (change.number, change.kind, change.state)
    yield from _side(change.before)
    yield from _side(change.after)
    for value in (change.ratio, change.stops, change.density, change.density_error):
        yield _number(value)
    yield from (change.scale, _number(change.per_coat), change.coats_needed)
    yield from change.coats_needed_range or (None, None)
    yield from (
        change.paint_will_not_close,
        change.where,
        change.advice,
        change.reason,
        change.by_change,
    )


def _side(side: Side | None) -> Iterator[Cell]:
    if side is None:
        yield from (None,) * len(SIDE_COLUMNS)
        return
    yield from (side.found, rounded(side.x, "x"), rounded(side.y, "y"))
    yield from (_number(side.glow_px), _number(side.level), _number(side.contrast))


def _number(value: float | None) -> float | None:
    return None if value is None else rounded(value, "number")
