"""Hand-made comparisons of the invented ferry "Heron", for the tests of what is made of them."""

from __future__ import annotations

from dataclasses import replace

import made_checks as made
import numpy as np

from leakcheck.coats import Mean
from leakcheck.compare import Change, Comparison, Side
from leakcheck.course import Step
from leakcheck.lamp_changes import LampChange
from leakcheck.photo import linear_light
from leakcheck.register import Registration
from leakcheck.shared_scale import Scale
from leakcheck.stages import Stage

SHIFT = (40.0, -25.0)  # of the second photo against the first, px


def stage(name: str, **changes: object) -> Stage:
    """One test of the ferry; the second was set down elsewhere."""
    first = name == "coat-1"
    photo = made.photo(np.full((made.HEIGHT_PX, made.WIDTH_PX, 3), 90, np.uint8))
    facts = replace(made.facts(f"{name}_on.jpg"), content_hash=name[-1] * 64)
    matrix = np.eye(3)
    matrix[:2, 2] = SHIFT
    how = "812 points on the model agree: the camera moved."
    link = Registration(matrix, None, 16.0, 0.31, 0.94, 812, how)
    return Stage(
        name=name,
        check=made.check(on=facts, **changes),
        on=photo,
        frame=linear_light(photo, scale=4),
        from_base=None if first else link,
    )


def side(x: float, y: float, contrast: float, *, found: bool = True) -> Side:
    return Side(found, 1 if found else None, x, y, made.circle(x, y, 9), 25.0, 0.02, contrast)


def steps(*contrasts: float | None) -> tuple[Step, ...]:
    """A course over as many stages, good to 0.002."""
    return tuple(
        Step(f"coat-{k + 1}", k, c, None if c is None else 0.002, None if c is None else 0.006)
        for k, c in enumerate(contrasts)
    )


def change(number: int, state: str, **changes: object) -> Change:
    """A seam leak that lost 0.6 of density with one coat; other fields as given."""
    x, y = 300.0 + 150 * number, 700.0
    values: dict[str, object] = {
        "number": number,
        "kind": "seam leak",
        "where": 'below "saloon 3", 9 mm away',
        "state": state,
        "before": side(x, y, 0.16),
        "after": side(x + SHIFT[0], y + SHIFT[1], 0.04),
        "density": 0.602,
        "density_error": 0.041,
        "density_at_least": False,
        "ratio": 0.25,
        "stops": -2.0,
        "scale": "room light",
        "per_coat": 0.602,
        "per_coat_error": 0.041,
        "coats_needed": 1,
        "coats_needed_range": (1, 1),
        "paint_will_not_close": False,
        "advice": "Press the joint together and test again.",
        "caution": made.POWER,
        "course": steps(0.16, 0.04),
        "x": x,
        "y": y,
        "outline": made.circle(x, y, 9),
        "shown_in": "coat-1",
        "reason": "",
        "by_change": False,
    }
    return Change(**{**values, **changes})  # type: ignore[arg-type]


NOTHING: dict[str, object] = {
    "density": None,
    "density_error": None,
    "ratio": None,
    "stops": None,
    "per_coat": None,
    "per_coat_error": None,
    "coats_needed": None,
    "coats_needed_range": None,
}


def changes() -> tuple[Change, ...]:
    """One of each state."""
    stays = "Paint will not close this one: it is a hole or a joint. Press the joint."
    gone = {**NOTHING, "coats_needed": 0, "density_at_least": True, "advice": "", "caution": ""}
    return (
        change(1, "fainter"),
        change(
            2,
            "unchanged",
            density=0.004,
            ratio=0.99,
            stops=-0.01,
            per_coat=0.004,
            coats_needed=None,
            coats_needed_range=None,
            paint_will_not_close=True,
            advice=stays,
            course=steps(0.16, 0.158),
        ),
        change(3, "brighter", density=-0.3, ratio=2.0, stops=1.0, course=steps(0.1, 0.2)),
        change(4, "new", before=None, course=steps(0.001, 0.2), **NOTHING),
        change(
            5,
            "cannot tell",
            after=None,
            reason="the place cannot be measured in coat-2",
            course=steps(0.16, None),
            **NOTHING,
        ),
        change(6, "gone", after=None, course=steps(0.16, 0.001), **gone),
    )


def comparison(**changed: object) -> Comparison:
    """Two tests of a leaking ferry; any field as given."""
    leaks = made.leaks()[:2]
    values: dict[str, object] = {
        "stages": (stage("coat-1"), stage("coat-2", leaks=leaks)),
        "coats": 1,
        "changes": changes(),
        "scale": Scale("room light", 0.0, 0.02, 0.012, 0.01, None, ()),
        "per_coat": Mean(0.602, 0.05, 3),
        "lamps": (
            LampChange("saloon 2", "window", -1.2, 0.5, 0.8, None, None, None, "1.2 stops darker"),
        ),
        "noticeable": 0.02,
        "warnings": (),
    }
    return Comparison(**{**values, **changed})  # type: ignore[arg-type]


def closed() -> Comparison:
    """Everything gone and the last test tight."""
    last = stage("coat-2", leaks=())
    gone = replace(changes()[-1], number=1)
    return comparison(stages=(stage("coat-1"), last), changes=(gone,), lamps=())
