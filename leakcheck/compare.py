"""Tests of one model before and after coats: what is gone, fainter, unchanged, brighter, new."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leakcheck.coats import CoatsNeeded, Mean, coats_needed, robust_mean, stays
from leakcheck.course import Step, course_of, fall_of
from leakcheck.diagnose import Leak, SpotKind
from leakcheck.errors import UsageError
from leakcheck.forced import Amount
from leakcheck.lamp_changes import LampChange, lamp_changes
from leakcheck.openings import Openings
from leakcheck.places import Place, places_of
from leakcheck.settings import Settings
from leakcheck.shared_scale import Scale, ScaleName, shared_scale
from leakcheck.stages import Pair, Points, Stage, checked_stages, way
from leakcheck.states import Judged, State, between
from leakcheck.told_by_change import told_by_change

# A coat changes a leak and leaves spill alone: of what a single test could not tell, this tells.
CHANGED: tuple[State, ...] = ("gone", "fainter", "brighter", "new")


@dataclass(frozen=True, eq=False)
class Side:
    """A leak as one test shows it, in pixels of that test's lights-on photo."""

    found: bool  # by the check itself; else it was measured where the other test shows it
    number: int | None  # in that test's own list
    x: float
    y: float
    outline: Points  # (n, 2)
    glow_px: float
    level: float | None  # of the median window
    contrast: float  # added / room light on the same surface


@dataclass(frozen=True, eq=False)
class Change:
    """One place of the model from the first test to the last."""

    number: int
    kind: SpotKind
    where: str
    state: State
    before: Side | None
    after: Side | None
    density: float | None  # log10(before / after) over all coats between
    density_error: float | None
    density_at_least: bool  # nothing is left to be measured: the true density is higher
    ratio: float | None  # after / before
    stops: float | None  # log2 of it
    scale: ScaleName  # what the two tests were compared by
    per_coat: float | None  # density of one coat on this leak, by all stages that show it
    per_coat_error: float | None
    coats_needed: int | None  # None: not known, or paint will not do it
    coats_needed_range: tuple[int, int | None] | None
    paint_will_not_close: bool  # its density stays near zero while others fall
    advice: str
    caution: str
    course: tuple[Step, ...]
    x: float  # on the lights-on photo of the test that shows it best, px
    y: float
    outline: Points
    shown_in: str  # that test
    reason: str  # of "cannot tell", in words; else empty
    by_change: bool  # no single test tells it from light on edges

    @property
    def open(self) -> bool:
        """Whether a leak is left, or may be."""
        return self.state != "gone"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two or more tests of one model."""

    stages: tuple[Stage, ...]
    coats: int  # between one stage and the next
    changes: tuple[Change, ...]  # strongest now first
    scale: Scale  # between the first and the last stage
    per_coat: Mean | None  # density of a coat on this model
    lamps: tuple[LampChange, ...]  # openings that changed
    noticeable: float
    warnings: tuple[str, ...]

    @property
    def closed(self) -> bool:
        """True where nothing is left."""
        return not any(change.open for change in self.changes) and self.stages[-1].check.tight

    def count(self, state: State) -> int:
        """How many leaks have a state."""
        return Counter(change.state for change in self.changes)[state]

    def to_dict(self) -> dict[str, Any]:
        """The result as it goes into the JSON file."""
        from leakcheck.report.compare_json import comparison_to_dict

        return comparison_to_dict(self)


def compare(
    pairs: Sequence[Pair],
    openings: Openings | None = None,
    *,
    base: int = 0,
    coats: int = 1,
    scale: ScaleName | None = None,
    settings: Settings = Settings(),  # noqa: B008  it is frozen
    progress: Callable[[str], None] = lambda _: None,
) -> Comparison:
    """Check every stage and follow each leak from the first to the last.

    Args:
        pairs: the stages in order, two or more.
        openings: where light may leave, on the lights-on photo of pair `base`.
        base: see `openings`.
        coats: of paint between one stage and the next, 1 or more.
        scale: what to compare light by; None: what suits the photos.
        settings: for every check.
        progress: told what is being done.
    Raises:
        UsageError: fewer than two stages or no coat between them.
        MeasurementError: a pair cannot be measured or two stages cannot be laid onto each other.
    """
    if coats < 1:
        raise UsageError(f"--coats must be 1 or more, got {coats}.")
    stages = checked_stages(pairs, openings, base=base, settings=settings, progress=progress)
    progress("Comparing")
    return compared(stages, coats=coats, scale=scale, settings=settings)


def compared(
    stages: tuple[Stage, ...],
    *,
    coats: int = 1,
    scale: ScaleName | None = None,
    settings: Settings = Settings(),  # noqa: B008  it is frozen
) -> Comparison:
    """What `compare` says of stages that are checked already."""
    scales = [shared_scale(stages, 0, k, wanted=scale) for k in range(1, len(stages))]
    rooms = [0.0, *(each.room for each in scales)]
    last = scales[-1]
    found = []
    told = told_by_change(stages, [10**room for room in rooms])
    for place in places_of(stages, told):
        course = course_of(stages, place, rooms, coats)
        judged = _judged(course[0], course[-1], place, stages, last.error, settings)
        if judged is not None and (place.sure or judged.state in CHANGED):
            found.append((place, course, judged))
    falls = [fall_of(course, last.error) for place, course, _ in found if place.sure]
    known = [fall for fall in falls if fall is not None and fall[0] > -fall[1]]
    mean = robust_mean([value for value, _ in known], [error for _, error in known])
    found.sort(key=lambda item: (item[2].state == "gone", -(item[1][-1].contrast or 0.0)))
    changes = tuple(
        _change(stages, k, *item, last, mean, [value for value, _ in known], settings)
        for k, item in enumerate(found, start=1)
    )
    return Comparison(
        stages=stages,
        coats=coats,
        changes=changes,
        scale=last,
        per_coat=mean,
        lamps=lamp_changes(stages[0], stages[-1]),
        noticeable=settings.noticeable_contrast,
        warnings=_warnings(stages, scales),
    )


def _judged(
    before: Step,
    after: Step,
    place: Place,
    stages: Sequence[Stage],
    scale_error: float,
    settings: Settings,
) -> Judged | None:
    """The state of a place by what was measured there, never by detection alone.

    Returns: None where neither test is sure of any light.
    """
    was, is_now = place.leaks[0], place.leaks[-1]
    if before.contrast is None or after.contrast is None:
        if was is None and is_now is None:
            return None
        name = stages[-1 if after.contrast is None else 0].name
        return Judged("cannot tell", reason=f"the place cannot be measured in {name}")
    b = Amount(before.contrast, before.error or 0.0)
    a = Amount(after.contrast, after.error or 0.0)
    return between(
        b,
        a,
        found=(was is not None, is_now is not None),
        scale_error=scale_error,
        noticeable=settings.noticeable_contrast,
    )


def _change(
    stages: Sequence[Stage],
    number: int,
    place: Place,
    course: tuple[Step, ...],
    judged: Judged,
    scale: Scale,
    mean: Mean | None,
    falls: Sequence[float],
    settings: Settings,
) -> Change:
    """A judged place in the words and numbers of a report."""
    error = None if judged.error is None else math.hypot(judged.error, scale.error)
    known = judged.density is not None and not judged.at_least
    left = course[-1].contrast if judged.state not in ("gone", "cannot tell") else None
    fall = (
        fall_of(course, scale.error) if judged.state in ("gone", "fainter", "unchanged") else None
    )
    others = [value for value in falls if fall is None or value != fall[0]]
    shut = judged.state in ("unchanged", "fainter") and fall is not None and stays(*fall, others)
    needed = None
    if left is not None and not shut:
        needed = _needed(left, fall, mean, settings.noticeable_contrast)
    leak = place.leaks[-1] or place.leaks[0] or place.leak
    return Change(
        number=number,
        kind=place.leak.kind,
        where=leak.where,
        state=judged.state,
        before=None if judged.state == "new" else _side(stages, place, 0, course[0]),
        after=None if judged.state == "gone" else _side(stages, place, len(stages) - 1, course[-1]),
        density=judged.density if not judged.at_least else None,
        density_error=error if not judged.at_least else None,
        density_at_least=judged.at_least,
        ratio=10**-judged.density if known and judged.density is not None else None,
        stops=-judged.density / math.log10(2) if known and judged.density is not None else None,
        scale=scale.by,
        per_coat=None if fall is None else fall[0],
        per_coat_error=None if fall is None else fall[1],
        coats_needed=0 if judged.state == "gone" else needed.likely if needed else None,
        coats_needed_range=(needed.least, needed.most) if needed else None,
        paint_will_not_close=shut,
        advice=_advice(leak, judged.state, shut),
        caution="" if judged.state == "gone" else leak.caution,
        course=course,
        x=place.leak.x,
        y=place.leak.y,
        outline=place.leak.outline,
        shown_in=stages[place.finder].name,
        reason=judged.reason,
        by_change=place.told is not None,
    )


def _needed(
    left: float, fall: tuple[float, float] | None, mean: Mean | None, noticeable: float
) -> CoatsNeeded | None:
    """Coats still needed by a leak's own density; by the model's where it has none of its own."""
    if fall is not None and fall[0] > 0:
        return coats_needed(left, *fall, noticeable=noticeable)
    if mean is not None:
        return coats_needed(left, mean.value, mean.error, noticeable=noticeable)
    return coats_needed(left, 0.0, 0.0, noticeable=noticeable)


def _advice(leak: Leak, state: State, shut: bool) -> str:
    if state == "gone":
        return ""
    if shut:
        return f"Paint will not close this one: it is a hole or a joint. {_without_paint(leak)}"
    return leak.advice


def _without_paint(leak: Leak) -> str:
    if leak.kind == "seam leak":
        return "Press the joint, or put filler or a backing strip behind it."
    return "Put foil tape or a piece of plastic behind it, or filler into it."


def _side(stages: Sequence[Stage], place: Place, k: int, step: Step) -> Side | None:
    """A place as one stage shows it; None where it is hidden or outside."""
    leak = place.leaks[k]
    if leak is not None:
        return Side(
            True, leak.number, leak.x, leak.y, leak.outline, leak.glow_px, leak.level, leak.contrast
        )
    if step.contrast is None:
        return None
    moved = way(stages, place.finder, k)
    source = place.leak
    outline = source.outline if moved is None else moved(source.outline)
    centre = np.array([[source.x, source.y]])
    x, y = (centre if moved is None else moved(centre))[0]
    share = max(step.contrast, 0.0) / max(source.contrast, 1e-9)
    grown = 1.0 if moved is None else _area_ratio(source.outline, outline)
    return Side(
        False,
        None,
        float(x),
        float(y),
        outline,
        source.glow_px * share * grown,
        None if source.level is None else source.level * share,
        max(step.contrast, 0.0),
    )


def _area_ratio(before: Points, after: Points) -> float:
    """Area of an outline after / before it was moved, from its extent where it is a line."""
    sizes = [float(np.prod(np.ptp(points, axis=0) + 1)) for points in (before, after)]
    return sizes[1] / sizes[0]


def _warnings(stages: Sequence[Stage], scales: Sequence[Scale]) -> tuple[str, ...]:
    said = [sentence for each in scales for sentence in each.warnings]
    said += [f"{stage.name}: {sentence}" for stage in stages for sentence in stage.check.warnings]
    return tuple(dict.fromkeys(said))
