"""Whether two photos show the same view, and which has more light: at small size, in moments.

What is decided here only sorts photos: whether a pair can be measured is decided by `register`
at full size, later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2 as opencv
import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import RegistrationError
from leakcheck.light import LUMINANCE
from leakcheck.motion import agreed
from leakcheck.photo import Frame, Image, Mask
from leakcheck.register import register, warp_off
from leakcheck.shots import Look
from leakcheck.texture import CELL_PX, CELL_SPREAD, Texture, view_of

cv2: Any = opencv  # its type hints know no images of floats

RATIO = 0.8  # of the best match's distance to the second best: Lowe 2004
LEAST_POINTS = 10  # that agree in one homography; pairs of other scenes reach 10 by chance
AGREE_PX = 4.0  # parallax of a hand-held pair is no disagreement
CELL_AGREES = 0.4  # correlation of the textures in a cell
FALSE_SHIFTS = ((37, 0), (0, 41))  # px: what chance gives
# Cells in the middle of the photo that agree, less what chance gives. Photos of one side reach
# 0.27 and more once laid on, a model turned on the same bench at most 0.08.
MIDDLE_LAID, MIDDLE_SURE = 0.18, 0.35
# The same all over the photo: one side reaches 0.36, rows of windows laid onto those of the other
# side 0.19.
WHOLE = 0.26
MIDDLE = 0.25  # of the photo is left out at each edge: the bench is the same for all sides
LEAST_CELLS = 6
CLIPPED = 0.97  # linear light of a pixel blended from clipped ones
FEW_PX = 100  # below that no surface is left to match exposures by
DARKER_SHARE = 0.3  # of the surfaces, which are left out: noise rules there
RIM_PX = 15  # three spreads of the blur on each side, and what resampling mixes
FINE_BLUR_PX = 0.7  # a window is a few pixels wide at this size
BLUR_PX = 2.0  # edges that do not line up quite exactly must not look like light
DARK_SHARE = 0.1  # of the mean light; below that a ratio is noise
TAIL = 0.999  # quantile of the light that only one photo has: a window is that small
# Light that only one photo has / light there: off and on reach 0.37, edges that are laid on badly
# 0.27, and as much the other way round.
LIGHT, ONE_SIDED = 0.3, 2.0
LIGHT_SURE, ONE_SIDED_SURE = 0.5, 4.0


@dataclass(frozen=True)
class Alike:
    """Two photos of one view."""

    points: int  # features that agree
    middle: float  # share of the middle's detail that agrees more than by chance
    more: int  # +1: the second has more light, -1: the first has, 0: alike
    light: float  # how much more, added / there, of the brightest thousandth


def alike(first: Look, second: Look) -> Alike | None:
    """Compare two photos; None where they do not show the same view.

    Features lay the second onto the first. Where that leaves a doubt, of the view or of the
    light, `register` lays it on at small size, with parallax.
    """
    matrix, points = _homography(first, second)
    if matrix is None or points < LEAST_POINTS:
        return None
    size = (first.texture.shape[1], first.texture.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(second.texture, matrix, size, flags=flags)
    usable = second.usable.astype(np.uint8)
    seen, sharp = (
        cv2.warpPerspective(mask, matrix, size, flags=flags) > 0
        for mask in (np.ones_like(usable), usable)
    )
    middle, whole = _agreement(first.texture, laid, first.usable & sharp)
    if middle >= MIDDLE_SURE and whole >= WHOLE:
        light = cv2.warpPerspective(second.frame().light, matrix, size, flags=flags)
        up, down = _light_gained(first.frame(), light, seen)
        if max(up, down) < LIGHT / 2 or _is_light(up, down, LIGHT_SURE, ONE_SIDED_SURE):
            return _alike(points, middle, up, down)
    return _registered(first, second, points)


def _registered(first: Look, second: Look, points: int) -> Alike | None:
    """The same by registration, which knows of parallax."""
    fixed, moving = first.frame(), second.frame()
    try:
        found = register(moving, fixed)
    except RegistrationError:
        return None
    shape = (fixed.light.shape[0], fixed.light.shape[1])
    light, overlap, _ = warp_off(moving, found, on_shape=shape, on_scale=1)
    laid = view_of(Frame(light, np.zeros((*shape, 3), np.bool_), 1), None)
    middle, whole = _agreement(first.texture, laid.coarse, first.usable & overlap)
    if middle < MIDDLE_LAID or whole < WHOLE:
        return None
    return _alike(points, middle, *_light_gained(fixed, light, overlap))


def _alike(points: int, middle: float, up: float, down: float) -> Alike:
    more = 0
    if _is_light(up, down, LIGHT, ONE_SIDED):
        more = 1 if up > down else -1
    return Alike(points, middle, more, max(up, down))


def _is_light(up: float, down: float, least: float, one_sided: float) -> bool:
    return max(up, down) > least and max(up, down) > one_sided * min(up, down)


def _homography(first: Look, second: Look) -> tuple[NDArray[np.float64] | None, int]:
    """First photo's px -> second photo's px, and how many features agree with it."""
    if min(len(first.words), len(second.words)) < LEAST_POINTS:
        return None, 0
    matches = cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(first.words, second.words, k=2)
    good = [m[0] for m in matches if len(m) == 2 and m[0].distance < RATIO * m[1].distance]
    if len(good) < LEAST_POINTS:
        return None, 0
    cv2.setRNGSeed(7)  # USAC draws at random: the same photos must give the same answer
    a = first.points[[match.queryIdx for match in good]]
    b = second.points[[match.trainIdx for match in good]]
    return agreed(cv2.findHomography, a, b, cv2.USAC_MAGSAC, AGREE_PX, maxIters=2000)


def _agreement(fixed: Texture, laid: Texture, counts: Mask) -> tuple[float, float]:
    """Share of cells that agree, less what chance gives: in the middle, and all over the photo."""
    right = _agreeing(fixed, laid, counts)
    wrong = [_agreeing(fixed, np.roll(laid, by, (0, 1)), counts) for by in FALSE_SHIFTS]
    middle, whole = np.array(right) - np.mean(wrong, axis=0)
    return float(middle), float(whole)


def _agreeing(fixed: Texture, laid: Texture, counts: Mask) -> tuple[float, float]:
    """Share of textured cells that agree, in the middle and all over; 0 where few can be told."""
    rows, cols = (max(1, side // CELL_PX) for side in fixed.shape)

    def mean(image: NDArray[Any]) -> Image:
        small = cv2.resize(
            np.asarray(image, np.float32), (cols, rows), interpolation=cv2.INTER_AREA
        )
        return np.asarray(small, np.float32)

    w, p, q = (np.asarray(image, np.float32) for image in (counts, fixed, laid))
    share = mean(w) + np.float32(1e-6)
    mean_p, mean_q = mean(p * w) / share, mean(q * w) / share
    var_p = np.maximum(mean(p * p * w) / share - mean_p**2, 1e-6)
    var_q = np.maximum(mean(q * q * w) / share - mean_q**2, 1e-6)
    textured = (share > 0.5) & (var_p > CELL_SPREAD**2) & (var_q > CELL_SPREAD**2 / 4)
    agree = (mean(p * q * w) / share - mean_p * mean_q) / np.sqrt(var_p * var_q) > CELL_AGREES
    top, left = int(MIDDLE * rows), int(MIDDLE * cols)
    middle = (slice(top, rows - top), slice(left, cols - left))
    return _share(agree[middle], textured[middle]), _share(agree, textured)


def _share(agree: Mask, textured: Mask) -> float:
    few = np.count_nonzero(textured) < LEAST_CELLS
    return 0.0 if few else float(agree[textured].mean())


def light_map(first: Look, second: Look) -> Image | None:
    """Light that the second photo adds to the first, (rows, cols) of the first: added / there.

    0 where that is not known; None where the two do not register.
    """
    fixed, moving = first.frame(), second.frame()
    try:
        found = register(moving, fixed)
    except RegistrationError:
        return None
    shape = (fixed.light.shape[0], fixed.light.shape[1])
    light, overlap, _ = warp_off(moving, found, on_shape=shape, on_scale=1)
    overlap = _inner(overlap)
    up, down = _ratios(fixed, light, overlap, blur_px=FINE_BLUR_PX)
    return np.where(overlap, np.maximum(up, 0) - np.maximum(down, 0), np.float32(0))


def _light_gained(first: Frame, second: Image, overlap: Mask) -> tuple[float, float]:
    """Light that only the second photo has, and that only the first has, added / there.

    Returns: the `TAIL` quantile of each.
    """
    inner = _inner(overlap)
    up, down = (part[inner] for part in _ratios(first, second, inner, blur_px=BLUR_PX))
    if not up.size:
        return 0.0, 0.0
    return max(float(np.quantile(up, TAIL)), 0.0), max(float(np.quantile(down, TAIL)), 0.0)


def _inner(overlap: Mask) -> Mask:
    """What lies within the overlap by more than a blur mixes in from beyond its edge."""
    rim = np.ones((RIM_PX, RIM_PX), np.uint8)
    return np.asarray(cv2.erode(overlap.astype(np.uint8), rim) > 0)


def _ratios(first: Frame, second: Image, overlap: Mask, *, blur_px: float) -> tuple[Image, Image]:
    """Light that the second photo adds to the first, and the first to the second: added / there.

    Args:
        first: (rows, cols).
        second: light of the second photo laid onto it.
        overlap: True where it covers the first.
        blur_px: of both.
    Returns: (rows, cols) each. Exposures are matched by the median surface; where a photo is
        clipped, that it has less light there is not known: 0.
    """
    a, b = (
        np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px) @ LUMINANCE, np.float32)
        for light in (first.light, second)
    )
    ends = [
        cv2.dilate(clipped.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        for clipped in (first.clipped.any(axis=2), (second > CLIPPED).any(axis=2))
    ]
    plain = overlap & ~ends[0] & ~ends[1]
    if np.count_nonzero(plain) < FEW_PX:
        return np.zeros_like(a), np.zeros_like(a)
    plain &= a > np.quantile(a[plain], DARKER_SHARE)
    gain = max(float(np.median(b[plain] / np.maximum(a[plain], 1e-6))), 1e-6)
    a, b = a * np.float32(np.sqrt(gain)), b / np.float32(np.sqrt(gain))
    ratio = (b - a) / (np.minimum(a, b) + np.float32(DARK_SHARE) * float(a[overlap].mean()))
    return (
        np.where(ends[0], 0, ratio).astype(np.float32),
        np.where(ends[1], 0, -ratio).astype(np.float32),
    )
