"""Seeds grow into spots: the core of each, in the residual smoothed over its scale."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from types import MappingProxyType

import cv2
import numpy as np

from leakcheck.light import block_mean, blurred, enlarged
from leakcheck.photo import Image, Mask
from leakcheck.seeds import BLOCK_PX, WINDOW_BLOCKS, Plane, Seed, around
from leakcheck.threads import side_by_side

FLOOD_PX = 64  # first reach of a flood: most cores are small, and a frame is slow to clear
HALF = 0.5  # a spot's core: above half of its peak
LEAST_EXCESS = 0.3  # of a place's light: less is how spill falls, no spot of its own
MAX_SPOTS = 150  # strongest; a pair with more has another problem


@dataclass(frozen=True, eq=False)
class Spot:
    """The core of a spot: pixels above half of its peak over its surroundings."""

    significance: float
    row: int  # of its brightest pixel, frame px
    col: int
    scale_px: float
    plane: str
    peak: float  # linear light of its plane at the brightest pixel, smoothed over the scale
    base: float  # the same of its surroundings
    top: int  # first row and column of the mask
    left: int
    mask: Mask  # (rows, cols) of the core's box


def grow_spots(
    seeds: list[Seed],
    planes: tuple[Plane, ...],
    measured: Mask,
    smooth: Mapping[tuple[str, float], Image] = MappingProxyType({}),
) -> tuple[list[Spot], dict[tuple[str, float], Image]]:
    """Each seed's core: the connected pixels above half of its peak over its surroundings.

    Fine seeds first, so that a broad glow cannot swallow a pinhole; the brightest first, so that
    a faint strip cannot swallow a bright leak on it; a place belongs to one spot.

    Args:
        seeds, planes, measured: as in `find_seeds`.
        smooth: smoothed residuals that are known already, by plane and sigma.
    Returns: the spots, and the smoothed residuals they were measured in, the known ones with them.
    """
    by_name = {plane.name: plane.residual for plane in planes}
    keys = sorted({(seed.plane, averaging(seed.scale_px)) for seed in seeds} - set(smooth))
    sigmas = sorted({sigma for _, sigma in keys})
    supports = dict(zip(sigmas, side_by_side(lambda s: _support(measured, s), sigmas), strict=True))
    images = side_by_side(
        lambda key: smoothed(by_name[key[0]], measured, key[1], supports[key[1]]), keys
    )
    every = {**smooth, **dict(zip(keys, images, strict=True))}
    return list(islice(growing(seeds, planes, measured, every), MAX_SPOTS)), every


def growing(
    seeds: list[Seed],
    planes: tuple[Plane, ...],
    measured: Mask,
    smooth: dict[tuple[str, float], Image],
) -> Iterator[Spot]:
    """The spots of `grow_spots` one by one, each as soon as it is known.

    Args:
        smooth: by plane and sigma; what is missing is added as it is needed.
    """
    claimed = np.zeros(measured.shape, bool)
    by_name = {plane.name: plane for plane in planes}
    for seed in sorted(seeds, key=lambda seed: (max(seed.scale_px, 2.0), -seed.excess)):
        sigma = averaging(seed.scale_px)
        key = (seed.plane, sigma)
        if key not in smooth:
            smooth[key] = smoothed(by_name[seed.plane].residual, measured, sigma)
        spot = _core(seed, smooth[key], measured, claimed)
        if spot is not None:
            yield spot


def averaging(scale_px: float) -> float:
    """Sigma (frame px) of the average that a spot of this scale is outlined in."""
    return 1.0 if scale_px <= 2.0 else min(scale_px, 8.0)


def smoothed(residual: Image, measured: Mask, sigma: float, support: Image | None = None) -> Image:
    """Residual averaged over measured pixels only; -1 where nothing was measured.

    Args:
        support: from `_support`, where several residuals share it.
    """
    support = _support(measured, sigma) if support is None else support
    whole = np.full(measured.shape, -1, np.float32)
    here = around(measured)
    residual, measured = residual[here], measured[here]
    block = _block_of(sigma)
    mean = blurred(block_mean(residual * measured, block), sigma / block)
    mean /= support
    mean = enlarged(mean, block, (residual.shape[0], residual.shape[1]))
    np.copyto(whole[here], mean, where=measured)
    return whole


def _support(measured: Mask, sigma: float) -> Image:
    """Share of a Gaussian that lies on measured pixels, in blocks of their surroundings."""
    block = _block_of(sigma)
    weight = measured[around(measured)].astype(np.float32)
    support = blurred(block_mean(weight, block), sigma / block)
    return np.maximum(support, np.float32(0.01), out=support)


def _block_of(sigma: float) -> int:
    """Resolution that is enough for an average, frame px."""
    return 2 if sigma >= 8 else 1


def _core(seed: Seed, image: Image, measured: Mask, claimed: Mask) -> Spot | None:
    """The seed's core, or None where an earlier spot has most of it."""
    reach = max(2, int(seed.scale_px))
    top, left = max(round(seed.row) - reach, 0), max(round(seed.col) - reach, 0)
    window = image[top : round(seed.row) + reach + 1, left : round(seed.col) + reach + 1]
    if not window.size:
        return None
    at = np.unravel_index(int(np.argmax(window)), window.shape)
    row, col = top + int(at[0]), left + int(at[1])
    peak = float(image[row, col])
    if claimed[row, col] or not measured[row, col] or peak <= 0:
        return None
    if seed.excess < LEAST_EXCESS * peak:
        return None
    base = max(peak - seed.excess, 0.0)
    mask, top, left = flooded(image, row, col, base + HALF * (peak - base))
    if thickness_of(mask) > BLOCK_PX[seed.scale_px] * WINDOW_BLOCKS / 2:
        return None  # no spot of this scale: its surroundings were part of it
    taken = claimed[top : top + mask.shape[0], left : left + mask.shape[1]]
    already = float(taken[mask].mean())
    taken |= mask
    if already > 0.5:
        return None
    return Spot(seed.significance, row, col, seed.scale_px, seed.plane, peak, base, top, left, mask)


def thickness_of(mask: Mask) -> float:
    """Diameter of the largest disc inside a mask, px."""
    edges = (1, 1, 1, 1)
    padded = cv2.copyMakeBorder(mask.astype(np.uint8), *edges, cv2.BORDER_CONSTANT, value=0)
    return 2 * float(cv2.distanceTransform(padded, cv2.DIST_L2, 5).max()) - 1


def flooded(image: Image, row: int, col: int, level: float) -> tuple[Mask, int, int]:
    """Pixels above a level that are connected with one: mask of their box, its top and left."""
    drop = max(float(image[row, col]) - level, 0.0)
    flags = 8 | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY | (255 << 8)
    reach = FLOOD_PX
    while True:
        top, left = max(row - reach, 0), max(col - reach, 0)
        window = image[top : row + reach + 1, left : col + reach + 1]
        filled = np.zeros((window.shape[0] + 2, window.shape[1] + 2), np.uint8)
        at = (col - left, row - top)
        _, _, _, (x, y, cols, rows) = cv2.floodFill(window, filled, at, 0, drop, 1e9, flags)
        inner = x > 0 and y > 0 and x + cols < window.shape[1] and y + rows < window.shape[0]
        if inner or window.shape == image.shape:
            return filled[1 + y : 1 + y + rows, 1 + x : 1 + x + cols] > 0, top + y, left + x
        reach *= 4  # it may go on outside the window
