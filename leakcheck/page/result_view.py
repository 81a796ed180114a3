"""A check as the page shows it: the same words as in the terminal and the report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leakcheck.colour import CAMERA_NOTE
from leakcheck.report import lamp_table
from leakcheck.report.words import (
    by_advice,
    cautions,
    faintest,
    lamps_verdict,
    number_list,
    of_window,
    on_surface,
    shortened,
    verdict,
)

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.diagnose import Leak
    from leakcheck.lamps import Lamp

CENTRE = 0.5  # ours -> SVG's units, in which a pixel's centre is at 0.5


def result_view(check: Check, *, notes: Iterable[str] = ()) -> dict[str, Any]:
    """Everything the page shows of a result, ready to be put on it as text.

    Args:
        check: the result.
        notes: sentences on the openings file.
    """
    faulty = lamp_table.faulty(check.lamps)
    return {
        "tight": check.tight,
        "verdict": verdict(check),
        "lamps_verdict": lamps_verdict(check) if check.lamps else "",
        "leaks": [_leak(leak) for leak in check.leaks],
        "spill": [_leak(leak) for leak in check.spill],
        "likely": [_leak(leak) for leak in check.likely_openings],
        "lamps": [_lamp(lamp) for lamp in check.lamps],
        "lamps_rest": lamp_table.the_rest(check.lamps) if check.lamps else [],
        "lamps_legend": f"{lamp_table.LEGEND} {CAMERA_NOTE}",
        "to_do": [[number_list(numbers), advice] for numbers, advice in by_advice(check.leaks)],
        "lamps_to_do": [list(row) for row in lamp_table.advice_rows(check.lamps)],
        "cautions": cautions([*check.leaks, *faulty]),
        "warnings": list(dict.fromkeys([*notes, *check.warnings])),
        "photo_tips": list(check.photo_tips),
        "limits": _limits(check),
    }


def _leak(leak: Leak) -> dict[str, Any]:
    return {
        "number": leak.number,
        "kind": leak.kind,
        "doubtful": leak.doubtful,
        "where": leak.where,
        "of_window": shortened(of_window(leak)),
        "on_surface": shortened(on_surface(leak)),
        "noticed": leak.noticeable,
        "colour": leak.colour,
        "advice": leak.advice,
        "caution": leak.caution,
        "x": round(leak.x + CENTRE, 1),
        "y": round(leak.y + CENTRE, 1),
        "outline": _points(leak.outline),
    }


def _lamp(lamp: Lamp) -> dict[str, Any]:
    return {
        "name": lamp.name,
        "kind": lamp.kind,
        "fault": lamp.fault,
        "found": ", ".join(lamp.findings) or "as it should be",
        "level": lamp_table.level_text(lamp),
        "even": "-" if lamp.evenness is None else f"{lamp.evenness:.2f}",
        "colour": lamp_table.colour_text(lamp),
        "asked": lamp.expected or "",
        "advice": lamp.advice,
        "caution": lamp.caution,
        "x": round(lamp.x + CENTRE, 1),
        "y": round(lamp.y + CENTRE, 1),
    }


def _limits(check: Check) -> list[list[str]]:
    limit = check.limit
    rows: Sequence[tuple[str, Any]] = (
        ("A pinhole far from lit windows", limit.pinhole_far),
        ("A pinhole close to one", limit.pinhole_near),
        ("A broad glow far from them", limit.broad_far),
        ("A broad glow close to one", limit.broad_near),
    )
    return [[words, faintest(value)] for words, value in rows if value is not None]


def _points(outline: NDArray[np.float64]) -> list[list[float]]:
    points: list[list[float]] = np.round(outline + CENTRE, 1).tolist()
    return points
