"""Small operations on images of light that several steps share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.photo import Image, Mask

# IEC 61966-2-1: share of each linear sRGB channel in luminance.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)
SAMPLE_STEP = 3  # rows and columns between pixels that tell an image's median well enough
STRIP_PIXELS = 1 << 15  # three channels of float32 are 400 kB


def luminance(light: Image) -> Image:
    """Luminance of linear sRGB light: (rows, cols, 3) -> (rows, cols)."""
    return np.asarray(cv2.transform(light, LUMINANCE[None]), np.float32)


def blurred(image: Image, sigma_px: float) -> Image:
    """Gaussian average; what lies outside the image continues its border."""
    return np.asarray(
        cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE), np.float32
    )


def block_mean(image: Image, block: int) -> Image:
    """Mean over block x block pixels; rows and columns that fill no block are left out."""
    if block == 1:
        return image
    rows, cols = image.shape[0] // block, image.shape[1] // block
    whole = image[: rows * block, : cols * block]
    return np.asarray(cv2.resize(whole, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def block_any(mask: Mask, block: int) -> Mask:
    """True where any pixel of a block is True."""
    return block_mean(mask.astype(np.float32), block) > 0


def enlarged(image: Image, block: int, shape: tuple[int, int]) -> Image:
    """The inverse of `block_mean`, smooth between block centres, in an image of `shape`."""
    if block == 1:
        return image
    rows, cols = image.shape[0] * block, image.shape[1] * block
    whole = cv2.resize(image, (cols, rows), interpolation=cv2.INTER_LINEAR)
    if whole.shape[:2] != shape:  # what fills no block continues the last one
        rest = (0, shape[0] - rows, 0, shape[1] - cols)
        whole = cv2.copyMakeBorder(whole, *rest, cv2.BORDER_REPLICATE)
    return np.asarray(whole, np.float32)


def scaled(image: Image, factors: NDArray[np.floating[Any]]) -> Image:
    """Each channel times its factor: (rows, cols, n) by (n,).

    NumPy alone takes five times as long, as it goes through the last axis, which is short.
    """
    rows, cols, channels = image.shape
    row = np.tile(np.asarray(factors, np.float32), cols)
    return np.asarray(image.reshape(rows, cols * channels) * row).reshape(image.shape)


def summed(image: Image) -> Image:
    """The sum of the three channels: (rows, cols, 3) -> (rows, cols)."""
    return np.asarray(cv2.transform(image, np.ones((1, 3), np.float32)), np.float32)


def strips(shape: tuple[int, ...]) -> Iterator[slice]:
    """Rows of an image, some at a time: few enough that intermediate steps stay in the cache."""
    step = max(1, STRIP_PIXELS // shape[1])
    for top in range(0, shape[0], step):
        yield slice(top, min(top + step, shape[0]))


def grown(mask: Mask, radius_px: float) -> Mask:
    """True within `radius_px` of a True pixel."""
    radius = round(radius_px)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    out = np.zeros(mask.shape, np.uint8)
    here = box_round(mask, radius)
    if out[here].size:
        cv2.dilate(np.ascontiguousarray(mask[here]).view(np.uint8), disc, dst=out[here])
    return out.view(np.bool_)


def box_round(mask: Mask, margin_px: int, aligned_px: int = 1) -> tuple[slice, slice]:
    """The rows and columns that hold all True pixels and a margin, as far as the image goes.

    Args:
        aligned_px: the first row and column, and the size where it is not cut off, are multiples.
    """
    left, top, cols, rows = cv2.boundingRect(np.ascontiguousarray(mask).view(np.uint8))
    if not rows:
        return slice(0, 0), slice(0, 0)
    sides = []
    for first, count, size in ((top, rows, mask.shape[0]), (left, cols, mask.shape[1])):
        start = max(first - margin_px, 0) // aligned_px * aligned_px
        stop = -(-(first + count + margin_px) // aligned_px) * aligned_px
        sides.append(slice(start, min(stop, size)))
    return sides[0], sides[1]


def median(values: NDArray[Any]) -> float:
    """Middle of all values, of which there must be one at least and none that is no number.

    NumPy's own asks for several ranks at once, which takes ten times as long on an image.
    """
    middle = values.size // 2
    ranked = np.partition(values, middle, axis=None)
    upper = float(ranked[middle])
    return upper if values.size % 2 else 0.5 * (upper + float(ranked[:middle].max()))


def typical(image: Image, where: Mask) -> float:
    """Median of an image, (rows, cols), where a mask is True, of one pixel in nine; else 0."""
    step = slice(None, None, SAMPLE_STEP)
    values = image[step, step][where[step, step]]
    return median(values) if values.size else 0.0


def quantile(values: NDArray[Any], share: float) -> float:
    """The value that a share of all values lies below, linear between two; faster for one alone."""
    at = share * (values.size - 1)
    rank = int(at)
    ranked = np.partition(values, rank, axis=None)
    lower = float(ranked[rank])
    upper = float(ranked[rank + 1 :].min()) if rank + 1 < values.size else lower
    return lower + (at - rank) * (upper - lower)


def covariance(
    x: NDArray[Any], y: NDArray[Any], weight: NDArray[np.floating[Any]] | None = None
) -> NDArray[np.float64]:
    """Covariance of two rows of values, (2, 2), each value with its weight; as `numpy.cov`.

    NumPy's own takes five times as long on a spot's few pixels.
    """
    both = np.array([x, y], np.float64)
    if weight is None:
        both -= both.mean(axis=1)[:, None]
        return np.asarray((both @ both.T) * (1 / (both.shape[1] - 1)))
    weight = weight.astype(np.float64)
    total = weight.sum()
    both -= ((both * weight).sum(axis=1) / total)[:, None]
    factor = total - (weight * weight).sum() / total
    return np.asarray((both @ (both * weight).T) * (1 / factor))


def boxes(labels: NDArray[np.int32]) -> dict[int, tuple[slice, slice]]:
    """The rows and columns that hold each label above 0 of a map, (rows, cols)."""
    places = np.flatnonzero(labels)  # four times as fast as rows and columns at once
    rows, cols = np.divmod(places, labels.shape[1])
    names = labels.ravel()[places]
    order = np.argsort(names, kind="stable")
    names, rows, cols = names[order], rows[order], cols[order]
    known, first = np.unique(names, return_index=True)
    if not len(known):
        return {}
    sides = [
        (np.minimum.reduceat(at, first), np.maximum.reduceat(at, first) + 1) for at in (rows, cols)
    ]
    (top, bottom), (left, right) = ((low.tolist(), high.tolist()) for low, high in sides)
    return {
        int(name): (slice(top[k], bottom[k]), slice(left[k], right[k]))
        for k, name in enumerate(known)
    }


def slope(image: Image) -> Image:
    """Steepness of an image: magnitude of its gradient, per pixel."""
    across = cv2.Scharr(image, cv2.CV_32F, 1, 0, scale=1 / 32)
    down = cv2.Scharr(image, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(cv2.magnitude(across, down), np.float32)
