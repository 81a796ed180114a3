"""Light on one side of a beacon, which its halo is not: an unpainted side of its clear part.

A side glow hugs its beacon, so a search for spots sees it as part of the beacon's own bloom. But
what the lens makes round a lamp lies all round it. Each beacon's surroundings are therefore looked
at by direction and distance, in the beacon's own colour, over what lies there in most directions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.extent import Extent
from leakcheck.light import LUMINANCE, blurred
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground, Region, region_of_extent
from leakcheck.residual import Residual
from leakcheck.spill import Sorted
from leakcheck.spots import Spot

SMALLEST_PX = 4.0  # frame px; smaller beacons are blurred to this
SECTORS = 16  # directions
RING_PX, RING = 2.0, 0.15  # width of a ring, frame px and sizes: not finer than either
REACH = 3.2  # sizes of the beacon from its edge: as far as its surroundings are looked at
CORE_REACH = 1.2  # how far a side glow itself shines: a clear part is about as thick as wide
END_AT = (1.6, 2.4)  # and where it has ended; spill on a wall goes on
LOBE_REACH = 1.0  # where its direction shows best
LOBES = (2.0, 6.0)  # powers of the cosine: seen from the front, and at a slant
MIN_RING = 2  # pixels of a ring, fewer tell nothing
HALO_QUANTILE = 0.4  # of the directions: what lies in most of them is halo
MIN_PIXELS = 30  # measured close to a beacon
MIN_SECTORS = 9  # fewer directions do not tell one side from another
LEAST_VARIANCE = 0.25  # of the median: a pixel is never known much better than others

# What tells a side glow; found on rendered pairs (no published source).
SURE_SIGMA = 10.0  # significance that unevenness of paint and JPEG blocks seldom reach
LOBE = 0.75  # correlation of directions with a lobe to one side
SURE_LOBE = 0.85  # less may be light on a rail or mast beside it
EDGES = 0.95  # share of the glow that lies on edges of surfaces: it may be what they catch
CONTACT = 0.4  # at the beacon's edge / brightest on the way out; a mirrored beacon lies apart
GOING_ON = 0.5  # beyond its reach / within it
LEAST_CONTRAST = 0.015  # added / room light on the same surface
EXTENT = 0.12  # of its peak: down to where a leak counts
SMOOTH = 0.2  # of its size: finer than any glow's own shape
COVERED = 0.3  # of the surroundings close by that must be measured: else no side is known


@dataclass(frozen=True, eq=False)
class _View:
    """A beacon's surroundings in a window, frame px."""

    top: int
    left: int
    lamp: Mask  # (rows, cols), True inside the beacon
    measured: Mask
    away: Image  # (rows, cols), px from the beacon's edge
    sector: NDArray[np.intp]  # (rows, cols), direction, 0 to SECTORS - 1
    light: Image  # (rows, cols), linear light along the beacon's colour
    variance: Image  # of it
    size: float  # of the beacon, px

    @property
    def ring(self) -> NDArray[np.intp]:
        """Distance from the beacon's edge in rings, (rows, cols)."""
        return np.asarray(self.away / self.ring_px, np.intp)

    @property
    def ring_px(self) -> float:
        """Width of a ring, frame px."""
        return max(RING_PX, RING * self.size)

    @property
    def box(self) -> tuple[slice, slice]:
        """Rows and columns of the frame."""
        rows, cols = self.lamp.shape
        return slice(self.top, self.top + rows), slice(self.left, self.left + cols)


@dataclass(frozen=True, eq=False)
class _Rose:
    """Light round a beacon by direction and distance, less what lies in most directions."""

    light: NDArray[np.float64]  # (SECTORS, rings), mean; NaN: not measured
    count: NDArray[np.float64]  # pixels
    variance: NDArray[np.float64]  # mean, of one pixel
    halo: NDArray[np.float32]  # (rings,), what was taken off
    distance: NDArray[np.float64]  # (rings,), sizes of the beacon from its edge


def side_glows(residual: Residual, ground: Ground, beacons: dict[str, Mask]) -> dict[str, Sorted]:
    """The side glow of each beacon that has one, by the beacon's name.

    Args:
        residual, ground: of the pair.
        beacons: by name, (rows, cols) of the frame, True inside.
    """
    found = {}
    for name, inside in beacons.items():
        view = _view(residual, inside)
        glow = None if view is None else _side_glow(view, residual, ground)
        if glow is not None:
            found[name] = glow
    return found


def _view(residual: Residual, inside: Mask) -> _View | None:
    """Surroundings of a beacon; None where too little of them was measured."""
    hit_rows, hit_cols = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not len(hit_rows):
        return None
    height, width = np.ptp(hit_rows) + 1.0, np.ptp(hit_cols) + 1.0
    size = max(float(np.sqrt(height * width)), SMALLEST_PX)
    pad = int(REACH * size) + 4
    top, left = max(int(hit_rows[0]) - pad, 0), max(int(hit_cols[0]) - pad, 0)
    box = (slice(top, int(hit_rows[-1]) + pad + 1), slice(left, int(hit_cols[-1]) + pad + 1))
    lamp = inside[box]
    away = np.asarray(cv2.distanceTransform((~lamp).astype(np.uint8), cv2.DIST_L2, 5), np.float32)
    measured = residual.measured[box] & (away > 0) & (away < REACH * size)
    close = (away > 0) & (away < LOBE_REACH * size)
    if np.count_nonzero(measured & close) < max(MIN_PIXELS, COVERED * np.count_nonzero(close)):
        return None
    rows, cols = np.nonzero(lamp)
    y, x = np.mgrid[0 : lamp.shape[0], 0 : lamp.shape[1]]
    turn = np.arctan2(y - rows.mean(), x - cols.mean()) / (2 * np.pi) * SECTORS
    light, variance = _in_colour(residual, box, lamp)
    sector = np.rint(turn).astype(np.intp) % SECTORS
    return _View(top, left, lamp, measured, away, sector, light, variance, size)


def _in_colour(residual: Residual, box: tuple[slice, slice], lamp: Mask) -> tuple[Image, Image]:
    """Amount of light of the beacon's own colour, and its variance, by least squares."""
    colour = np.maximum(residual.added[box][lamp].mean(axis=0), 0)
    colour = colour / max(float(colour.max()), 1e-9)
    share = {"luminance": float(colour @ LUMINANCE), "red": colour[0], "blue": colour[2]}
    total, weight = np.zeros(lamp.shape, np.float32), np.zeros(lamp.shape, np.float32)
    for plane in residual.planes:
        spread = plane.variance[box]
        spread = np.maximum(spread, np.float32(LEAST_VARIANCE) * np.median(spread))
        total += np.float32(share[plane.name]) * plane.residual[box] / spread
        weight += np.float32(share[plane.name] ** 2) / spread
    weight = np.maximum(weight, np.float32(1e-12))
    return np.asarray(total / weight, np.float32), np.asarray(1 / weight, np.float32)


def _rose(view: _View) -> _Rose:
    """Means by direction and ring, and what lies in most directions."""
    halo = _halo(view, view.light)
    rings = len(halo)
    here = view.measured
    ring = view.ring[here]
    cell = view.sector[here] * rings + ring

    def summed(values: NDArray[np.float32]) -> NDArray[np.float64]:
        total = np.bincount(cell, weights=values, minlength=SECTORS * rings)
        return np.asarray(total.reshape(SECTORS, rings), np.float64)

    count = summed(np.ones(len(cell), np.float32))
    known = np.where(count > 0, count, np.nan)
    return _Rose(
        light=summed(view.light[here] - halo[ring]) / known,
        count=count,
        variance=summed(view.variance[here]) / known,
        halo=halo,
        distance=np.asarray((np.arange(rings) + 0.5) * view.ring_px / view.size, np.float64),
    )


def _halo(view: _View, light: Image) -> NDArray[np.float32]:
    """Light that lies round a beacon in most directions, by ring."""
    here = view.measured
    rings = int(view.ring[here].max()) + 1
    halo = np.zeros(rings, np.float32)
    for k in range(rings):
        values = light[here & (view.ring == k)]
        halo[k] = np.quantile(values, HALO_QUANTILE) if len(values) else 0.0
    return halo


def _side_glow(view: _View, residual: Residual, ground: Ground) -> Sorted | None:
    """The glow on one side of a beacon; None where there is none."""
    rose = _rose(view)
    best = max(range(SECTORS), key=lambda middle: _strength(rose, middle)[0])
    significance, amount = _strength(rose, best)
    surface = float(np.median(ground.surface[view.box][view.measured]))
    if significance < SURE_SIGMA or amount < LEAST_CONTRAST * surface:
        return None
    one_sided = _one_sided(rose, best)
    if one_sided < LOBE or not (_touches(rose, best) and _ends(rose, best, amount)):
        return None
    region = _region(view, best, significance, residual, ground)
    on_edges = float(ground.edge[region.extent.box][region.extent.mask].mean())
    return Sorted(region, leak=True, doubtful=one_sided < SURE_LOBE or on_edges > EDGES)


def _lobe(middle: int, power: float) -> NDArray[np.float64]:
    """How much of a glow on one side each direction has, (SECTORS,), 0 to 1."""
    turn = 2 * np.pi * (np.arange(SECTORS) - middle) / SECTORS
    return np.asarray(np.maximum(np.cos(turn), 0) ** power)


def _mean(rose: _Rose, share: NDArray[np.float64], rings: Mask) -> float:
    """Mean light in some rings, each direction with its share; 0 where nothing was measured."""
    weight = share[:, None] * rose.count[:, rings]
    total = float(weight.sum())
    return float(np.nansum(rose.light[:, rings] * weight)) / total if total else 0.0


def _strength(rose: _Rose, middle: int) -> tuple[float, float]:
    """Significance and mean of the light to one side."""
    near = rose.distance < CORE_REACH
    share = _lobe(middle, LOBES[0])
    weight = share[:, None] * rose.count[:, near]
    spread = float(np.sqrt(np.nansum(share[:, None] * weight * rose.variance[:, near])))
    amount = _mean(rose, share, near)
    return (amount * float(weight.sum()) / spread if spread else 0.0), amount


def _one_sided(rose: _Rose, middle: int) -> float:
    """Correlation of the directions with a lobe to one side, wide or narrow."""
    near = rose.distance < LOBE_REACH
    known = rose.count[:, near].any(axis=1)
    means = np.array([_mean(rose, np.eye(SECTORS)[k], near) for k in range(SECTORS)])[known]
    if known.sum() < MIN_SECTORS or np.ptp(means) <= 0:
        return 0.0
    return max(float(np.corrcoef(means, _lobe(middle, power)[known])[0, 1]) for power in LOBES)


def _touches(rose: _Rose, middle: int) -> bool:
    """Whether the light begins at the beacon's edge."""
    share = _lobe(middle, LOBES[-1])
    rings = np.flatnonzero((share[:, None] * rose.count).sum(axis=0) > MIN_RING)
    near = [_mean(rose, share, np.arange(len(rose.halo)) == ring) for ring in rings]
    return len(near) > 0 and near[0] >= CONTACT * max(near)


def _ends(rose: _Rose, middle: int, amount: float) -> bool:
    """Whether the light ends where a side glow does."""
    beyond = (rose.distance > END_AT[0]) & (rose.distance < END_AT[1])
    return _mean(rose, _lobe(middle, LOBES[0]), beyond) < GOING_ON * amount


def _region(
    view: _View,
    middle: int,
    significance: float,
    residual: Residual,
    ground: Ground,
) -> Region:
    """The glow's pixels, the beacon's own rim among them, with the light that belongs to them."""
    blur = SMOOTH * view.size
    nearest = _nearest_measured(view)
    smooth = _over_halo(view, view.light, blur)
    lobe = (_lobe(middle, 1.0) > 0)[view.sector] & (view.away < END_AT[0] * view.size)
    seen = np.where(lobe & view.measured, smooth, -np.inf)
    row, col = (int(at) for at in np.unravel_index(int(np.argmax(seen)), seen.shape))
    peak = float(smooth[row, col])
    bright = lobe & ~view.lamp & (smooth.ravel()[nearest] > EXTENT * peak)
    _, labels = cv2.connectedComponents(bright.astype(np.uint8), connectivity=8)
    mask = labels == labels[row, col]
    added, weight = (
        np.where(mask, _over_halo(view, residual.luminance[view.box], sigma).ravel()[nearest], 0)
        for sigma in (0.0, blur)
    )
    extent = Extent(
        mask=mask,
        top=view.top,
        left=view.left,
        added=np.asarray(added, np.float32),
        weight=np.asarray(np.maximum(weight, 0), np.float32),
        surface=np.where(mask, ground.surface[view.box], np.float32(0)),
    )
    spot = Spot(
        significance,
        row + view.top,
        col + view.left,
        view.size,
        "luminance",
        peak,
        0.0,
        view.top,
        view.left,
        mask & (smooth > peak / 2),
    )
    return region_of_extent(extent, spot, residual.light, float(weight.max()))


def _nearest_measured(view: _View) -> NDArray[np.intp]:
    """Flat index of the nearest measured pixel, (rows, cols): the rim shines as that does."""
    _, names = cv2.distanceTransformWithLabels(
        (~view.measured).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    places = np.zeros(int(names.max()) + 1, np.intp)
    places[names[view.measured]] = np.flatnonzero(view.measured)
    return np.asarray(places[names], np.intp)


def _over_halo(view: _View, light: Image, blur: float) -> Image:
    """Light less what lies round the beacon in most directions, averaged over measured pixels."""
    halo = _halo(view, light)
    own = np.where(view.measured, light - halo[np.minimum(view.ring, len(halo) - 1)], 0)
    own = own.astype(np.float32)
    if not blur:
        return own
    known = blurred(view.measured.astype(np.float32), blur)
    return np.asarray(blurred(own, blur) / np.maximum(known, np.float32(0.05)), np.float32)
