"""Openings guessed from the pair alone: crisp new light that the unlit photo shows a place for.

An opening is a thing: its insert or its rim shows with the lamps off, or it stands in a row of
others like it. An open hole ends as sharply, but has neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.guess_outline import (
    BLOCK,
    DARK,
    Area,
    NewLight,
    middle,
    near,
    new_light,
    outlined_areas,
    ring_of,
    shape_of,
    steepness,
    surroundings,
)
from leakcheck.light import blurred, luminance, slope
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground, Region, region_of_mask
from leakcheck.residual import Residual

# All lengths in frame px.
RING_LEFT = 0.3  # share of the ring without neighbours that is enough
RIM_PX = (4.0, 10.0)  # surroundings whose texture an outline must beat
RIM_LEAST_PX = 10
FADES = 0.2  # light in the ring / inside, at most
FADES_IF_SEEN = 0.5  # the same where the unlit photo shows its outline well
OWN_SHARE = 0.33  # (added / unlit) in the ring / inside: light that falls on a light thing has 1
OWN_TIMES = 1.5  # own / fade where it is no lighter than its surroundings
SURE, SURE_WHITE = 10.0, 6.0
WHITE = 0.8  # clipped share in each colour
LOST_PX = (2.5, 12.0)  # surroundings that must not have lost light
LOST_QUANTILE = 0.05
LOST = 0.15  # light lost there / light inside
SOLID = 0.74  # area / area of its convex hull; something may stand before a window
THIN_PX = 4.6  # narrower ones are seams more often than windows
OUTLINED = 2.0  # steepness of the unlit photo on its outline / around: seen with the lamps off
WELL_OUTLINED = 3.0
EDGE_SHARE = 0.06  # steepness / light that a painted surface's texture seldom has
EDGE_SEEN = 0.6  # share of an outline that is as steep
NOT_NOISE = 1.2  # an edge must stand out of its surroundings at least so much
COLOURFUL = 0.7  # 1 - weakest / strongest channel; a lamp inside the model is whiter
DIM_SHARE = 0.3  # of the median opening's level; what is dimmer is spill on a small thing
SHARED = 0.3  # of the smaller one's pixels: two outlines of one opening
COMPANY = 6.0  # times its size: how near others of a row are
LEAST_COMPANY = 2
LARGE_PX = 50.0  # a hole as wide would show in the unlit photo
LARGE_FADES = 0.14  # light in the ring / inside, at most; a glow as large leaves more
HIDDEN_FADES = 0.1  # light in the ring / inside, at most, of one that the unlit photo hides
SIZE_SPREAD, LEVEL_SPREAD = 1.3, 2.0  # those of a row differ by less


@dataclass(frozen=True, eq=False)
class Candidate:
    """A sharply ending area of new light, and what speaks for an opening."""

    area: Area
    size: float  # px
    x: float  # centre, frame px
    y: float
    level: float  # linear light that it adds, brightest channel
    white: bool  # clipped in all colours
    colourful: float  # 1 - weakest / strongest channel of its light
    fade: float  # light in the ring / inside
    own: float  # (added / unlit) in the ring / inside
    lost: float  # light lost around / light inside: where photos do not fit, both show
    sure: float  # its light / what surfaces as light as it may differ by
    solid: float  # area / area of its convex hull
    width: float  # px
    outline: float  # steepness of the unlit photo on its outline / around
    edge: float  # share of its outline that the unlit photo shows

    @property
    def seen_unlit(self) -> bool:
        """Whether its outline shows with the lamps off."""
        if self.outline >= OUTLINED:
            return True
        sure = self.outline >= NOT_NOISE or self.colourful > COLOURFUL
        return sure and self.edge >= EDGE_SEEN


def guess_labels(
    unlit: Image, lit: Image, *, overlap: Mask, unlit_clipped: Mask, lit_clipped: Mask
) -> NDArray[np.int32]:
    """Areas that look like lit openings.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        overlap: (rows, cols), True where the unlit frame covers the lit one.
        unlit_clipped: (rows, cols), True at the end of the unlit frame's scale.
        lit_clipped: (rows, cols, 3), the same of the lit frame.
    Returns: (rows, cols), 0 outside, 1 to n inside the n areas.
    Raises: ExposureError if too little shows in both frames.
    """
    light = new_light(
        unlit, lit, overlap=overlap, unlit_clipped=unlit_clipped, lit_clipped=lit_clipped
    )
    labels = np.zeros(overlap.shape, np.int32)
    for number, candidate in enumerate(accepted(candidates(light), light.least), start=1):
        labels[candidate.area.window][candidate.area.mask] = number
    return labels


def candidates(light: NewLight) -> list[Candidate]:
    """All areas that end sharply, measured."""
    areas = outlined_areas(light)
    taken = np.zeros(light.strongest.shape, bool)
    for area in areas:
        taken[area.window] |= area.mask
    return [_measured(area, taken[area.window], light) for area in areas]


def _measured(area: Area, taken: Mask, light: NewLight) -> Candidate:
    """All that speaks for and against an opening.

    Args:
        area: its outline.
        taken: (rows, cols) of its window, True inside any area.
        light: of the pair.
    """
    window, mask = area.window, area.mask
    unlit = light.unlit[window]
    ring = surroundings(mask)
    clear = ring & ~taken
    if np.count_nonzero(clear) > RING_LEFT * np.count_nonzero(ring):
        ring = clear
    added, surface = light.added[area.channel][window], unlit[..., area.channel]
    inside = middle(added[mask])
    fade = own = lost = 1.0
    if ring.any() and inside > 0:
        fade = middle(added[ring]) / inside
        own = fade * (middle(surface[mask]) + DARK) / (middle(surface[ring]) + DARK)
        wide = ring_of(mask, LOST_PX)
        all_colours = light.strongest[window][wide]
        lost = -(float(np.quantile(all_colours, LOST_QUANTILE)) + 2 * light.noise) / inside
    rgb = [max(middle(plane[window][mask]), 0.0) for plane in light.added]
    solid, width, _ = shape_of(mask)
    outline, edge = _seen(unlit, mask, taken)
    rows, cols = np.nonzero(mask)
    x, y = float(cols.mean()) + window[1].start, float(rows.mean()) + window[0].start
    block = tuple(
        min(int(at / BLOCK), most - 1) for at, most in zip((y, x), light.doubt.shape, strict=False)
    )
    doubt = float(light.doubt[(*block, area.channel)])
    return Candidate(
        area=area,
        size=float(len(rows)),
        x=x,
        y=y,
        level=middle(light.strongest[window][mask]),
        white=bool(light.clipped[window][mask].mean(axis=0).min() > WHITE),
        colourful=1.0 - min(rgb) / max(*rgb, 1e-6),
        fade=fade,
        own=own,
        lost=lost,
        sure=inside / max(doubt, light.noise),
        solid=solid,
        width=width,
        outline=outline,
        edge=edge,
    )


def _seen(unlit: Image, mask: Mask, taken: Mask) -> tuple[float, float]:
    """How well the unlit photo shows an outline: steepness there / around, and share seen.

    Args:
        unlit: (rows, cols, 3), linear light.
        mask: (rows, cols), True inside the outline.
        taken: (rows, cols), True inside any area.
    """
    smooth = cv2.split(blurred(unlit, 1.0))
    steep = np.maximum.reduce([slope(np.asarray(plane, np.float32)) for plane in smooth])
    steep = np.asarray(cv2.dilate(steep, np.ones((3, 3))))
    wider = near(mask, 1)
    border = wider & (cv2.erode(wider.astype(np.uint8), np.ones((3, 3))) == 0)
    rim = ring_of(mask, RIM_PX)
    around = rim & ~near(taken, 3)
    if np.count_nonzero(around) < RIM_LEAST_PX:
        around = rim
    plain = middle(steep[around]) if around.any() else 0.0
    outline = middle(steep[border]) / plain if plain > 0 else 0.0
    edge = np.asarray(cv2.dilate(steepness(unlit), np.ones((3, 3))))
    return outline, np.count_nonzero(edge[border] > EDGE_SHARE) / np.count_nonzero(border)


def accepted(found: Sequence[Candidate], least: float) -> list[Candidate]:
    """Those that are openings: by their light, and by the unlit photo, others like them or size.

    Args:
        found: all candidates of a pair.
        least: linear light that an opening adds.
    """
    lit = [candidate for candidate in found if _lamp_like(candidate, least)]
    known = np.array([candidate.seen_unlit for candidate in lit], bool)
    width = np.array([candidate.width for candidate in lit])
    fade = np.array([candidate.fade for candidate in lit])
    known |= (width >= LARGE_PX) & (fade <= LARGE_FADES)
    known |= _in_company(lit) & (fade <= HIDDEN_FADES)
    sure = [candidate for candidate, is_known in zip(lit, known, strict=True) if is_known]
    usual = _usual_level(sure)
    bright = [candidate for candidate in sure if candidate.level > DIM_SHARE * usual]
    return _apart(bright)


def _usual_level(found: Sequence[Candidate]) -> float:
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


def _lamp_like(candidate: Candidate, least: float) -> bool:
    """Whether light comes out of an area, as far as the area itself tells."""
    well_seen = candidate.outline >= WELL_OUTLINED and candidate.edge >= EDGE_SEEN
    # How bright a clipped area is beside its surroundings cannot be told, only that it is more.
    own = 0.0 if candidate.white else candidate.own
    return (
        candidate.level >= least
        and candidate.sure >= (SURE_WHITE if candidate.white else SURE)
        and candidate.fade <= (FADES_IF_SEEN if well_seen else FADES)
        and (own <= OWN_SHARE or own <= OWN_TIMES * candidate.fade)
        and candidate.lost <= LOST
        and candidate.solid >= SOLID
        and candidate.width >= THIN_PX
    )


def _in_company(found: Sequence[Candidate]) -> NDArray[np.bool_]:
    """(n,), True for those with others near that are as large and as bright, as in a row."""
    places = np.array([(candidate.x, candidate.y) for candidate in found]).reshape(-1, 2)
    size = np.sqrt([candidate.size for candidate in found])
    level = np.array([candidate.level for candidate in found])
    far = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    alike = (_times(size) < SIZE_SPREAD) & (_times(level) < LEVEL_SPREAD)
    near_by = far < COMPANY * size
    np.fill_diagonal(near_by, False)
    return np.asarray((alike & near_by).sum(axis=1) >= LEAST_COMPANY)


def _times(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, n), how many times the larger of each two is the smaller."""
    ratio = values[:, None] / np.maximum(values[None], 1e-9)
    return np.asarray(np.maximum(ratio, 1 / np.maximum(ratio, 1e-9)))


def regions_of_labels(
    labels: NDArray[np.int32], residual: Residual, ground: Ground
) -> list[Region]:
    """Guessed openings as measured regions, strongest first."""
    fine = blurred(luminance(residual.added), 1.0)
    regions = []
    for k in range(1, int(labels.max(initial=0)) + 1):
        rows, cols = np.nonzero(labels == k)
        top, left = int(rows.min()), int(cols.min())
        mask = labels[top : rows.max() + 1, left : cols.max() + 1] == k
        regions.append(region_of_mask(mask, top, left, residual, ground, fine))
    return sorted(regions, key=lambda region: -region.glow)
