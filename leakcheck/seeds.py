"""Places that stand out of the noise: residual over spread, cut at a stated false-alarm rate."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.light import block_mean, blurred, box_round, median, quantile
from leakcheck.photo import Image, Mask
from leakcheck.threads import side_by_side

# Sizes (sigma, frame px) of the Gaussians that spots are sought with: from what the lens can
# just show to a wall's broad glow.
SCALES_PX = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)  # from a pinhole to a whole wall that glows
COLOUR_SCALES_PX = (4.0, 8.0)  # JPEG stores colour at half resolution: nothing finer is to be had
BLOCK_PX = {scale: max(int(scale), 2) for scale in SCALES_PX}  # resolution of each search
ALIGNED_PX = 64  # every resolution's blocks begin here
REACH_PX = 96  # four sigmas of the widest average; beyond what was measured is filled in anyway
WINDOW_BLOCKS = 11  # side of the surroundings: a spot of the scale fills less than half of them
LEVELS_PER_UNIT = 16.0  # code values per unit of asinh(light / noise) in the 8-bit median
MIDDLE_LEVEL = 96  # of the 256: that of no light
LEVELS = np.sinh((np.arange(256) - MIDDLE_LEVEL) / LEVELS_PER_UNIT)  # in units of noise
LIT_SIGMA = 5.0  # surroundings that stand out so much are lit by the lamps
MIN_LIT = 300  # blocks; fewer do not tell how uneven lit surroundings are
USUAL_UNEVENNESS = 0.05  # of light that falls on a plain painted surface
TAIL_SIGMA = 2.9  # where 0.2 % of a normal distribution lie below
# A neighbour's peak, an average over one block, which ends at four, and half a window.
REACH_BLOCKS = 1 + 4 + WINDOW_BLOCKS // 2 + 1
FILL_BLOCKS = 4.0  # what was not measured is filled in from about so far
MIN_SUPPORT = 0.3  # share of the Gaussian that must lie on measured pixels
NEGATIVE_MARGIN = 1.1  # a leak must stand out more than anything near that cannot be light
EXCEPTIONS = 6  # of the negative excursions that may be deeper than a cut elsewhere
NEGATIVE_REACH = 8  # blocks that count as near for that
MAX_CUT_SIGMA = 20.0  # beyond, the negative side is no longer noise but a bad match somewhere


@dataclass(frozen=True, eq=False)
class Plane:
    """One colour of the residual, ready to be searched."""

    name: str  # luminance, red or blue
    residual: Image  # (rows, cols), linear light: lit less expected
    variance: Image  # (rows, cols), linear light squared: of one pixel without any leak
    scales_px: tuple[float, ...]


@dataclass(frozen=True)
class Seed:
    """A place that stands out at one scale in one plane."""

    significance: float  # sigma
    row: float  # frame px
    col: float
    scale_px: float
    plane: str
    excess: float  # linear light above the surroundings


@dataclass(frozen=True, eq=False)
class Cut:
    """What was asked of a spot at one scale."""

    scale_px: float
    plane: str
    sigma: float  # significance that a spot needs, at the median place
    needed: Image  # (rows, cols) of blocks, linear light over the surroundings; inf: not measured
    block_px: int  # frame px per block


def find_seeds(
    planes: tuple[Plane, ...], measured: Mask, *, false_alarms: float
) -> tuple[list[Seed], list[Cut]]:
    """Places that stand out of the noise, and the cuts that were asked of them.

    Args:
        planes: residual and variance in each colour.
        measured: (rows, cols), True where a leak could be seen.
        false_alarms: expected number in the pair from noise alone, all scales together.
    """
    alarms = false_alarms / sum(len(plane.scales_px) for plane in planes)
    window = around(measured)
    weight = measured[window].astype(np.float32)
    support = _block_means(weight, {BLOCK_PX[s] for plane in planes for s in plane.scales_px})
    known = _Known(measured.shape, window, weight, support)
    found = side_by_side(lambda plane: _seeds_of(plane, known, alarms), planes)
    return [seed for seeds, _ in found for seed in seeds], [
        cut for _, cuts in found for cut in cuts
    ]


@dataclass(frozen=True, eq=False)
class _Known:
    """What was measured, the same for all planes."""

    shape: tuple[int, ...]  # rows and columns of the frame
    window: tuple[slice, slice]  # holds all that was measured, and its surroundings
    weight: Image  # (rows, cols) of the window: 1 where measured, else 0
    support: dict[int, Image]  # by block, px: share of each block that was measured


def _block_means(image: Image, blocks_px: set[int]) -> dict[int, Image]:
    """Means over blocks of several sizes."""
    return {block: block_mean(image, block) for block in blocks_px}


def _seeds_of(plane: Plane, known: _Known, false_alarms: float) -> tuple[list[Seed], list[Cut]]:
    """`find_seeds` in one plane; the false alarms are of each scale."""
    seeds: list[Seed] = []
    cuts: list[Cut] = []
    sizes = {BLOCK_PX[scale] for scale in plane.scales_px}
    light, noise = (
        _block_means(image[known.window] * known.weight, sizes)
        for image in (plane.residual, plane.variance)
    )
    for block, scales in groupby(plane.scales_px, key=BLOCK_PX.__getitem__):
        blocks = _blocks(block, known.support[block], light[block], noise[block])
        for scale in scales if blocks.inside.any() else ():
            more, cut = _seeds_at(scale, blocks, plane.name, known, false_alarms)
            seeds += more
            cuts.append(cut)
    return seeds, cuts


def _seeds_at(
    scale: float, blocks: _Blocks, name: str, known: _Known, false_alarms: float
) -> tuple[list[Seed], Cut]:
    """`find_seeds` in one plane at one scale."""
    block, inside = blocks.block, blocks.inside
    contrast, spread = _stand_out(blocks, scale)
    unit = _negative_spread(contrast / spread, inside)
    significance = np.where(inside, contrast / (spread * unit), 0)
    independent = inside.sum() * block**2 / (4 * np.pi * scale**2)
    chance = false_alarms / max(independent, 1.0)
    asked = _cut(significance, -NormalDist().inv_cdf(min(chance, 0.1)))
    top, left = (side.start // block for side in known.window)
    needed = np.full([side // block for side in known.shape], np.inf, np.float32)
    box = (slice(top, top + inside.shape[0]), slice(left, left + inside.shape[1]))
    needed[box][inside] = (spread * np.float32(unit) * asked)[inside]
    cut = Cut(scale, name, median(asked[inside]), needed, block)
    return _seeds(significance, contrast, _peaks(significance, asked), cut, (top, left)), cut


def _seeds(
    significance: Image,
    contrast: Image,
    peaks: NDArray[np.intp],
    cut: Cut,
    first: tuple[int, int] = (0, 0),
) -> list[Seed]:
    """Seeds at some blocks, (n, 2), of images that begin at the block `first`."""
    return [
        Seed(
            float(significance[row, col]),
            (row + first[0] + 0.5) * cut.block_px - 0.5,
            (col + first[1] + 0.5) * cut.block_px - 0.5,
            cut.scale_px,
            cut.plane,
            float(contrast[row, col]),
        )
        for row, col in peaks
    ]


def seeds_close(
    plane: Plane, measured: Mask, cuts: list[Cut], *, at: tuple[int, int], close: float
) -> list[Seed]:
    """Places of a window close to one of its pixels that stand out by cuts made before.

    Args:
        plane: residual and variance in the window, which begins where a block does.
        measured: (rows, cols), True where a leak could be seen.
        cuts: of this plane, of the window's part of the pair.
        at: row and column, px of the window.
        close: px from there, in rows and in columns.
    """
    seeds: list[Seed] = []
    known: dict[int, _Blocks] = {}
    shape, weight = measured.shape, measured.astype(np.float32)
    for cut in cuts:
        block = cut.block_px
        here = (
            _reached(at[0], close, block, shape[0] // block),
            _reached(at[1], close, block, shape[1] // block),
        )
        if block not in known:
            support, light, noise = (
                block_mean(image, block)
                for image in (weight, plane.residual * weight, plane.variance * weight)
            )
            known[block] = _blocks(block, support, light, noise, here)
        blocks = known[block]
        above = blocks.light - blocks.surroundings
        (contrast,) = _averaged(blocks, cut.scale_px, (above,))
        significance = contrast / cut.needed[here] * np.float32(cut.sigma)
        peaks = _peaks(significance, np.float32(cut.sigma))
        seeds += _seeds(significance, contrast, peaks, cut, (here[0].start, here[1].start))
    return [s for s in seeds if max(abs(s.row - at[0]), abs(s.col - at[1])) < close]


def _reached(at: int, close: float, block: int, count: int) -> slice:
    """Blocks that tell, of rows or columns, which of those close to a place stand out."""
    reach = close / block + REACH_BLOCKS
    return slice(max(int(at / block - reach), 0), min(int(at / block + reach) + 1, count))


def around(measured: Mask) -> tuple[slice, slice]:
    """The window that holds all that was measured and as much round it as anything reaches."""
    here = box_round(measured, REACH_PX, ALIGNED_PX)
    if not measured[here].size:
        return slice(0, measured.shape[0]), slice(0, measured.shape[1])
    return here


@dataclass(frozen=True, eq=False)
class _Blocks:
    """A plane at the resolution that a scale is sought at."""

    block: int  # frame px
    light: Image  # (rows, cols) of blocks, linear light; filled in where not measured
    surroundings: Image
    noise: Image  # variance of one pixel, linear light squared
    inside: Mask  # True where enough was measured


def _blocks(
    block: int,
    support: Image,
    light: Image,
    noise: Image,
    here: tuple[slice, slice] = (slice(None), slice(None)),
) -> _Blocks:
    """Light, its surroundings and its variance in blocks.

    The surroundings are a median: it follows the edge of a lit surface, which an average would
    turn into a spot.

    Args:
        block: px.
        support: (rows, cols), share of each block that was measured.
        light, noise: (rows, cols), block means of residual and variance, 0 where not measured.
        here: rows and columns that are asked for.
    """
    enough = np.maximum(support, np.float32(0.05))
    light, noise = (np.asarray(image / enough, np.float32) for image in (light, noise))
    inside = support > MIN_SUPPORT
    typical = float(np.sqrt(median(noise[inside]))) if inside.any() else 1.0
    if not inside[here].all():
        light = _filled(light, inside)
    light, noise, inside = light[here], noise[here], inside[here]
    return _Blocks(block, light, _median(light, typical / block), noise, inside)


def _stand_out(blocks: _Blocks, scale: float) -> tuple[Image, Image]:
    """Light less its surroundings at one scale: contrast and its spread."""
    contrast, noise = _averaged(blocks, scale, (blocks.light - blocks.surroundings, blocks.noise))
    # White noise averaged over a Gaussian keeps 1 / (4 pi sigma^2) of its variance.
    kept = noise / np.float32(4 * np.pi * scale**2)
    spread: Image = np.asarray(np.sqrt(np.maximum(kept, 1e-18)), np.float32)
    lit: Image = np.where(blocks.inside, np.maximum(blocks.surroundings, 0), np.float32(0))
    uneven = _unevenness(contrast, spread, lit)
    spread = np.asarray(np.hypot(spread, np.float32(uneven) * lit), np.float32)
    return contrast, spread


def _averaged(blocks: _Blocks, scale: float, images: tuple[Image, ...]) -> list[Image]:
    """Means over the Gaussian of a scale, of what was measured."""
    block, known = blocks.block, blocks.inside.astype(np.float32)
    sigma = np.sqrt(max(scale**2 - block**2 / 12, 0.0)) / block
    covered = np.maximum(blurred(known, sigma), np.float32(0.01))
    return [np.asarray(blurred(image * known, sigma) / covered, np.float32) for image in images]


def _unevenness(contrast: Image, spread: Image, lit: Image) -> float:
    """How much lit surroundings vary by themselves, as one standard deviation over their light.

    Spill falls on rails, steps and shadows; what is darker than its surroundings cannot be a leak
    and shows how uneven they are.
    """
    # More than all light taken off is a bad match: no surface is as uneven as that.
    where = (lit > LIT_SIGMA * spread) & (contrast > -lit)
    if where.sum() < MIN_LIT:
        return USUAL_UNEVENNESS
    darker = np.maximum(-contrast[where], 0) / lit[where]
    return max(quantile(darker, 0.998) / TAIL_SIGMA, USUAL_UNEVENNESS)


def _filled(light: Image, inside: Mask) -> Image:
    """Light with what was not measured filled in from around it."""
    known = inside.astype(np.float32)
    around = blurred(light * known, FILL_BLOCKS)
    around /= np.maximum(blurred(known, FILL_BLOCKS), 1e-3)
    return np.where(inside, light, around)


def _median(light: Image, unit: float) -> Image:
    """Median over the surroundings, fine steps for faint light and coarse ones for bright."""
    codes = np.arcsinh(light / unit)
    codes *= LEVELS_PER_UNIT
    codes += MIDDLE_LEVEL
    codes += 0.5
    np.clip(codes, 0, 255, out=codes)
    middle = np.asarray(cv2.medianBlur(codes.astype(np.uint8), WINDOW_BLOCKS), np.uint8)
    return np.asarray((LEVELS * unit).astype(np.float32).take(middle), np.float32)


def _negative_spread(significance: Image, inside: Mask) -> float:
    """Spread of the negative side, which light cannot have made, in units of the stated one."""
    values = significance[inside]
    below = -values[values < 0]
    if len(below) < 50:
        return 1.0
    return max(1.4826 * median(below), 1e-3)


def _cut(significance: Image, by_tail: float) -> Image:
    """Significance that a spot needs place by place.

    By the normal tail, and above the negative excursions round about and all but the deepest few
    anywhere: light only adds, so they show what edges, JPEG blocks and bad matches can do.
    """
    size = 2 * NEGATIVE_REACH + 1
    local = cv2.dilate(-significance, np.ones((size, size), np.uint8))
    lowest = np.asarray(cv2.erode(significance, np.ones((5, 5))))
    valleys = np.sort(-significance[(significance <= lowest) & (significance < 0)])
    anywhere = float(valleys[-EXCEPTIONS]) if len(valleys) >= EXCEPTIONS else 0.0
    worst = NEGATIVE_MARGIN * np.maximum(local, np.float32(anywhere))
    return np.maximum(np.minimum(worst, np.float32(MAX_CUT_SIGMA)), np.float32(by_tail))


def _peaks(significance: Image, cut: Image | np.float32) -> NDArray[np.intp]:
    """Rows and columns of local maxima above the cut, (n, 2)."""
    highest = np.asarray(cv2.dilate(significance, np.ones((3, 3))))
    return np.argwhere((significance >= highest) & (significance > cut))
