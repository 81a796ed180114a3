"""A check as a CSV table for a spreadsheet: one row a leak, spill and likely openings marked."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, TypeAlias

from leakcheck.report.result_json import rounded

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.diagnose import Leak

Cell: TypeAlias = str | float | int | bool | None

COLUMNS = (
    "list",  # leak, spill or likely opening
    "number",
    "kind",
    "x_px",
    "y_px",
    "area_px",
    "length_px",
    "width_px",
    "length_mm",
    "width_mm",
    "glow_px",
    "contrast_ratio",
    "level_of_median_window_ratio",
    "level_is_at_most",
    "clipped",
    "significance_sigma",
    "colour",
    "noticeable",
    "doubtful",
    "where",
    "advice",
    "caution",
)

# A cell that begins so is run as a formula by spreadsheets; names in a file are not to be trusted.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def check_to_csv(check: Check) -> bytes:
    """The table of leaks as the bytes of a CSV file."""
    lists = (
        ("leak", check.leaks),
        ("spill", check.spill),
        ("likely opening", check.likely_openings),
    )
    rows = (_row(label, leak, check.mm_per_px) for label, leaks in lists for leak in leaks)
    return to_csv(COLUMNS, rows)


def to_csv(header: Iterable[str], rows: Iterable[Iterable[Cell]]) -> bytes:
    """A table as RFC 4180 asks for it: comma, CRLF, quotes where needed, a header; UTF-8."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8", errors="backslashreplace")


def _row(label: str, leak: Leak, mm_per_px: float | None) -> Iterator[Cell]:
    """The cells of one leak in the order of `COLUMNS`."""
    yield from (label, leak.number, leak.kind)
    yield from (rounded(leak.x, "x"), rounded(leak.y, "y"))
    for value in (leak.area_px, leak.length_px, leak.width_px):
        yield rounded(value, "size")
    for length_px in (leak.length_px, leak.width_px):
        yield None if mm_per_px is None else rounded(length_px * mm_per_px, "size")
    yield from (rounded(leak.glow_px, "glow_px"), rounded(leak.contrast, "contrast"))
    yield None if leak.level is None else rounded(leak.level, "level")
    yield from (leak.level_at_most, leak.clipped)
    yield rounded(leak.significance, "significance")
    yield from (leak.colour, leak.noticeable, leak.doubtful)
    yield from (leak.where, leak.advice, leak.caution)


def _cell(value: Cell) -> str | float | int:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return value
