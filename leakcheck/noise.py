"""The spread that lit light less expected light has without any leak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from leakcheck.light import block_mean, blurred, enlarged
from leakcheck.photo import Image, Mask

FINE_PX = 2.0  # structure finer than that is noise, in the residual, or texture, in the photo
FINE_SHARE = 0.9  # of white noise's variance is finer than FINE_PX
TEXTURE_PX = 3.0  # how far a texture reaches that shifted or badly resampled pixels see
MEDIAN_CHI2 = 0.4549  # median of chi-squared with one degree of freedom (Abramowitz & Stegun 26.4)
BINS = 8  # of light and of texture each
MIN_IN_BIN = 60
SAMPLE = 400_000  # pixels; more only cost time
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
    fine = expected - blurred(expected, FINE_PX)
    shape = (expected.shape[0], expected.shape[1])
    return enlarged(blurred(block_mean(fine * fine, 2), TEXTURE_PX / 2), 2, shape)


def fit_noise(residual: Image, expected: Image, energy: Image, usable: Mask) -> NoiseModel:
    """Fit the noise of a registered pair; leaks are too few to move the medians.

    Args:
        residual: (rows, cols), lit light less expected light.
        expected: (rows, cols), linear light expected without leaks.
        energy: (rows, cols), from `texture_energy`.
        usable: (rows, cols), True where there is something to measure.
    Source: EMVA 1288 release 4.0: variance grows linearly with the mean, plus a constant. The
        texture term is ours: it stands for the uncertainty of the registration at edges.
    """
    places = np.flatnonzero(usable)
    places = places[:: max(1, len(places) // SAMPLE)]
    square = np.square((residual - blurred(residual, FINE_PX)).ravel()[places])
    light, grain = expected.ravel()[places], energy.ravel()[places]
    rows, values = [], []
    for low, high in _bins(light):
        inside = (light >= low) & (light <= high)
        for grain_low, grain_high in _bins(grain[inside]):
            here = inside & (grain >= grain_low) & (grain <= grain_high)
            if here.sum() >= MIN_IN_BIN:
                rows.append([np.median(light[here]), 1.0, np.median(grain[here])])
                values.append(np.median(square[here]) / MEDIAN_CHI2 / FINE_SHARE + TINY)
    if not rows:
        return NoiseModel(0.0, float(np.median(square)) / MEDIAN_CHI2 + TINY, 0.0)
    measured = np.array(values)
    relative = np.maximum(np.array(rows), 0) / measured[:, None]
    scale = relative.max(axis=0) + TINY
    amounts, _ = nnls(relative / scale, np.ones(len(measured)))
    slope, floor, texture = amounts / scale
    return NoiseModel(float(slope), float(floor), float(texture))


def variance(expected: Image, energy: Image, noise: NoiseModel) -> Image:
    """Variance of each pixel of the residual: (rows, cols), linear light squared."""
    photons = np.float32(noise.slope) * np.maximum(expected, 0)
    grain = np.float32(noise.texture) * energy
    return np.maximum(photons + grain + np.float32(noise.floor), np.float32(TINY))


def local_variance(residual: Image, usable: Mask) -> Image:
    """Variance that the residual's fine structure shows place by place.

    Medians over blocks: a seam or pinhole does not move them, while a surface that lies badly on
    itself, or that the JPEG coder made rough, speaks for itself.

    Args:
        residual: (rows, cols), lit light less expected light.
        usable: (rows, cols), True where there is something to measure.
    Returns: (rows, cols), linear light squared, smooth between blocks; 0 where nothing is usable.
    """
    square = np.square(residual - blurred(residual, FINE_PX))
    square[~usable] = np.nan
    rows, cols = square.shape[0] // LOCAL_PX, square.shape[1] // LOCAL_PX
    tiles = square[: rows * LOCAL_PX, : cols * LOCAL_PX]
    tiles = tiles.reshape(rows, LOCAL_PX, cols, LOCAL_PX).swapaxes(1, 2)
    tiles = tiles.reshape(rows, cols, LOCAL_PX**2)[..., ::LOCAL_STEP]
    seen = np.isfinite(tiles).sum(axis=2)
    tiles = np.where(np.isfinite(tiles), tiles, np.float32(np.inf))
    tiles.sort(axis=2)
    middle = np.take_along_axis(tiles, np.maximum(seen // 2, 0)[..., None], axis=2)[..., 0]
    enough = seen >= LOCAL_PX**2 // LOCAL_STEP // 4
    found = np.where(enough, middle / np.float32(MEDIAN_CHI2 * FINE_SHARE), 0).astype(np.float32)
    return enlarged(found, LOCAL_PX, (residual.shape[0], residual.shape[1]))


def _bins(values: NDArray[np.float32]) -> list[tuple[float, float]]:
    """Ranges that hold about equally many values each."""
    if not len(values):
        return []
    edges = np.quantile(values, np.linspace(0, 1, BINS + 1))
    return list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))
