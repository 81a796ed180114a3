"""Areas of new light that end sharply, and where exactly they end.

Guessing the openings starts here: a lamp's light ends within a pixel or two at the edge of an
opening, while what glows through a wall, falls on a surface or is scattered fades away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.exposure import FLOOR
from leakcheck.light import block_mean, blurred, slope
from leakcheck.photo import Image, Mask

# All lengths in frame px.
BLOCK = 8  # noise averages out
USABLE_SHARE = 0.9  # of a block
LIGHT_BINS = 10  # levels of light with a gain of their own
LOWER = (0.1, 0.4)  # quantiles of the gain: about one standard deviation apart
LEAST_BLOCKS = 6  # in each; with fewer nothing is sure
MOST_BENT = 4.0  # by which a tone curve changes the gain at most
MOAT_PX = 5  # an area ends where something much brighter is so near
MOAT_SHARE = 0.4  # of that; half would cut domed lamps short
TOP_QUANTILE = 0.9995  # of added light: something of the brightest openings
CORE_SHARE = 0.12  # of that; a leak is usually fainter, an opening seldom
FLOOR_SHARE = 0.04  # of that; what is fainter belongs to no opening
CORE_SIGMA, FLOOR_SIGMA = 12.0, 6.0  # the same in units of the noise, for bright rooms
LEAST_ADDED = 0.004  # linear light; a pair with less new light has no lit opening
SAMPLE_STEP = 3  # every third pixel tells noise and brightest well enough
MIN_AREA_PX = 6
GIANT = 0.05  # of the frame; what is larger is a lit bench, though lamps may be in it
MOST_AREAS = 400  # a pair with more does not fit together; the largest are searched
MIN_PIECE = 0.02  # area / largest piece of the same area
NEAR_PX = 12  # surroundings that are cut out with an area
NEAR_SIZE = 0.3  # the same / width, for large areas
HALF = 0.5  # of its own level: there a blurred edge has its place, however blurred
EDGE_PX, STILL_BRIGHT = 3.0, 0.25  # a dim corner of a window has more than so much of its level
GROW_PX = 2  # an edge is so near to where the moat put it
COLOURED = 0.15  # share of the brightest channel from which a channel tells the outline
CLIPPED_SHARE = 0.25  # clipped share of an area from which another channel is asked
SAME_CLIPPED = 0.1  # channels whose clipped shares differ by less are alike
ALL_CLIPPED = 0.6  # clipped share from which no half level exists
PART_CLIPPED = 0.3  # clipped share from which an outline is too wide
CLIPPED_END = 0.9  # of the clipped level: where a clipped area ends
RING_PX = (2.5, 6.0)  # surroundings of an area that tell whether its light ends
RING_SIZE = (0.1, 0.25)  # the same / width, for large areas: round a large lamp all is wider
CRISP = 0.3  # light in the ring / inside; above, an area is searched for what is crisp in it
RING_WIDEST_PX = 60.0  # a glow that large has not faded so near
MAY_BE_CRISP = 0.5  # the same; above, it is none itself
SOLID = 0.78  # area / area of its convex hull, below it is searched too
BRIGHTEST, UNEVEN = 0.9, 2.0  # this quantile / median, from which an area has a core
BRIGHT_CORES = (0.3, 0.6)  # of the brightest: what is searched
# How far blur widens what is clipped far beyond the scale; told by the unlit photo's edges.
PULL_PX = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
PULL_MOST = 0.35  # of an area's half width, so that small ones stay
SAMPLE_AREA_PX, SAMPLE_HALF_PX = 60.0, 5.0  # areas large enough to tell it by
SAMPLE_WEIGHT_PX = 400.0  # larger ones do not count more
STEEPEST = 0.4  # per px; what is steeper is as sure
AS_STEEP = 0.985  # of the steepest; of equals the innermost, as a rim lies around
DARK = 0.002  # linear light under which a surface's own light is not known

Window: TypeAlias = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class NewLight:
    """The pair, ready to be searched; linear light."""

    lit: Image  # (rows, cols, 3)
    unlit: Image  # (rows, cols, 3), laid onto the lit frame and in its exposure
    added: tuple[Image, Image, Image]  # (rows, cols) in red, green and blue
    doubt: Image  # (rows, cols, 3) of blocks: what surfaces as light as that may differ by
    clipped: Mask  # (rows, cols, 3), True at the end of the lit frame's scale
    strongest: Image  # (rows, cols), brightest channel added, smoothed a little; 0: not measured
    least: float  # what an opening adds at least in its brightest channel
    floor: float  # less belongs to no opening
    noise: float  # of a pixel of the strongest


@dataclass(frozen=True, eq=False)
class Area:
    """An area of new light, in frame pixels."""

    window: Window  # rows and columns of the frame that it was cut out of, surroundings included
    mask: Mask  # in that window
    channel: int = 0  # the colour that tells its outline
    too_wide: bool = False  # clipped: blur has widened it


def new_light(
    unlit: Image, lit: Image, *, overlap: Mask, unlit_clipped: Mask, lit_clipped: Mask
) -> NewLight:
    """What the lamps added, roughly.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        overlap: (rows, cols), True where the unlit frame covers the lit one.
        unlit_clipped: (rows, cols), True at the end of the unlit frame's scale.
        lit_clipped: (rows, cols, 3), the same of the lit frame.
    """
    ends = lit_clipped[..., 0] | lit_clipped[..., 1] | lit_clipped[..., 2]
    gain, doubt = _gain_by_light(unlit, lit, overlap & ~unlit_clipped & ~ends)
    surface = gain * unlit
    red, green, blue = (lit[..., k] - surface[..., k] for k in range(3))
    strongest = cv2.max(cv2.max(red, green), blue)
    strongest = np.asarray(cv2.GaussianBlur(strongest, (3, 3), 0.5), np.float32)
    strongest *= overlap
    few = np.ascontiguousarray(strongest[::SAMPLE_STEP, ::SAMPLE_STEP])
    noise = 1.4826 * middle(np.abs(few - cv2.blur(few, (3, 3)))) + 1e-6
    top = float(np.quantile(few, TOP_QUANTILE))
    return NewLight(
        lit=lit,
        unlit=surface,
        added=(red, green, blue),
        doubt=doubt,
        clipped=lit_clipped,
        strongest=np.asarray(strongest, np.float32),
        least=max(CORE_SHARE * top, CORE_SIGMA * noise, LEAST_ADDED),
        floor=max(FLOOR_SHARE * top, FLOOR_SIGMA * noise, LEAST_ADDED),
        noise=noise,
    )


def _gain_by_light(unlit: Image, lit: Image, usable: Mask) -> tuple[Image, Image]:
    """Lit / unlit of what does not glow, and what is doubtful about it; a tone curve bends it.

    At each level of light the lower middle of all blocks, and how far it lies above the lowest:
    added light only raises them.

    Returns: (rows, cols, 3), no unit; and (rows // BLOCK, cols // BLOCK, 3), linear light.
    """
    dark, bright = block_mean(unlit, BLOCK), block_mean(lit, BLOCK)
    whole = block_mean(usable.astype(np.float32), BLOCK) > USABLE_SHARE
    gain, doubt = np.empty_like(dark), np.empty_like(dark)
    for k in range(3):
        seen = whole & (dark[..., k] > FLOOR)
        if np.count_nonzero(seen) < LIGHT_BINS * LEAST_BLOCKS:
            gain[..., k], doubt[..., k] = 1, np.inf
            continue
        level, ratio = dark[..., k][seen], bright[..., k][seen] / dark[..., k][seen]
        bins = np.array_split(np.argsort(level), LIGHT_BINS)
        levels = [np.log(middle(level[part])) for part in bins]
        low, middles = np.array([np.quantile(ratio[part], LOWER) for part in bins]).T
        here = np.log(np.maximum(dark[..., k], FLOOR))
        bent = np.interp(here, levels, middles)
        usual = float(np.median(middles))
        gain[..., k] = np.clip(bent, usual / MOST_BENT, usual * MOST_BENT)
        doubt[..., k] = np.interp(here, levels, middles - low) * dark[..., k]
    return _spread(gain, unlit.shape), doubt


def _spread(blocks: Image, shape: tuple[int, ...]) -> Image:
    """Values of blocks for every pixel, smooth between block centres."""
    rows, cols = -(-shape[0] // BLOCK), -(-shape[1] // BLOCK)
    down, across = rows - blocks.shape[0], cols - blocks.shape[1]
    whole = cv2.copyMakeBorder(blocks, 0, down, 0, across, cv2.BORDER_REPLICATE)
    fine = cv2.resize(whole, (cols * BLOCK, rows * BLOCK), interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[: shape[0], : shape[1]], np.float32)


def outlined_areas(light: NewLight) -> list[Area]:
    """All areas of new light that may end sharply, each with its outline.

    A pixel belongs to an area unless something much brighter is within a few pixels: this puts a
    moat round whatever ends sharply, at its own half level, be it bright or dim.
    """
    strongest = light.strongest
    around = np.float32(MOAT_SHARE) * _highest(strongest)
    inside = strongest > np.maximum(around, np.float32(light.floor))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(inside.astype(np.uint8), connectivity=4)
    bright = np.unique(labels[inside & (strongest > light.least)])
    bright = bright[stats[bright, cv2.CC_STAT_AREA] >= MIN_AREA_PX]
    largest = bright[np.argsort(-stats[bright, cv2.CC_STAT_AREA])][:MOST_AREAS]
    found: list[Area] = []
    for label in largest.tolist():
        left, top, cols, rows, _ = stats[label].tolist()
        box = (slice(top, top + rows), slice(left, left + cols))
        area = _cut(labels[box] == label, box, labels.shape)
        free = (labels[area.window] == 0) | (labels[area.window] == label)
        found += _outlined(area, free, light)
    return _pulled_in(found, light)


def _cut(mask: Mask, window: Window, shape: tuple[int, ...]) -> Area:
    """An area with its surroundings, out of a mask that may be much larger than it."""
    rows = np.flatnonzero(mask.any(axis=1))
    cols = np.flatnonzero(mask.any(axis=0))
    narrow = min(rows[-1] - rows[0], cols[-1] - cols[0]) + 1
    around = max(NEAR_PX, round(NEAR_SIZE * float(narrow)))
    inner, outer = [], []
    for used, old, size in ((rows, window[0], shape[0]), (cols, window[1], shape[1])):
        first, last = int(used[0]), int(used[-1]) + 1
        start = max(old.start + first - around, 0)
        stop = min(old.start + last + around, size)
        outer.append(slice(start, stop))
        inner.append((slice(first, last), slice(old.start + first - start, None)))
    height, width = rows[-1] - rows[0] + 1, cols[-1] - cols[0] + 1
    top, left = inner[0][1].start, inner[1][1].start
    cut = np.zeros((outer[0].stop - outer[0].start, outer[1].stop - outer[1].start), bool)
    cut[top : top + height, left : left + width] = mask[inner[0][0], inner[1][0]]
    return Area((outer[0], outer[1]), cut)


def _outlined(area: Area, free: Mask, light: NewLight, *, again: bool = True) -> list[Area]:
    """An area's outline, at half its own level; what fades is searched once for crisp parts.

    Args:
        area: roughly.
        free: (rows, cols) of its window, True where no other area is.
        light: of the pair.
        again: whether it may be searched for parts.
    """
    channel, clipped = _telling(area, light)
    lit, added = light.lit[area.window][..., channel], light.added[channel][area.window]
    if clipped >= ALL_CLIPPED:
        inside = area.mask & (lit > CLIPPED_END * _highest(lit))
    else:
        inside = _half_level(added, area.mask, free & near(area.mask, GROW_PX), light.floor)
    found: list[Area] = []
    for piece in _pieces(inside):
        giant = np.count_nonzero(piece) > GIANT * light.strongest.size
        fade = 1.0 if giant else _fade(added, piece)
        if not again or fade < MAY_BE_CRISP:
            cut = _cut(piece, area.window, light.strongest.shape)
            found.append(replace(cut, channel=channel, too_wide=clipped >= PART_CLIPPED))
        if not again or (fade < CRISP and _of_one_piece(added, piece)):
            continue
        for part in _brighter(piece, area.window, light):
            cut = _cut(part, area.window, light.strongest.shape)
            around = np.ones(cut.mask.shape, bool)
            found += _outlined(cut, around, light, again=False)
    return found


def _brighter(mask: Mask, window: Window, light: NewLight) -> list[Mask]:
    """What may be crisp in an area that fades: openings in a glow, the white core of a lamp."""
    strongest = light.strongest[window]
    most = float(strongest[mask].max())
    levels = [mask & (strongest > share * most) for share in BRIGHT_CORES]
    white = mask & light.clipped[window].all(axis=2)
    return [piece for inside in (*levels, white) for piece in _pieces(inside)]


def _telling(area: Area, light: NewLight) -> tuple[int, float]:
    """The colour channel that tells an area's outline best, and its clipped share there."""
    levels = np.array([middle(plane[area.window][area.mask]) for plane in light.added])
    clipped = light.clipped[area.window][area.mask].mean(axis=0)
    bright = levels > max(COLOURED * float(levels.max()), 8 * light.noise)
    bright[int(levels.argmax())] = True
    unclipped = bright & (clipped <= CLIPPED_SHARE)
    if unclipped.any():
        channel = int(np.argmax(np.where(unclipped, levels, -1)))
    else:  # the halo of a lamp that clips in all colours is strongest in its own
        ring = surroundings(area.mask)
        around = [middle(plane[area.window][ring]) if ring.any() else 0.0 for plane in light.added]
        least = bright & (clipped <= np.where(bright, clipped, 2.0).min() + SAME_CLIPPED)
        channel = int(np.argmin(np.where(least, around / np.maximum(levels, 1e-6), np.inf)))
    return channel, float(clipped[channel])


def _half_level(added: Image, mask: Mask, allowed: Mask, floor: float) -> Mask:
    """Where light is above half of the area's median.

    A window that is lit unevenly goes on to where light is half of what is brightest near by, if
    it is still bright at its edge there; a glow would go on as well, but fades.
    """
    smooth = np.asarray(cv2.GaussianBlur(np.ascontiguousarray(added), (3, 3), 0.5), np.float32)
    inside, level = mask, 0.0
    for _ in range(3):  # the median moves with the outline, and settles at once
        if not inside.any():
            return inside
        level = middle(smooth[inside])
        inside = allowed & (smooth > max(HALF * level, 0.6 * floor))
    more = allowed & (smooth > np.maximum(HALF * _highest(smooth), 0.6 * floor)) & mask | inside
    depth = _depth(more & ~near(inside, GROW_PX))
    edge = smooth[(depth > 0) & (depth <= EDGE_PX)]
    return more if edge.size and middle(edge) > STILL_BRIGHT * level else inside


def _highest(light: Image) -> Image:
    """The brightest within MOAT_PX of each pixel."""
    return np.asarray(cv2.dilate(light, np.ones((2 * MOAT_PX + 1,) * 2)), np.float32)


def _pieces(inside: Mask) -> list[Mask]:
    """Connected parts, crumbs left out."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        inside.astype(np.uint8), connectivity=4
    )
    if count < 2:
        return []
    sizes = stats[1:, cv2.CC_STAT_AREA]
    least = max(MIN_AREA_PX, MIN_PIECE * float(sizes.max()))
    return [np.asarray(labels == k + 1) for k in np.flatnonzero(sizes >= least)]


def _of_one_piece(added: Image, mask: Mask) -> bool:
    """Whether an area is no glow with a core, and no row whose windows run together."""
    even = float(np.quantile(added[mask], BRIGHTEST)) < UNEVEN * middle(added[mask])
    return even and shape_of(mask)[0] > SOLID


def _fade(added: Image, mask: Mask) -> float:
    """Light around an area / inside; 1 where nothing is around."""
    ring, inside = surroundings(mask), middle(added[mask])
    return middle(added[ring]) / inside if ring.any() and inside > 0 else 1.0


def _pulled_in(found: Sequence[Area], light: NewLight) -> list[Area]:
    """Clipped areas as large as they are, not as large as blur makes what shines far too bright.

    How far blur reaches is about the same all over a photo: the outlines are moved inwards to
    where the unlit photo is steepest, on average over all large clipped areas.
    """
    total = np.zeros(len(PULL_PX))
    for area in found:
        size = float(np.count_nonzero(area.mask))
        if not area.too_wide or size < SAMPLE_AREA_PX:
            continue
        depth = _depth(area.mask)
        if depth.max() >= SAMPLE_HALF_PX:
            steep = np.minimum(steepness(light.unlit[area.window]), STEEPEST)
            total += min(size, SAMPLE_WEIGHT_PX) ** 0.5 * _by_depth(steep, depth)
    if not total.any():
        return list(found)
    pull = PULL_PX[int(np.flatnonzero(total >= AS_STEEP * total.max())[-1])]
    return [_smaller(area, pull) if area.too_wide else area for area in found]


def _by_depth(steep: Image, depth: Image) -> NDArray[np.float64]:
    """Mean steepness in bands 1 px wide that begin at each of PULL_PX."""
    step = PULL_PX[1]
    band = np.ceil(depth / step).astype(int).ravel()  # the n-th reaches to n steps, its end too
    most = len(PULL_PX) + 1
    count = np.bincount(np.minimum(band, most + 1), minlength=most + 2)
    light = np.bincount(np.minimum(band, most + 1), steep.ravel(), minlength=most + 2)
    pairs = slice(1, most), slice(2, most + 1)
    return np.asarray(
        (light[pairs[0]] + light[pairs[1]]) / np.maximum(count[pairs[0]] + count[pairs[1]], 1)
    )


def _smaller(area: Area, pull_px: float) -> Area:
    depth = _depth(area.mask)
    pull_px = min(pull_px, PULL_MOST * float(depth.max()))
    return replace(area, mask=depth > pull_px + 0.5) if pull_px >= PULL_PX[1] / 2 else area


def near(mask: Mask, radius_px: int) -> Mask:
    """True within a square of this half width round a True pixel."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * radius_px + 1,) * 2))) > 0


def ring_of(mask: Mask, px: tuple[float, float]) -> Mask:
    """Pixels whose distance from an area lies between two limits."""
    away = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray((away > px[0]) & (away <= px[1]))


def surroundings(mask: Mask) -> Mask:
    """The ring round an area that is dark where its light ends."""
    width = min(shape_of(mask)[1], RING_WIDEST_PX)
    low, high = (max(px, share * width) for px, share in zip(RING_PX, RING_SIZE, strict=True))
    return ring_of(mask, (low, high))


def _depth(mask: Mask) -> Image:
    """Distance to the nearest pixel outside, px."""
    padded = np.pad(mask, 1).astype(np.uint8)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1], np.float32)


def middle(values: Image) -> float:
    """The (upper) median of not too few values; numpy's takes longer than all the rest here."""
    half = values.size // 2
    return float(np.partition(values, half, axis=None)[half])


def steepness(light: Image) -> Image:
    """Slope of the brightest channel / its light, per pixel; light is (rows, cols, 3)."""
    brightest = np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])
    return np.asarray(slope(blurred(brightest, 0.5)) / (blurred(brightest, 1.5) + DARK))


def shape_of(mask: Mask) -> tuple[float, float, float]:
    """Area / area of the convex hull, and width and length, px."""
    contours, _ = cv2.findContours(
        mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    outer = np.vstack(contours)
    _, (first, second), _ = cv2.minAreaRect(outer)
    # cv2 runs through the centres of the border pixels: half a pixel is missing all around.
    hull = cv2.convexHull(outer)
    hull_area = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    width, length = sorted((first + 1.0, second + 1.0))
    return float(mask.sum()) / hull_area, width, length
