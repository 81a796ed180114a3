"""The openings of a check as a CSV table for a spreadsheet: one row a window or beacon."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from leakcheck.report.result_json import rounded
from leakcheck.report.table_csv import Cell, to_csv

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.colour import Colour
    from leakcheck.lamps import Lamp

COLUMNS = (
    "name",
    "kind",
    "x_px",
    "y_px",
    "area_px",
    "lit",
    "findings",
    "fault",  # of the model, not only of the photo
    "level_linear",
    "level_is_at_least",
    "clipped_share",
    "stops_less_exposure",
    "stops_from_its_kind",
    "bound_of_stops_from_its_kind",  # at least, at most, or empty for the value itself
    "row",
    "stops_from_its_row",
    "bound_of_stops_from_its_row",
    "evenness_u0",
    "hot_spot",
    "colour",
    "chromaticity_x",
    "chromaticity_y",
    "cct_k",
    "duv",
    "cct_mccamy_k",  # the cross-check
    "dominant_nm",
    "purity",
    "reads_as",
    "within_colregs_limits",
    "cct_from_median_window_k",
    "mired_from_median_window",
    "rim_colour",
    "expected",
    "expected_met",
    "advice",
    "caution",
)


def lamps_to_csv(check: Check) -> bytes:
    """The table of openings as the bytes of a CSV file; a header alone where none was given."""
    return to_csv(COLUMNS, (_row(lamp) for lamp in check.lamps))


def _row(lamp: Lamp) -> Iterator[Cell]:
    """The cells of one opening in the order of `COLUMNS`."""
    yield from (lamp.name, lamp.kind)
    yield from (rounded(lamp.x, "x"), rounded(lamp.y, "y"), _number(lamp.area_px))
    yield from (lamp.lit, ", ".join(lamp.findings), lamp.fault)
    yield from (_number(lamp.level), lamp.level_at_least, _number(lamp.clipped_share))
    yield from (lamp.stops_less_exposure, _number(lamp.stops_class), lamp.stops_class_bound)
    yield from (lamp.row, _number(lamp.stops_row), lamp.stops_row_bound)
    yield from (_number(lamp.evenness), lamp.hot_spot)
    yield from _colour_cells(lamp.colour)
    yield from (_number(lamp.cct_from_median_k), _number(lamp.mired_from_median))
    yield lamp.rim_colour.word if lamp.rim_colour else None
    yield from (lamp.expected, lamp.expected_met, lamp.advice, lamp.caution)


def _colour_cells(colour: Colour | None) -> tuple[Cell, ...]:
    """What is known of a colour; empty cells where nothing is."""
    if colour is None:
        return (None,) * 10
    temperature = (colour.cct_k, colour.duv, colour.cct_mccamy_k)
    numbers = (colour.x, colour.y, *temperature, colour.dominant_nm, colour.purity)
    return (
        colour.word,
        *(_number(value) for value in numbers),
        colour.reads_as,
        colour.within_limits,
    )


def _number(value: float | None) -> float | None:
    return None if value is None else rounded(value, "number")
