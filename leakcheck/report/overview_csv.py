"""An overview as a CSV table for a spreadsheet: one row for each pair, then each photo in none."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from leakcheck.report.overview_words import worst_of
from leakcheck.report.result_json import rounded
from leakcheck.report.table_csv import Cell, to_csv

if TYPE_CHECKING:
    from leakcheck.overview import Overview, PairLine

COLUMNS = (
    "view",
    "stage",
    "repeat",  # 1 is the first pair of the view in the stage
    "off",
    "on",
    "verdict",  # tight, leaks, not measured; for a photo in no pair: not paired
    "exit_code",
    "leaks",
    "doubtful",
    "worst_kind",
    "worst_where",
    "worst_contrast_ratio",
    "worst_level_of_median_window_ratio",
    "worst_advice",
    "worst_coats_needed",
    "faulty_openings",
    "faintest_pinhole_contrast_ratio",
    "openings",
    "results",
    "text",
    "why",
)


def overview_to_csv(overview: Overview) -> bytes:
    """The table's bytes."""
    return to_csv(COLUMNS, _rows(overview))


def _rows(overview: Overview) -> Iterator[list[Cell]]:
    for pair in overview.pairs:
        yield _pair_row(pair)
    for left in overview.left_out:
        cells: dict[str, Cell] = {
            "off": left.photo,
            "verdict": "not paired",
            "exit_code": left.exit_code,
            "text": left.reason,
            "why": left.why,
        }
        yield [cells.get(column) for column in COLUMNS]


def _pair_row(pair: PairLine) -> list[Cell]:
    worst = worst_of(pair)
    cells: dict[str, Cell] = {
        "view": pair.view,
        "stage": pair.stage,
        "repeat": pair.number,
        "off": pair.off,
        "on": pair.on,
        "verdict": pair.verdict,
        "exit_code": pair.exit_code,
        "openings": pair.openings,
        "results": pair.results,
        "text": pair.text,
        "why": f"{pair.paired}: {pair.why}",
    }
    if pair.measured:
        cells |= {
            "leaks": len(pair.leaks),
            "doubtful": sum(leak.doubtful for leak in pair.leaks),
            "faulty_openings": len(pair.faulty_openings),
            "faintest_pinhole_contrast_ratio": _number(pair.faintest, "contrast"),
        }
    if worst is not None:
        cells |= {
            "worst_kind": worst.kind,
            "worst_where": worst.where,
            "worst_contrast_ratio": _number(worst.contrast, "contrast"),
            "worst_level_of_median_window_ratio": _number(worst.level, "level"),
            "worst_advice": worst.advice,
            "worst_coats_needed": worst.coats,
        }
    return [cells.get(column) for column in COLUMNS]


def _number(value: float | None, name: str) -> float | None:
    return None if value is None else rounded(value, name)
