"""The spread that lit light less expected light has without any leak."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.fit import nonnegative
from leakcheck.light import block_mean, blurred, enlarged, median
from leakcheck.photo import Image, Mask

FINE_PX = 2.0  # structure finer than that is noise, in the residual, or texture, in the photo
FINE_SHARE = 0.9  # of white noise's variance is finer than FINE_PX
TEXTURE_PX = 3.0  # how far a texture reaches that shifted or badly resampled pixels see
MEDIAN_CHI2 = 0.4549  # median of chi-squared with one degree of freedom (Abramowitz & Stegun 26.4)
BINS = 8  # of light and of texture each
MIN_IN_BIN = 60
SAMPLE = 400_000  # pixels; of more only some are looked at:
SAMPLE_STEP = 3  # every third row and column, out of step with the blocks of JPEG
TINY = 1e-10
LOCAL_PX = 24  # wider than any thin leak, narrower than most surfaces
LOCAL_STEP = 2  # every second pixel tells a block's median well enough


@dataclass(frozen=True)
class NoiseModel:
    """Variance of one pixel: ``slope * light + floor + texture * texture energy``."""

    slope: float  # linear light; photons
    floor: float  # linear light squared; read-out and code steps
    texture: float  # no unit; what registration and resampling leave of the surfaces' own texture


def texture_energy(expected: Image) -> Image:
    """How much fine structure a surface has: local mean square of what is finer than FINE_PX.

    Args:
        expected: (rows, cols), linear light.
    Returns: (rows, cols), linear light squared.
    """
    shape = (expected.shape[0], expected.shape[1])
    return enlarged(blurred(block_mean(fine_square(expected), 2), TEXTURE_PX / 2), 2, shape)


def fine_square(residual: Image) -> Image:
    """Square of what is finer than FINE_PX in a residual, (rows, cols): nearly all of its noise."""
    fine = blurred(residual, FINE_PX)
    np.subtract(residual, fine, out=fine)
    return np.square(fine, out=fine)


def fit_noise(square: Image, expected: Image, energy: Image, usable: Mask) -> NoiseModel:
    """Fit the noise of a registered pair; leaks are too few to move the medians.

    Args:
        square: (rows, cols), of lit light less expected light, from `fine_square`.
        expected: (rows, cols), linear light expected without leaks.
        energy: (rows, cols), from `texture_energy`.
        usable: (rows, cols), True where there is something to measure.
    Source: EMVA 1288 release 4.0: variance grows linearly with the mean, plus a constant. The
        texture term is ours: it stands for the uncertainty of the registration at edges.
    """
    step = SAMPLE_STEP if usable.size > SAMPLE else 1
    some = usable[::step, ::step]
    square, light, grain = (image[::step, ::step][some] for image in (square, expected, energy))
    rows, values = [], []
    for here in _alike(light):
        for part in _alike(grain[here]):
            if len(part) >= MIN_IN_BIN:
                inside = here[part]
                rows.append([median(light[inside]), 1.0, median(grain[inside])])
                values.append(median(square[inside]) / MEDIAN_CHI2 / FINE_SHARE + TINY)
    if not rows:
        middle = median(square) if len(square) else 0.0
        return NoiseModel(0.0, middle / MEDIAN_CHI2 + TINY, 0.0)
    measured = np.array(values)
    relative = np.maximum(np.array(rows), 0) / measured[:, None]
    scale = relative.max(axis=0) + TINY
    columns = relative / scale
    normal = columns.T @ columns + TINY * np.eye(3)
    slope, floor, texture = nonnegative(normal, columns.sum(axis=0)) / scale
    return NoiseModel(float(slope), float(floor), float(texture))


def variance(expected: Image, energy: Image, noise: NoiseModel) -> Image:
    """Variance of each pixel of the residual: (rows, cols), linear light squared."""
    spread = np.maximum(expected, 0)
    spread *= np.float32(noise.slope)
    cv2.scaleAdd(energy, noise.texture, spread, dst=spread)
    spread += np.float32(noise.floor)
    return np.maximum(spread, np.float32(TINY), out=spread)


def local_variance(square: Image, usable: Mask) -> Image:
    """Variance that the residual's fine structure shows place by place.

    Medians over blocks: a seam or pinhole does not move them, while a surface that lies badly on
    itself, or that the JPEG coder made rough, speaks for itself.

    Args:
        square: (rows, cols), from `fine_square`.
        usable: (rows, cols), True where there is something to measure.
    Returns: (rows, cols), linear light squared, smooth between blocks; 0 where nothing is usable.
    """
    rows, cols = square.shape[0] // LOCAL_PX, square.shape[1] // LOCAL_PX
    shape = (rows, LOCAL_PX, cols, LOCAL_PX // LOCAL_STEP)
    some, counts = (
        image[: rows * LOCAL_PX, : cols * LOCAL_PX : LOCAL_STEP].reshape(shape).swapaxes(1, 2)
        for image in (square, usable)
    )
    tiles = np.where(counts, some, np.float32(np.inf)).reshape(rows, cols, -1)
    tiles.sort(axis=2)
    seen = np.count_nonzero(np.ascontiguousarray(counts).reshape(rows, cols, -1), axis=2)
    middle = np.take_along_axis(tiles, np.maximum(seen // 2, 0)[..., None], axis=2)[..., 0]
    enough = seen >= LOCAL_PX**2 // LOCAL_STEP // 4
    found = np.where(enough, middle / np.float32(MEDIAN_CHI2 * FINE_SHARE), 0).astype(np.float32)
    return enlarged(found, LOCAL_PX, (square.shape[0], square.shape[1]))


def _alike(values: NDArray[np.float32]) -> list[NDArray[np.intp]]:
    """Places of values in BINS ranges that hold about equally many each."""
    order = np.argsort(values)
    return np.array_split(order, BINS) if len(order) else []
