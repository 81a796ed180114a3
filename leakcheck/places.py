"""Which leaks of several tests are one and the same: matched by place on the model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from leakcheck.diagnose import Leak
from leakcheck.stages import Points, Stage, way

REACH_PX = 2.0  # frame px that a leak's outline may wander by noise alone
SLACKS = 2.0  # registration residuals that its place may be off by
SHARED = 0.3  # of the smaller outline that must lie in the other one
UNLIKE_SIZE = 8.0  # area of one / area of the other: a pinhole in a glowing wall is not the wall
PART = 0.5  # of a piece's outline that lies in a matched one: a bead of the same leak


@dataclass(frozen=True, eq=False)
class Place:
    """One place of the model with the leaks that were found there, stage by stage."""

    leaks: tuple[Leak | None, ...]  # per stage; None: nothing was found
    finder: int  # the stage in which it stood out most
    told: Leak | None = None  # where no test found it: what the change tells of `finder`

    @property
    def sure(self) -> bool:
        """Whether a single test is sure of it; else only a change can tell it from spill."""
        return any(leak is not None and not leak.doubtful for leak in self.leaks)

    @property
    def leak(self) -> Leak:
        """The leak as it was found most clearly."""
        found = self.told or self.leaks[self.finder]
        assert found is not None, "a place starts from a leak"
        return found


def places_of(
    stages: Sequence[Stage], told: Sequence[Sequence[Leak]] | None = None
) -> tuple[Place, ...]:
    """Leaks of all stages, matched one to one; a piece of a leak is no place of its own.

    Doubtful ones come last: they join sure ones, or are places of which only a change can tell.

    Args:
        stages: all tests.
        told: for each test the leaks that none found, but the change between two tells.
    """
    base = next(k for k, stage in enumerate(stages) if stage.from_base is None)
    areas = {
        (k, n): _area(stages, k, base, leak)
        for k, stage in enumerate(stages)
        for n, leak in enumerate(stage.check.leaks)
    }
    taken: set[tuple[int, int]] = set()
    found = []
    for key in sorted(areas, key=lambda key: _rank(_leak(stages, key))):
        if key in taken:
            continue
        group = _matched(areas, key, taken, len(stages))
        taken |= set(group.values())
        taken |= {
            other
            for other in areas
            if other not in taken and any(_piece(stages, areas, other, m) for m in group.values())
        }
        leaks = tuple(_leak(stages, group[k]) if k in group else None for k in range(len(stages)))
        found.append(Place(leaks, key[0]))
    return (*found, *_told(stages, told or [], base, list(areas.values())))


def _told(
    stages: Sequence[Stage],
    told: Sequence[Sequence[Leak]],
    base: int,
    areas: list[shapely.Geometry],
) -> list[Place]:
    """Places that only the change tells, but for those in a leak that a test found."""
    found = []
    leaks = [(k, leak) for k, of_stage in enumerate(told) for leak in of_stage]
    for k, leak in sorted(leaks, key=lambda item: -item[1].significance):
        area = _area(stages, k, base, leak)
        if not any(_share(area, other, of_first=False) > SHARED for other in areas):
            found.append(Place((None,) * len(stages), k, leak))
            areas.append(area)
    return found


def _matched(
    areas: dict[tuple[int, int], shapely.Geometry],
    key: tuple[int, int],
    taken: set[tuple[int, int]],
    count: int,
) -> dict[int, tuple[int, int]]:
    """For each other stage the free leak that shares most of its outline with this one."""
    group = {key[0]: key}
    for stage in range(count):
        shares = {
            other: _share(areas[key], area, of_first=False)
            for other, area in areas.items()
            if other[0] == stage
            and stage != key[0]
            and other not in taken
            and 1 / UNLIKE_SIZE < area.area / areas[key].area < UNLIKE_SIZE
        }
        best = max(shares, key=lambda other: shares[other], default=None)
        if best is not None and shares[best] >= SHARED:
            group[stage] = best
    return group


def _piece(
    stages: Sequence[Stage],
    areas: dict[tuple[int, int], shapely.Geometry],
    part: tuple[int, int],
    whole: tuple[int, int],
) -> bool:
    """Whether a leak is a piece of another one: a bead of a joint, or a part of a glow."""
    kinds = (_leak(stages, part).kind, _leak(stages, whole).kind)
    like = kinds[0] == kinds[1] or kinds[1] == "seam leak"
    return like and _share(areas[part], areas[whole], of_first=True) > PART


def _share(first: shapely.Geometry, second: shapely.Geometry, *, of_first: bool) -> float:
    """Shared area / area of the smaller one, or of the first."""
    if not first.intersects(second):
        return 0.0
    whole = first.area if of_first else min(first.area, second.area)
    return float(first.intersection(second).area / max(whole, 1e-9))


def _rank(leak: Leak) -> tuple[bool, float]:
    """Sure leaks first, then those that stand out most."""
    return leak.doubtful, -leak.significance


def _leak(stages: Sequence[Stage], key: tuple[int, int]) -> Leak:
    return stages[key[0]].check.leaks[key[1]]


def _area(stages: Sequence[Stage], k: int, base: int, leak: Leak) -> shapely.Geometry:
    """Where a leak lies on the base's photo, as far as its outline and place are sure."""
    images = stages[k].check.images
    scale = images.scale if images is not None else 1
    reach = REACH_PX * scale / 2 + SLACKS * stages[k].slack_px
    moved = way(stages, k, base)
    outline = leak.outline if moved is None else moved(leak.outline)
    return outline_area(outline, reach_px=reach)


def outline_area(outline: Points, *, reach_px: float) -> shapely.Geometry:
    """A polygon widened on all sides; one of a few points in a line is widened as well."""
    outline = outline[np.isfinite(outline).all(axis=1)]
    if len(outline) >= 3:
        shape = shapely.make_valid(shapely.Polygon(outline))
    else:
        shape = shapely.MultiPoint(outline).convex_hull
    return shape.buffer(max(reach_px, 0.5))
