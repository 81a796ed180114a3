"""Openings guessed from the pair alone: crisp new light that the unlit photo shows a place for.

An opening is a thing: its insert or its rim shows with the lamps off, or it stands in a row of
others like it. An open hole ends as sharply, but has neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakcheck.guess_outline import Area, new_light
from leakcheck.guess_signs import EDGE_SEEN, Candidate, candidates
from leakcheck.light import blurred, boxes, luminance
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground, Region, region_of_mask
from leakcheck.residual import Residual

# All lengths in frame px.
FADES = 0.2  # light in the ring / inside, at most
FADES_IF_SEEN = 0.5  # the same where the unlit photo shows its outline well
WELL_OUTLINED = 3.0  # steepness of the unlit photo on its outline / around
OWN_SHARE = 0.33  # (added / unlit) in the ring / inside: light that falls on a light thing has 1
OWN_TIMES = 1.5  # own / fade where it is no lighter than its surroundings
SURE, SURE_WHITE = 10.0, 6.0  # of white areas only the least that they add is known
LOST = 0.15  # light lost around / light inside
SOLID = 0.74  # area / area of its convex hull; something may stand before a window
THIN_PX = 4.6  # narrower ones are seams more often than windows
BAND_PX, BAND = 30.0, 8.0  # width, area / width squared: wider and longer is a lit ledge
DIM_SHARE = 0.3  # of the usual opening's level; what is dimmer is spill on a small thing
DIM_CLIPPED = 0.62  # the same where most are clipped, so that their true level is higher still
SHARED = 0.3  # of the smaller one's pixels: two outlines of one opening
COMPANY = 6.0  # times its size: how near others of a row are
LEAST_COMPANY = 2
SIZE_SPREAD, LEVEL_SPREAD = 1.3, 2.0  # those of a row differ by less
LARGE_PX = 50.0  # a hole as wide would show in the unlit photo
LARGE_FADES = 0.14  # light in the ring / inside, at most; a glow as large leaves more
HIDDEN_FADES = 0.1  # the same, of one of a row that the unlit photo hides
# Large lights that may be anything: too broad for the search for spots.
GLOW_PX = 60.0  # from this width on
GLOW_FADES = 0.45  # light in the ring / inside, at most
GLOW_OWN = 0.8  # (added / unlit) in the ring / inside; what light falls on has 1
GLOW_MOST = 0.015  # share of the frame; larger is a lit bench


@dataclass(frozen=True, eq=False)
class Guess:
    """What shines in a pair whose openings nobody has drawn."""

    openings: tuple[Candidate, ...]
    labels: NDArray[np.int32]  # (rows, cols) of the frame; k + 1 inside openings[k], else 0
    glows: NDArray[np.int32]  # the same of large lights that are no openings; 0 elsewhere

    @property
    def strength(self) -> float:
        """How much light there is: level x root of the area (px), all openings together."""
        return float(sum(candidate.level * candidate.size**0.5 for candidate in self.openings))


def guess_openings(
    unlit: Image, lit: Image, *, overlap: Mask, unlit_clipped: Mask, lit_clipped: Mask
) -> Guess:
    """Areas that look like lit openings, and large lights that do not.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        overlap: (rows, cols), True where the unlit frame covers the lit one.
        unlit_clipped: (rows, cols), True at the end of the unlit frame's scale.
        lit_clipped: (rows, cols, 3), the same of the lit frame.
    """
    light = new_light(
        unlit, lit, overlap=overlap, unlit_clipped=unlit_clipped, lit_clipped=lit_clipped
    )
    found = candidates(light)
    openings = accepted(found, light.least)
    glows = _glows(found, openings, light.least, overlap.size)
    return Guess(tuple(openings), _labels(openings, overlap.shape), _labels(glows, overlap.shape))


def _labels(found: Sequence[Candidate], shape: tuple[int, ...]) -> NDArray[np.int32]:
    labels = np.zeros(shape, np.int32)
    for number, candidate in enumerate(found, start=1):
        labels[candidate.area.window][candidate.area.mask] = number
    return labels


def accepted(found: Sequence[Candidate], least: float) -> list[Candidate]:
    """Those that are openings: by their light, and by the unlit photo, others like them or size.

    Args:
        found: all candidates of a pair.
        least: linear light that an opening adds.
    """
    lit = [candidate for candidate in found if _lamp_like(candidate, least)]
    width = np.array([candidate.width for candidate in lit])
    fade = np.array([candidate.fade for candidate in lit])
    known = np.array([_seen_unlit(candidate) for candidate in lit], bool)
    known |= (width >= LARGE_PX) & (fade <= LARGE_FADES)
    # Mirror images stand in rows too, but are less sharp; what is clipped hides how sharp it is.
    sharp = np.array([c.area.too_wide or c.skirt <= HIDDEN_FADES for c in lit], bool)
    known |= _in_company(lit, known | sharp) & sharp & (fade <= HIDDEN_FADES)
    sure = [candidate for candidate, is_known in zip(lit, known, strict=True) if is_known]
    least_level = _least_level(sure)
    return _apart([candidate for candidate in sure if candidate.level > least_level])


def _glows(
    found: Sequence[Candidate], openings: Sequence[Candidate], least: float, pixels: int
) -> list[Candidate]:
    """Large lights that end, but fade too much or show too little in the unlit photo."""
    bright = max(least, DIM_SHARE * _usual(openings))
    large = [
        candidate
        for candidate in found
        if candidate.width >= GLOW_PX
        and candidate.size <= GLOW_MOST * pixels
        and candidate.level > bright
        and candidate.fade <= GLOW_FADES
        and candidate.own <= GLOW_OWN
        and candidate.sure >= SURE_WHITE
        and candidate.lost <= LOST
        and candidate.solid >= SOLID
        and all(_shared(candidate.area, other.area) < SHARED for other in openings)
    ]
    return _apart(large)


def _least_level(found: Sequence[Candidate]) -> float:
    """What an opening adds beside the others, linear light."""
    clipped = sum(candidate.size**0.5 for candidate in found if candidate.area.too_wide)
    mostly_clipped = clipped > sum(candidate.size**0.5 for candidate in found) / 2
    return (DIM_CLIPPED if mostly_clipped else DIM_SHARE) * _usual(found)


def _usual(found: Sequence[Candidate]) -> float:
    """The median level, where larger ones count more: root of the area."""
    if not found:
        return 0.0
    ordered = sorted(found, key=lambda candidate: candidate.level)
    weight = np.cumsum(np.sqrt([candidate.size for candidate in ordered]))
    return ordered[int(np.searchsorted(weight, float(weight[-1]) / 2))].level


def _apart(found: Sequence[Candidate]) -> list[Candidate]:
    """Those that do not lie on a crisper one."""
    kept: list[Candidate] = []
    for candidate in sorted(found, key=lambda candidate: candidate.fade):
        if all(_shared(candidate.area, other.area) < SHARED for other in kept):
            kept.append(candidate)
    return kept


def _shared(first: Area, second: Area) -> float:
    """Pixels that two areas share / pixels of the smaller."""
    rows, cols = (
        slice(max(a.start, b.start), min(a.stop, b.stop))
        for a, b in zip(first.window, second.window, strict=True)
    )
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return 0.0
    parts = [
        area.mask[
            rows.start - area.window[0].start : rows.stop - area.window[0].start,
            cols.start - area.window[1].start : cols.stop - area.window[1].start,
        ]
        for area in (first, second)
    ]
    shared = float(np.count_nonzero(parts[0] & parts[1]))
    return shared / min(float(np.count_nonzero(area.mask)) for area in (first, second))


def _seen_unlit(candidate: Candidate) -> bool:
    """Whether the unlit photo shows it, the more surely the less sharp its light ends."""
    return candidate.seen_unlit and (candidate.fade <= HIDDEN_FADES or _well_seen(candidate))


def _well_seen(candidate: Candidate) -> bool:
    return candidate.outline >= WELL_OUTLINED and candidate.edge >= EDGE_SEEN


def _lamp_like(candidate: Candidate, least: float) -> bool:
    """Whether light comes out of an area, as far as the area itself tells."""
    return (
        candidate.level >= least
        and candidate.fade <= (FADES_IF_SEEN if _well_seen(candidate) else FADES)
        and _own_light(candidate)
        and candidate.solid >= SOLID
        and candidate.width >= THIN_PX
        and not (candidate.width > BAND_PX and candidate.size > BAND * candidate.width**2)
    )


def _own_light(candidate: Candidate) -> bool:
    """Whether an area's light is new, and not what falls on it as on its surroundings."""
    # How bright a clipped area is beside its surroundings cannot be told, only that it is more.
    own = 0.0 if candidate.white else candidate.own
    return (
        candidate.sure >= (SURE_WHITE if candidate.white else SURE)
        and (own <= OWN_SHARE or own <= OWN_TIMES * candidate.fade)
        and candidate.lost <= LOST
    )


def _in_company(found: Sequence[Candidate], among: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,), True for those with some of these near that are as large and bright, as in a row."""
    places = np.array([(candidate.x, candidate.y) for candidate in found]).reshape(-1, 2)
    size = np.sqrt([candidate.size for candidate in found])
    level = np.array([candidate.level for candidate in found])
    far = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    alike = (_times(size) < SIZE_SPREAD) & (_times(level) < LEVEL_SPREAD)
    near_by = far < COMPANY * size
    np.fill_diagonal(near_by, False)
    return np.asarray((alike & near_by & among).sum(axis=1) >= LEAST_COMPANY)


def _times(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, n), how many times the larger of each two is the smaller."""
    ratio = values[:, None] / np.maximum(values[None], 1e-9)
    return np.asarray(np.maximum(ratio, 1 / np.maximum(ratio, 1e-9)))


def regions_of_labels(
    labels: NDArray[np.int32], residual: Residual, ground: Ground
) -> list[Region]:
    """Guessed openings or glows as measured regions, strongest first."""
    fine = blurred(luminance(residual.added), 1.0)
    regions = []
    for k, box in boxes(labels).items():
        mask = np.asarray(labels[box] == k)
        top, left = box[0].start, box[1].start
        regions.append(region_of_mask(mask, top, left, residual, ground, fine))
    return sorted(regions, key=lambda region: -region.glow)


def not_among(regions: Sequence[Region], known: Sequence[Region]) -> list[Region]:
    """Those that do not lie on one that is known already."""
    return [
        region
        for region in regions
        if not any(_shared(_area(region), _area(other)) > SHARED for other in known)
    ]


def _area(region: Region) -> Area:
    extent = region.extent
    return Area(extent.box, extent.mask)
