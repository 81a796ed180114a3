"""How far a spot's light reaches, and how much it is: the pixels that count as the leak's."""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.light import covariance, median
from leakcheck.photo import Image, Mask
from leakcheck.residual import Residual
from leakcheck.spots import Spot, averaging, flooded

EXTENT = (0.1, 0.15, 0.2, 0.3, 0.4)  # of the peak: down to a tenth of it, if noise lets it
MAX_GROWTH = 14.0  # extent / core; a Gaussian glow has 3.3, a thin line less than 6, noise no end
NOISE_FLOOR = 2.5  # sigma under which an extent would follow the noise
GROWTH_SHARE = 0.15  # of the peak at which growth is told
SADDLE = 2.4  # peak / saddle from which even an equal summit beyond it is another leak
SADDLE_NOISE = 5.0  # sigma that the saddle must lie under the peak as well
SMOOTH_STEP = 2.0  # an average of sigma s is looked at every s / 2 px
PEDESTAL_PX = (2, 7)  # ring outside an extent that tells the light under it


@dataclass(frozen=True, eq=False)
class Extent:
    """The pixels that a leak's light is summed over, in their box; zero outside the mask."""

    mask: Mask  # (rows, cols)
    top: int  # first row and column of the box, frame px
    left: int
    added: Image  # (rows, cols), luminance added, less what lies under the leak as well
    weight: Image  # (rows, cols), the same smoothed, never negative
    surface: Image  # (rows, cols), luminance of the surface without the lamps

    @property
    def box(self) -> tuple[slice, slice]:
        """Rows and columns of a frame that the box covers."""
        return box_of(self.mask, self.top, self.left)


@dataclass(frozen=True)
class Light:
    """An extent in numbers, frame px."""

    x: float  # centroid of the added light
    y: float
    area: float  # px
    glow: float  # added luminance / luminance of the surface that it leaves from, summed
    contrast: float  # the same, mean
    length: float  # px, along
    width: float  # px, across


def light_of(extent: Extent) -> Light:
    """What an extent's pixels add up to.

    The surface is the one that the light leaves from, its mean weighted by the light: the lens
    carries a little of it onto darker or brighter neighbours.
    """
    rows, cols = np.nonzero(extent.mask)
    weight = extent.weight[rows, cols] + np.float32(1e-9)
    total = float(weight.sum())
    surface = float((extent.surface[rows, cols] * weight).sum()) / total
    added = float(extent.added[rows, cols].sum())
    length, width = axes_of(cols, rows, weight)
    return Light(
        x=float((cols * weight).sum()) / total + extent.left,
        y=float((rows * weight).sum()) / total + extent.top,
        area=float(len(rows)),
        glow=added / surface,
        contrast=added / surface / len(rows),
        length=length,
        width=width,
    )


def axes_of(
    x: NDArray[np.intp], y: NDArray[np.intp], weight: NDArray[np.float32] | None = None
) -> tuple[float, float]:
    """Length and width (px) of an ellipse with the same second moments."""
    if len(x) < 3:
        return float(len(x)), 1.0
    spread = covariance(x, y, weight) + np.eye(2) / 12
    values = np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 1e-6))
    return float(4 * values[1]), float(4 * values[0])


def extent_of(
    spot: Spot, residual: Residual, *, image: Image, fine: Image, surface: Image
) -> tuple[Extent, float]:
    """The extent of a spot, and its growth: area above 15 % of its peak / area above half.

    Args:
        spot: its core, with the base that its surroundings tell.
        residual: of the pair.
        image: (rows, cols), the smoothed residual that the core was grown in.
        fine: (rows, cols), luminance residual smoothed by one pixel.
        surface: (rows, cols), luminance of the surfaces without the lamps, above zero.
    """
    flood, top, left, growth, noise = _reach(spot, residual, image)
    mask = _own_part(flood, top, left, spot, image, noise)
    box = box_of(mask, top, left)
    base = np.float32(_pedestal(mask, flood, top, left, residual, spot))
    none = np.float32(0)
    extent = Extent(
        mask=mask,
        top=top,
        left=left,
        added=np.where(mask, residual.luminance[box] - base, none),
        weight=np.where(mask, np.maximum(fine[box] - base, none), none),
        surface=np.where(mask, surface[box], none),
    )
    return extent, growth


def box_of(mask: Mask, top: int, left: int) -> tuple[slice, slice]:
    """Where in a frame a mask's box lies."""
    return slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])


def joined_extent(main: Extent, other: Extent) -> Extent:
    """The pixels of both; where they overlap, the light is the first one's."""
    top, left = min(main.top, other.top), min(main.left, other.left)
    bottom = max(main.top + main.mask.shape[0], other.top + other.mask.shape[0])
    right = max(main.left + main.mask.shape[1], other.left + other.mask.shape[1])
    shape = (bottom - top, right - left)
    mask: Mask = np.zeros(shape, np.bool_)
    added, weight, surface = (np.zeros(shape, np.float32) for _ in range(3))
    for part in (other, main):
        box = box_of(part.mask, part.top - top, part.left - left)
        mask[box] |= part.mask
        added[box][part.mask] = part.added[part.mask]
        weight[box][part.mask] = part.weight[part.mask]
        surface[box][part.mask] = part.surface[part.mask]
    return Extent(mask, top, left, added, weight, surface)


def _reach(spot: Spot, residual: Residual, image: Image) -> tuple[Mask, int, int, float, float]:
    """Pixels down to a tenth of the peak, as far as noise allows; the growth and the noise."""
    core = float(spot.mask.sum())
    height = spot.peak - spot.base
    plane = next(plane for plane in residual.planes if plane.name == spot.plane)
    averaged = 4 * np.pi * averaging(spot.scale_px) ** 2
    noise = float(np.sqrt(plane.variance[spot.row, spot.col] / averaged))
    growth = 0.0
    found = (spot.mask, spot.top, spot.left)
    for share in EXTENT:
        level = spot.base + share * height
        mask, top, left = flooded(image, spot.row, spot.col, level)
        area = float(mask.sum())
        if share == GROWTH_SHARE:
            growth = area / core
        if level < NOISE_FLOOR * noise or area > MAX_GROWTH * core:
            continue
        found = (mask, top, left)
        break
    if not growth:
        mask, _, _ = flooded(image, spot.row, spot.col, spot.base + GROWTH_SHARE * height)
        growth = float(mask.sum()) / core
    return (*found, growth, noise)


def _own_part(mask: Mask, top: int, left: int, spot: Spot, image: Image, noise: float) -> Mask:
    """An extent without what belongs to another summit beyond a saddle: another leak's light.

    A broad average is smooth: it is parted at fewer pixels.
    """
    step = max(1, round(averaging(spot.scale_px) / SMOOTH_STEP))
    few = mask[::step, ::step]
    window = image[box_of(mask, top, left)][::step, ::step]
    core = _cut(spot.mask, (spot.top - top, spot.left - left), mask.shape)[::step, ::step] & few
    light = np.where(few, np.maximum(window - np.float32(spot.base), 0), np.float32(0))
    sunk = np.maximum(np.minimum(light / SADDLE, light - np.float32(SADDLE_NOISE * noise)), 0)
    if not core.any() or _alone(light, sunk, core):
        return mask
    others = few & ~_parted(light, sunk, core, few)
    rows, cols = mask.shape
    left_over = mask & ~others.repeat(step, axis=0).repeat(step, axis=1)[:rows, :cols]
    # Pixels between those looked at are kept with the core alone.
    count, labels = cv2.connectedComponents(left_over.astype(np.uint8), connectivity=4)
    own = np.zeros(count, np.bool_)
    own[labels[::step, ::step][core & left_over[::step, ::step]]] = True
    return np.asarray(own[labels] & left_over)


def _parted(light: Image, sunk: Image, core: Mask, mask: Mask) -> Mask:
    """The part of a mask whose light falls from the core, and not from another summit."""
    # Light that rises again away from the core is not the core's.
    domes = light > _reconstructed(sunk, light)
    count, labels = cv2.connectedComponents(domes.astype(np.uint8), connectivity=8)
    own = np.zeros(count, np.bool_)
    own[labels[core]] = True
    others = domes & ~own[labels]
    if not others.any():
        return mask
    return np.asarray(_shed(light, np.where(core, 1, np.where(others, 2, 0)), mask) == 1)


def _reconstructed(sunk: Image, light: Image) -> Image:
    """The highest surface that rises from `sunk` up to `light`, and has no summit of its own.

    Morphological reconstruction by dilation (Vincent 1993, doi:10.1109/83.217222), repeated
    until nothing changes: a spot is small. scikit-image has it, but takes half a second to load.
    """
    square = np.ones((3, 3), np.uint8)
    while True:
        risen: Image = np.minimum(np.asarray(cv2.dilate(sunk, square), np.float32), light)
        if np.array_equal(risen, sunk):
            return risen
        sunk = risen


def _shed(light: Image, markers: NDArray[np.int64], mask: Mask) -> NDArray[np.int64]:
    """Each pixel of a mask with the marker that light falls to it from; 0 outside.

    Watershed by flooding from the brightest pixel down, what was reached first at each level
    first (Meyer 1991).
    """
    cols = light.shape[1] + 2  # a rim outside the mask: no pixel is at the border
    label = np.where(np.pad(mask, 1), np.pad(markers, 1), -1).ravel().tolist()
    _, level = np.unique(np.pad(-light, 1), return_inverse=True)
    # One number for level, turn and place: heaps of whole numbers take half the time of tuples.
    turn = len(label)
    first = (level.reshape(-1).astype(np.int64) * turn * turn).tolist()
    heap = [first[at] + at for at in np.flatnonzero(np.pad((markers > 0) & mask, 1)).tolist()]
    heapq.heapify(heap)
    reached = 0
    while heap:
        at = heapq.heappop(heap) % turn
        for beside in (at - cols, at - 1, at + 1, at + cols):
            if label[beside] == 0:
                reached += turn
                label[beside] = label[at]
                heapq.heappush(heap, first[beside] + reached + beside)
    shed = np.reshape(label, (light.shape[0] + 2, cols))[1:-1, 1:-1]
    return np.maximum(shed, 0)


def _cut(mask: Mask, at: tuple[int, int], shape: tuple[int, ...]) -> Mask:
    """What of a mask whose first pixel is at a row and column lies in a box of this shape."""
    part: Mask = np.zeros(shape, np.bool_)
    (top, left), (rows, cols) = at, mask.shape
    part[max(top, 0) : max(top + rows, 0), max(left, 0) : max(left + cols, 0)] = mask[
        max(-top, 0) : max(shape[0] - top, 0), max(-left, 0) : max(shape[1] - left, 0)
    ]
    return part


def _alone(light: Image, sunk: Image, core: Mask) -> bool:
    """True where every summit belongs to the core's dome: no need to part anything."""
    summits = (light >= cv2.dilate(light, np.ones((3, 3), np.uint8))) & (light > 0)
    above = light > sunk.max()
    count, labels = cv2.connectedComponents(above.astype(np.uint8), connectivity=8)
    own = np.zeros(count, np.bool_)
    own[labels[core & above]] = True
    return not (summits & ~own[labels]).any()


def _pedestal(
    mask: Mask, flood: Mask, top: int, left: int, residual: Residual, spot: Spot
) -> float:
    """Light just outside an extent and its neighbours: what lies under the leak as well."""
    pad = PEDESTAL_PX[1] + 1
    rows, cols = residual.luminance.shape
    y0, x0 = max(top - pad, 0), max(left - pad, 0)
    y1, x1 = min(top + mask.shape[0] + pad, rows), min(left + mask.shape[1] + pad, cols)
    inside = np.zeros((y1 - y0, x1 - x0), np.uint8)
    inside[box_of(mask, top - y0, left - x0)] = mask
    away = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    ring = (away > PEDESTAL_PX[0]) & (away <= PEDESTAL_PX[1]) & residual.measured[y0:y1, x0:x1]
    ring[box_of(flood, top - y0, left - x0)] &= ~flood
    values = residual.luminance[y0:y1, x0:x1][ring]
    highest = 0.5 * spot.peak if spot.plane == "luminance" else np.inf
    return float(np.clip(median(values), 0.0, highest)) if len(values) else 0.0
