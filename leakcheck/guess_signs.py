"""What speaks for an opening in an area of new light that ends sharply, and what against."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from leakcheck.guess_outline import (
    BLOCK,
    DARK,
    RING_PX,
    Area,
    NewLight,
    middle,
    near,
    outlined_areas,
    ring_of,
    shape_of,
    steepness,
    surroundings,
)
from leakcheck.light import blurred, slope
from leakcheck.photo import Image, Mask

# All lengths in frame px.
RING_LEFT = 0.3  # share of the ring without neighbours that is enough
LOST_PX = (2.5, 12.0)  # surroundings that must not have lost light
LOST_QUANTILE = 0.05
RIM_PX = (4.0, 10.0)  # surroundings whose texture an outline must beat
RIM_LEAST_PX = 10
EDGE_SHARE = 0.06  # steepness / light that a painted surface's texture seldom has
LEAST_SURE, LEAST_SOLID, LEAST_WIDTH_PX = 6.0, 0.74, 4.6  # what nothing is taken below
WHITE = 0.8  # clipped share in each colour
OUTLINED = 2.0  # steepness of the unlit photo on its outline / around: seen with the lamps off
EDGE_SEEN = 0.6  # share of an outline that is as steep
NOT_NOISE = 1.2  # an edge must stand out of its surroundings at least so much
BEACON_PX = 30.0  # a coloured lamp is no wider
COLOURFUL = 0.7  # 1 - weakest / strongest channel; a lamp inside the model is whiter


@dataclass(frozen=True, eq=False)
class Candidate:
    """A sharply ending area of new light, and what speaks for an opening."""

    area: Area
    size: float  # px
    x: float  # centre, frame px
    y: float
    level: float  # linear light that it adds, brightest channel
    white: bool  # clipped in all colours
    rgb: tuple[float, float, float]  # linear light that it adds at its border, seldom clipped
    colourful: float  # 1 - weakest / strongest channel of its light
    fade: float  # light in the ring / inside
    skirt: float  # the same, close by: how sharp it is beside what the lens can show
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
        beacon = self.colourful > COLOURFUL and self.width < BEACON_PX
        sure = self.outline >= NOT_NOISE or beacon
        return sure and self.edge >= EDGE_SEEN


def candidates(light: NewLight) -> list[Candidate]:
    """All areas that end sharply, measured."""
    areas = outlined_areas(light)
    taken = np.zeros(light.strongest.shape, bool)
    for area in areas:
        taken[area.window] |= area.mask
    return [_measured(area, taken[area.window], light) for area in areas if _plain(area, light)]


def _plain(area: Area, light: NewLight) -> bool:
    """Whether an area is bright and broad enough to be worth measuring."""
    added = light.added[area.channel][area.window]
    if middle(light.strongest[area.window][area.mask]) < light.least:
        return False
    if middle(added[area.mask]) < LEAST_SURE * _doubt(area, light):
        return False
    solid, width, _ = shape_of(area.mask)
    return solid >= LEAST_SOLID and width >= LEAST_WIDTH_PX


def _middle(area: Area) -> tuple[float, float]:
    """x and y of its centroid, frame px."""
    sums = cv2.moments(area.mask.astype(np.uint8), True)
    x, y = sums["m10"] / sums["m00"], sums["m01"] / sums["m00"]
    return x + area.window[1].start, y + area.window[0].start


def _doubt(area: Area, light: NewLight) -> float:
    """What surfaces as light as an area's middle may differ by, linear light; at least noise."""
    x, y = _middle(area)
    row = min(int(y / BLOCK), light.doubt.shape[0] - 1)
    col = min(int(x / BLOCK), light.doubt.shape[1] - 1)
    return max(float(light.doubt[row, col, area.channel]), light.noise)


def _measured(area: Area, taken: Mask, light: NewLight) -> Candidate:
    """All that speaks for and against an opening.

    Args:
        area: its outline.
        taken: (rows, cols) of its window, True inside any area.
        light: of the pair.
    """
    window, mask = area.window, area.mask
    unlit = light.unlit[window]
    ring, close = (
        _clear(near_by, taken) for near_by in (surroundings(mask), ring_of(mask, RING_PX))
    )
    added, surface = light.added[area.channel][window], unlit[..., area.channel]
    inside = middle(added[mask])
    fade = own = lost = skirt = 1.0
    if ring.any() and close.any() and inside > 0:
        skirt = middle(added[close]) / inside
        fade = middle(added[ring]) / inside
        own = fade * (middle(surface[mask]) + DARK) / (middle(surface[ring]) + DARK)
        wide = ring_of(mask, LOST_PX)
        all_colours = light.strongest[window][wide]
        lost = -(float(np.quantile(all_colours, LOST_QUANTILE)) + 2 * light.noise) / inside
    inner = _colour(mask, light, area)
    solid, width, _ = shape_of(mask)
    outline, edge = _seen(unlit, mask, taken)
    x, y = _middle(area)
    return Candidate(
        area=area,
        size=float(np.count_nonzero(mask)),
        x=x,
        y=y,
        level=middle(light.strongest[window][mask]),
        white=bool(light.clipped[window][mask].mean(axis=0).min() > WHITE),
        rgb=_colour(near(mask, 1) & near(~mask, 1), light, area),
        colourful=1.0 - min(inner) / max(*inner, 1e-6),
        fade=fade,
        skirt=skirt,
        own=own,
        lost=lost,
        sure=inside / _doubt(area, light),
        solid=solid,
        width=width,
        outline=outline,
        edge=edge,
    )


def _clear(ring: Mask, taken: Mask) -> Mask:
    """A ring without what belongs to others, unless hardly anything would be left."""
    clear = ring & ~taken
    enough = np.count_nonzero(clear) > RING_LEFT * np.count_nonzero(ring)
    return clear if enough else ring


def _colour(mask: Mask, light: NewLight, area: Area) -> tuple[float, float, float]:
    """Median light added in each colour; never below 0."""
    red, green, blue = (max(middle(plane[area.window][mask]), 0.0) for plane in light.added)
    return red, green, blue


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
