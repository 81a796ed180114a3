"""What one opening shows inside its edge: level, evenness, hot spot, colour, clipping."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.colour import LUMINANCE, TINTED_PURITY, Colour, measure_colour
from leakcheck.photo import Image, Mask

Box = tuple[slice, slice]

# The rim of an opening, which lens blur and an outline drawn by hand make useless: one frame
# pixel, in large openings a tenth of the half width, never more than half of it.
EDGE_PX, EDGE_SHARE, EDGE_MAX_SHARE = 1.0, 0.1, 0.5
RING_PX = (3.0, 6.0)  # from the edge: beyond lens blur, but still in the same flare
RING_MIN_PIXELS = 8
NOISE_CORRELATION = 2.0  # JPEG makes neighbours err together: a mean is twice as uncertain
CLIPPED_SHARE = 0.01  # from here clipped pixels pull the mean of an opening down visibly
# Headroom below full scale that a repeated photo should keep, and the steps to advise.
HEADROOM, STOP_STEP = 0.8, 0.5
EXTRAPOLATE_BELOW = 0.5  # clipped share: with the median clipped as well nothing is known
LOW_QUANTILE = 0.02
# EN 12464-1 measures evenness on a grid of five to ten cells along a side: light is averaged over
# a fifth of the short side before its minimum is looked for.
CELLS_PER_SIDE = 5
EVEN_EDGE_SHARE = 0.2  # of the half width left out: outlines are drawn by hand
EVEN_MIN_PX = 8.0  # short side, frame px: below it such a cell is hardly more than a pixel
EVEN_MIN_SNR = 20.0  # cell / noise: the darkest of 25 cells is 2 sigma low by chance, here 10 %
# A hot spot is twice as bright as the opening's median and fills at most a fifth of it.
HOT_RATIO, HOT_AREA_SHARE = 2.0, 0.2
COLOUR_MIN_SNR = 30.0  # noise then moves a white by no more than about 10 mired
COLOUR_MIN_PIXELS = 4
COLOUR_MAX_CLIPPED = 0.2  # beyond it JPEG's coarser colour carries the clipped middle outwards
THIN_MIDDLE_SHARE = 0.5  # of the half width: what is deeper inside counts as the middle
THIN_MIDDLE_CLIPPED = 0.5  # share of the middle that is at the end of the scale in some channel
WHITE_PURITY = TINTED_PURITY / 2  # of the middle; not 0, for JPEG mixes in the colour of the rim
THIN_RIM_PX = (1.0, 4.0)  # from the edge: where the lens spreads a lamp's own colour


@dataclass(frozen=True, eq=False)
class Place:
    """The box round one opening, in frame pixels."""

    light: Image  # (rows, cols, 3), added light
    luminance: Image
    clipped: Mask  # (rows, cols, 3)
    depth: Image  # distance inside the opening from its edge, 0 outside
    outside: Image  # distance from it; infinite in other openings and where unusable
    core: Mask  # the opening without its edge
    ring: Image  # (3,), median light of the surroundings: flare and what else shines there
    noise: float  # standard deviation of one pixel's luminance
    centre: tuple[float, float]  # x, y of the opening, frame px
    pixels: int  # inside the opening

    @property
    def half_width(self) -> float:
        """Distance of the innermost pixel from the edge, px."""
        return float(self.depth.max())

    @property
    def mean_noise(self) -> float:
        """Standard error of the mean luminance of the core."""
        return NOISE_CORRELATION * self.noise / float(np.sqrt(self.core.sum()))


def place_of(
    added: Image,
    *,
    lit_clipped: Mask,
    labels: NDArray[np.int32],
    usable: Mask,
    noise_sigma: float | Image,
    label: int,
    box: Box,
) -> Place | None:
    """Cut out one opening with its surroundings.

    Args:
        added, lit_clipped, labels, usable, noise_sigma: as in `measure_lamps`.
        label: the opening's value in `labels`.
        box: the slices that hold it.
    Returns: None where no usable pixel lies inside.
    """
    margin = int(RING_PX[1]) + 1
    rows, cols = (slice(max(s.start - margin, 0), s.stop + margin) for s in box)
    names, good = labels[rows, cols], usable[rows, cols]
    inside = (names == label) & good
    if not inside.any():
        return None
    depth = _distance(np.pad(inside, 1))[1:-1, 1:-1]
    outside = _distance(~inside)
    outside[~good | ((names > 0) & ~inside)] = np.inf
    deepest = float(depth.max())
    edge = min(max(EDGE_PX, EDGE_SHARE * deepest), EDGE_MAX_SHARE * deepest)
    core: Mask = depth > np.float32(edge)
    light, clipped = added[rows, cols], lit_clipped[rows, cols]
    around = (outside > RING_PX[0]) & (outside <= RING_PX[1]) & ~clipped.any(axis=2)
    enough = int(around.sum()) >= RING_MIN_PIXELS
    ring = np.median(light[around], axis=0) if enough else np.zeros(3)
    at_y, at_x = np.nonzero(inside)
    noise = np.broadcast_to(noise_sigma, labels.shape)[rows, cols][core].mean()
    return Place(
        light=light,
        luminance=light @ LUMINANCE,
        clipped=clipped,
        depth=depth,
        outside=outside,
        core=core,
        ring=ring.astype(np.float32),
        noise=float(noise),
        centre=(float(at_x.mean() + cols.start), float(at_y.mean() + rows.start)),
        pixels=int(inside.sum()),
    )


def stops_less(place: Place) -> float | None:
    """How many stops less exposure would bring the brightest pixel below the end of the scale.

    The bright half of the opening is taken for the mirror image of its dark half, channel by
    channel: an estimate, rounded up to half a stop. None where nothing is clipped, or so much
    that the median is clipped as well.
    """
    clipped, light = place.clipped[place.core], place.light[place.core]
    share = clipped.mean(axis=0)
    if clipped.any(axis=1).mean() <= CLIPPED_SHARE or share.max() >= EXTRAPOLATE_BELOW:
        return None
    median = np.median(light, axis=0)
    peak = np.maximum(2 * median - np.quantile(light, LOW_QUANTILE, axis=0), light.max(axis=0))
    stops = np.log2(peak[share > 0].max() / HEADROOM)
    return float(max(np.ceil(stops / STOP_STEP), 1) * STOP_STEP)


def _distance(inside: Mask) -> Image:
    """How far each pixel is from the nearest one that is not inside, px."""
    return np.asarray(
        cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE),
        np.float32,
    )


def _averaged(image: Image, sigma: float) -> Image:
    """Gaussian average; beyond its border the image is mirrored."""
    side = 2 * int(4 * sigma + 0.5) + 1  # as far as it counts in float32
    return np.asarray(
        cv2.GaussianBlur(image, (side, side), sigma, borderType=cv2.BORDER_REFLECT), np.float32
    )


def _cells(place: Place) -> tuple[Image, float]:
    """Luminance of cells, (n,), one round each pixel of the core, and the noise left in it.

    Empty where the opening is too small to be divided.
    """
    cell = 2 * place.half_width / CELLS_PER_SIDE
    if 2 * place.half_width < EVEN_MIN_PX:
        return np.empty(0, np.float32), 0.0
    sigma = cell / np.sqrt(12.0)  # a Gaussian with the spread of a square of this side
    inner = place.core & (place.depth > EVEN_EDGE_SHARE * place.half_width)
    weight = _averaged(inner.astype(np.float32), sigma)
    light = _averaged(place.luminance * inner, sigma)
    return light[inner] / weight[inner], NOISE_CORRELATION * place.noise / cell


def evenness(place: Place) -> float | None:
    """Uniformity U0 = minimum / mean of the light inside, the edge left out.

    None where the opening is clipped, too small or too noisy for a minimum to mean anything.
    Source: EN 12464-1 defines U0 for illuminance on its grid; here it is luminance over cells.
    """
    cells, noise = _cells(place)
    clipped = place.clipped[place.core].any(axis=1).mean() > CLIPPED_SHARE
    if clipped or not cells.size or cells.mean() < EVEN_MIN_SNR * noise:
        return None
    return max(float(cells.min()), 0.0) / float(cells.mean())


def has_hot_spot(place: Place) -> bool:
    """Whether a small part of the opening is far brighter than the rest: the LED itself shows.

    Clipped pixels count with the light they have at least.
    """
    cells, noise = _cells(place)
    if not cells.size:
        return False
    median, peak = float(np.median(cells)), float(cells.max())
    if peak < EVEN_MIN_SNR * noise or peak < HOT_RATIO * median:
        return False
    return bool((cells > (median + peak) / 2).mean() <= HOT_AREA_SHARE)


def colour_inside(place: Place) -> Colour | None:
    """Colour of the unclipped light inside, less that of the surroundings.

    None where it is too weak for its noise, or too much of it clipped to trust the rest.
    """
    clipped = place.clipped[place.core].any(axis=1)
    light = place.light[place.core][~clipped]
    if len(light) < COLOUR_MIN_PIXELS or clipped.mean() > COLOUR_MAX_CLIPPED:
        return None
    rgb = light.mean(axis=0) - place.ring
    if rgb @ LUMINANCE < COLOUR_MIN_SNR * place.mean_noise:
        return None
    return measure_colour(rgb)


def rim_colour(place: Place) -> Colour | None:
    """Colour of a lamp that is clipped to white in its middle, as the light round it shows it.

    The light just outside is the lamp's own, spread by the lens, and not clipped. Its purer half
    counts, for the rest is mixed with the white middle.
    None where the middle is not clipped to white, or the light round it is not coloured.
    """
    middle = place.depth > THIN_MIDDLE_SHARE * place.half_width
    white = measure_colour(place.light[middle].mean(axis=0))
    clipped = place.clipped[middle].any(axis=1).mean() >= THIN_MIDDLE_CLIPPED
    if not clipped or white is None or white.purity >= WHITE_PURITY:
        return None
    rim = (place.outside > THIN_RIM_PX[0]) & (place.outside <= THIN_RIM_PX[1])
    rim &= (place.luminance > COLOUR_MIN_SNR * place.noise) & ~place.clipped.any(axis=2)
    if rim.sum() < COLOUR_MIN_PIXELS:
        return None
    light = np.maximum(place.light[rim], 0.0)
    light /= light.max(axis=1, keepdims=True)
    paleness = light.min(axis=1)
    colour = measure_colour(light[paleness <= np.median(paleness)].mean(axis=0))
    if colour is None or colour.purity < TINTED_PURITY or colour.word.endswith("white"):
        return None
    return colour
