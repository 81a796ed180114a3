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
    DARK,
    RING_PX,
    Area,
    NewLight,
    Planes,
    near,
    new_light,
    outlined_areas,
    ring_of,
    shape_of,
    steepness,
)
from leakcheck.lamprows import find_rows
from leakcheck.light import blurred, luminance, slope
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground, Region, region_of_mask
from leakcheck.residual import Residual

# All lengths in frame px.
RING_LEFT = 0.3  # share of the ring without neighbours that is enough
RIM_PX = (4.0, 10.0)  # surroundings whose texture an outline must beat
RIM_LEAST_PX = 10
FADES = 0.22  # light in the ring / inside, at most
FADES_IF_SEEN = 0.5  # the same where the unlit photo shows its outline well
OWN_SHARE = 0.33  # (added / unlit) in the ring / inside: light that falls on a light thing has 1
SOLID = 0.74  # area / area of its convex hull; something may stand before a window
THIN_PX = 4.6  # narrower ones are seams more often than windows
OUTLINED = 2.0  # steepness of the unlit photo on its outline / around: seen with the lamps off
WELL_OUTLINED = 3.0
EDGE_SHARE = 0.06  # steepness / light that a painted surface's texture seldom has
EDGE_SEEN = 0.6  # share of an outline that is as steep
NOT_NOISE = 1.2  # an edge must stand out of its surroundings at least so much
COLOURFUL = 0.7  # 1 - weakest / strongest channel; a lamp inside the model is whiter
DIM_SHARE = 0.3  # of the median opening's level; what is dimmer is spill on a small thing
ROW_SPREAD = 2.0  # levels in a row differ by less


@dataclass(frozen=True, eq=False)
class Candidate:
    """A sharply ending area of new light, and what speaks for an opening."""

    area: Area
    size: float  # px
    x: float  # centre, frame px
    y: float
    level: float  # linear light that it adds, brightest channel
    colourful: float  # 1 - weakest / strongest channel of its light
    fade: float  # light in the ring / inside
    own: float  # (added / unlit) in the ring / inside
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


def guess_labels(unlit: Image, lit: Image, *, lit_clipped: Mask, usable: Mask) -> NDArray[np.int32]:
    """Areas that look like lit openings.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        lit_clipped: (rows, cols, 3), True at the end of the lit frame's scale.
        usable: (rows, cols), True where the unlit frame was measured.
    Returns: (rows, cols), 0 outside, 1 to n inside the n areas.
    Raises: ExposureError if too little shows in both frames.
    """
    light = new_light(unlit, lit, lit_clipped=lit_clipped, usable=usable)
    labels = np.zeros(usable.shape, np.int32)
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
    added = light.added[area.channel][window]
    surface = light.unlit[area.channel][window] + np.float32(DARK)
    ring = ring_of(mask, RING_PX)
    clear = ring & ~taken
    if clear.sum() > RING_LEFT * ring.sum():
        ring = clear
    inside = float(np.median(added[mask]))
    fade = own = 1.0
    if ring.any() and inside > 0:
        fade = float(np.median(added[ring])) / inside
        own = fade * float(np.median(surface[mask]) / np.median(surface[ring]))
    rgb = np.array([max(float(np.median(plane[window][mask])), 0.0) for plane in light.added])
    solid, width, _ = shape_of(mask)
    outline, edge = _seen(light.unlit, area, taken)
    rows, cols = np.nonzero(mask)
    return Candidate(
        area=area,
        size=float(len(rows)),
        x=float(cols.mean()) + window[1].start,
        y=float(rows.mean()) + window[0].start,
        level=float(np.median(light.strongest[window][mask])),
        colourful=1.0 - float(rgb.min() / max(float(rgb.max()), 1e-6)),
        fade=fade,
        own=own,
        solid=solid,
        width=width,
        outline=outline,
        edge=edge,
    )


def _seen(unlit: Planes, area: Area, taken: Mask) -> tuple[float, float]:
    """How well the unlit photo shows an outline: steepness there / around, and share seen."""
    parts = [np.ascontiguousarray(plane[area.window]) for plane in unlit]
    steep = np.maximum.reduce([slope(blurred(part, 1.0)) for part in parts])
    steep = np.asarray(cv2.dilate(steep, np.ones((3, 3))))
    wider = near(area.mask, 1)
    border = wider & (cv2.erode(wider.astype(np.uint8), np.ones((3, 3))) == 0)
    around = ring_of(area.mask, RIM_PX) & ~near(taken, 3)
    if around.sum() < RIM_LEAST_PX:
        around = ring_of(area.mask, RIM_PX)
    plain = float(np.median(steep[around])) if around.any() else 0.0
    outline = float(np.median(steep[border])) / plain if plain > 0 else 0.0
    edge = np.asarray(cv2.dilate(steepness(unlit, area.window), np.ones((3, 3))))
    return outline, float((edge[border] > EDGE_SHARE).mean())


def accepted(found: Sequence[Candidate], least: float) -> list[Candidate]:
    """Those that are openings: by their light, and by the unlit photo or a row they stand in.

    Args:
        found: all candidates of a pair.
        least: linear light that an opening adds.
    """
    lit = [candidate for candidate in found if _lamp_like(candidate, least)]
    known = [candidate.seen_unlit for candidate in lit]
    if not all(known):
        for row in _rows(lit):
            levels = [lit[k].level for k in row]
            if max(levels) < ROW_SPREAD * min(levels):
                for k in row:
                    known[k] = True
    sure = [candidate for candidate, is_known in zip(lit, known, strict=True) if is_known]
    usual = float(np.median([candidate.level for candidate in sure])) if sure else 0.0
    return [candidate for candidate in sure if candidate.level > DIM_SHARE * usual]


def _lamp_like(candidate: Candidate, least: float) -> bool:
    """Whether light comes out of an area, as far as the area itself tells."""
    well_seen = candidate.outline >= WELL_OUTLINED and candidate.edge >= EDGE_SEEN
    return (
        candidate.level >= least
        and candidate.fade <= (FADES_IF_SEEN if well_seen else FADES)
        and candidate.own <= OWN_SHARE
        and candidate.solid >= SOLID
        and candidate.width >= THIN_PX
    )


def _rows(found: Sequence[Candidate]) -> tuple[tuple[int, ...], ...]:
    centres = np.array([(candidate.x, candidate.y) for candidate in found]).reshape(-1, 2)
    return find_rows(centres, np.sqrt([candidate.size for candidate in found]))


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
