"""A place of the model followed through the stages: measured in each, found there or not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from leakcheck.diagnose import Leak
from leakcheck.forced import Amount, both_amounts, look_at, patch_of
from leakcheck.places import Place
from leakcheck.stages import Points, Stage, inside, way
from leakcheck.states import SEEN_SIGMA, log_error

BROAD_PX = 16.0  # frame px: wider than the surroundings that a spot is compared with
LIMIT_SIGMA = 6.0  # significance that a check asks of a spot, about


@dataclass(frozen=True)
class Step:
    """A leak's light in one stage, on the scale of the first one."""

    stage: str
    coats: int  # since the first stage
    contrast: float | None  # None: hidden, outside, or not measurable there
    error: float | None
    limit: float | None  # what would have been seen at this place


def course_of(
    stages: Sequence[Stage], place: Place, rooms: Sequence[float], coats: int
) -> tuple[Step, ...]:
    """A place measured in every stage, found there or not."""
    steps = []
    for k, stage in enumerate(stages):
        measured = _measured(stages, place, k)
        factor = 10 ** rooms[k]
        contrast, error = (None, None) if measured is None else measured
        steps.append(
            Step(
                stage=stage.name,
                coats=coats * k,
                contrast=None if contrast is None else contrast * factor,
                error=None if error is None else error * factor,
                limit=None if error is None else SEEN_SIGMA * error * factor,
            )
        )
    return tuple(steps)


def _measured(stages: Sequence[Stage], place: Place, k: int) -> tuple[float, float] | None:
    """Contrast of a place in a stage and its error, in units in which the finder's own holds."""
    finder = stages[place.finder]
    images, own = stages[k].check.images, finder.check.images
    assert images is not None, "a fresh check keeps its images"
    assert own is not None, "a fresh check keeps its images"
    outline = place.leak.outline
    patch = patch_of(outline, scale=own.scale)
    first = look_at(patch, own, moved=None, others=_others(finder, place.leaks[place.finder]))
    if k == place.finder:
        pair = both_amounts(patch, first, first, search_px=0.0)
    else:
        moved = way(stages, place.finder, k)
        if moved is not None and not inside(stages[k], moved(outline)):
            return None
        second = look_at(patch, images, moved=moved, others=_others(stages[k], place.leaks[k]))
        slack = math.hypot(stages[k].slack_px, finder.slack_px) / own.scale
        pair = both_amounts(patch, first, second, search_px=0.0 if moved is None else 1 + 2 * slack)
    if pair is None or pair[0].contrast <= 0:
        return None
    # A coloured leak may add nothing to luminance that can be told: its own units stay then.
    unit = max(place.leak.contrast / pair[0].contrast, 0.0) or 1.0
    floor = _unevenness(place.leak, stages[k], images.scale)
    return pair[1].contrast * unit, max(pair[1].sigma * unit, floor)


def _unevenness(leak: Leak, stage: Stage, scale: int) -> float:
    """What a broad place may add in a test without any leak: surfaces are matched only so well."""
    if leak.width_px < BROAD_PX * scale:
        return 0.0
    contrast = stage.check.limit.broad_far.contrast
    return contrast / LIMIT_SIGMA if math.isfinite(contrast) else 0.0


def _others(stage: Stage, own: Leak | None) -> list[Points]:
    """Outlines of all lights of a test but one."""
    return [leak.outline for leak in (*stage.check.leaks, *stage.check.spill) if leak is not own]


def fall_of(course: Sequence[Step], scale_error: float) -> tuple[float, float] | None:
    """Density per coat by the stages that show a leak, and its error; None: fewer than two do."""
    seen = [
        (step.coats, Amount(step.contrast, step.error))
        for step in course
        if step.contrast is not None
        and step.error is not None
        and step.contrast > (step.limit or 0)
    ]
    if len(seen) < 2:
        return None
    coats = np.array([count for count, _ in seen], float)
    logs = np.array([-math.log10(amount.contrast) for _, amount in seen])
    own = [log_error(amount) for _, amount in seen]
    error = np.hypot(own, scale_error / math.sqrt(2))
    weight = 1 / error**2
    centre = float((weight * coats).sum() / weight.sum())
    spread = float((weight * (coats - centre) ** 2).sum())
    slope = float((weight * (coats - centre) * logs).sum()) / spread
    return slope, 1 / math.sqrt(spread)
