"""Exposure, white balance and room light of the two photos, from surfaces that do not glow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import ExposureError
from leakcheck.fit import Fit, fit_lower
from leakcheck.flare import WIDE_PX, halo_parts
from leakcheck.light import block_mean, enlarged, grown, median, quantile, scaled, strips
from leakcheck.photo import Image, Mask
from leakcheck.threads import side_by_side

BLOCK = 8  # frame px: noise averages out, edges blur
KNOTS = 6  # a phone's tone curve bends slowly over the range of surfaces
GUARD_PX = 4  # what is next to an opening or clipped is blurred by it
MAX_BLOCKS = 12_000
MIN_BLOCKS = 60  # fewer surfaces than that cannot tell a gain from a halo
MATCH_SHARE = 0.01  # how well light of a block is known beside its noise
FLOOR = 0.0007  # linear light: half a step of an 8-bit photo in the dark
BEND_SHARE = 0.03  # a tone curve changes the gain between neighbouring knots by about so much
DRIFT_SHARE = 0.02  # room light drifts across the photo by about so much
VEIL_UNIT = 0.01  # keeps the constant veil's column in scale with the others
CURVE_STEPS = 4096  # entries of the gain curve's table; finer than 8-bit code values
DARKEST = 1e-5  # linear light under which no photo tells a ratio


@dataclass(frozen=True, eq=False)
class Match:
    """How light of the unlit frame becomes light of the lit frame where no lamp adds any."""

    knots: NDArray[np.float64]  # (3, KNOTS): unlit linear light at which the gain is given
    gain: NDArray[np.float64]  # (3, KNOTS): lit / unlit there
    drift: NDArray[np.float64]  # (3, 2): change of gain from edge to edge, across and down
    halo: NDArray[np.float64]  # (3, len(WIDE_PX) + 1): amounts of the wide halo, then the veil
    surface_share: float  # share of the frame's blocks that it rests on
    spread: float  # of those blocks, in units of their expected spread


def in_blocks(light: Image) -> Image:
    """Means over the blocks that exposures are matched by, (rows // BLOCK, cols // BLOCK, 3)."""
    return block_mean(light, BLOCK)


def wide_parts(source: Image) -> list[Image]:
    """The wide halo's parts in blocks, each for an amount of 1, from `scattering_light`."""
    return halo_parts(source, WIDE_PX, BLOCK)


def rough_gain(small_unlit: Image, small_lit: Image, usable: Mask) -> NDArray[np.float64]:
    """Lit / unlit per channel, as the lower middle of all blocks: added light only raises it.

    Args:
        small_unlit, small_lit: linear light of the two frames, from `in_blocks`.
        usable: (rows, cols) of the frame, True where both were measured.
    Raises: ExposureError if hardly anything is bright enough in both to compare.
    """
    fit_for_use = block_mean(usable.astype(np.float32), BLOCK) > 0.9
    gain = np.empty(3)
    for channel in range(3):
        a, b = small_unlit[..., channel][fit_for_use], small_lit[..., channel][fit_for_use]
        seen = a > FLOOR
        if seen.sum() < MIN_BLOCKS:
            raise ExposureError(
                "too little of the model shows in both photos to match their exposure; "
                "take both with the same dim room light on and the windows just not white"
            )
        gain[channel] = quantile(b[seen] / a[seen], 0.4)
    return gain


def match_exposure(
    small_unlit: Image, small_lit: Image, wide: list[Image], *, sources: Mask, usable: Mask
) -> Match:
    """Fit gain, tone curve, drift of the room light and the wide halo to a registered pair.

    Args:
        small_unlit: linear light of the lights-off frame laid onto the lit one, from `in_blocks`.
        small_lit: linear light of the lights-on frame, likewise.
        wide: light that the lens may have scattered, from `wide_parts`.
        sources: (rows, cols), True inside openings and clipped spots.
        usable: (rows, cols), True where both frames were measured.
    Raises: ExposureError if too few surfaces are left to fit.
    """
    clean = usable & ~grown(sources, GUARD_PX)
    counts = block_mean(clean.astype(np.float32), BLOCK) > 0.99
    places = np.flatnonzero(counts)
    if len(places) < MIN_BLOCKS:
        raise ExposureError(
            "hardly any surface is left between the lights to match the exposure by; "
            "step back, or expose so that less of the photo is white"
        )
    total = len(places)
    places = places[:: max(1, total // MAX_BLOCKS)]
    across, down = _centred_grid(counts.shape)

    def fitted(channel: int) -> tuple[NDArray[np.float64], Fit]:
        a = small_unlit[..., channel].ravel()[places].astype(float)
        b = small_lit[..., channel].ravel()[places].astype(float)
        knots = _knots(a)
        level = max(median(b) / max(median(a), DARKEST), 1e-3)
        columns = np.column_stack(
            [_hats(a, knots) * a[:, None]]
            + [a * grid.ravel()[places] for grid in (across, down)]
            + [part[..., channel].ravel()[places] for part in wide]
            + [np.full(len(a), VEIL_UNIT)]
        )
        sigma = MATCH_SHARE * level * a + FLOOR
        prior = _prior(columns.shape[1], level)
        return knots, fit_lower(columns, b, sigma, free=KNOTS + 2, prior=prior)

    all_knots, results = zip(*side_by_side(fitted, range(3)), strict=True)
    amounts = np.stack([result.amounts for result in results])
    counted = np.mean([result.counted > 0.3 for result in results])
    return Match(
        knots=np.stack(all_knots),
        gain=amounts[:, :KNOTS],
        drift=amounts[:, KNOTS : KNOTS + 2],
        halo=amounts[:, KNOTS + 2 :],
        surface_share=float(counted) * total / counts.size,
        spread=float(np.median([result.spread for result in results])),
    )


def without_lamps(unlit: Image, match: Match) -> Image:
    """Light that the lit frame's surfaces would show without the lamps.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        match: from `match_exposure`.
    Returns: (rows, cols, 3), linear light of the lit frame's exposure.
    """
    rows, cols = unlit.shape[:2]
    steps = (np.linspace(0.0, 1.05, CURVE_STEPS) ** 2).astype(float)
    curves = [_hats(steps, match.knots[k]) @ match.gain[k] for k in range(3)]
    table = np.concatenate(curves).astype(np.float32)
    first = np.tile(np.arange(3) * CURVE_STEPS, cols)  # of each channel's curve
    x = ((np.arange(cols) + 0.5) / cols - 0.5)[:, None] * match.drift[:, 0]
    y = ((np.arange(rows) + 0.5) / rows - 0.5)[:, None] * match.drift[:, 1]
    across, down = x.astype(np.float32).ravel(), y.astype(np.float32)
    spread = np.tile(np.eye(3, dtype=np.float32), cols)  # a channel's value into all its columns
    light = unlit.reshape(rows, 3 * cols)
    expected = np.empty_like(light)

    def fill(here: slice) -> None:
        position = np.sqrt(np.maximum(light[here], 0))
        position *= np.float32((CURVE_STEPS - 1) / 1.05)
        position += np.float32(0.5)
        index = np.minimum(position, CURVE_STEPS - 1, out=position).astype(np.intp)
        index += first
        gain = table.take(index)
        gain += across
        gain += down[here] @ spread
        np.multiply(gain, light[here], out=expected[here])

    side_by_side(fill, list(strips(unlit.shape)))
    return expected.reshape(unlit.shape)


def wide_halo(wide: list[Image], match: Match, *, shape: tuple[int, int]) -> Image:
    """The fitted wide halo and veil: (rows, cols, 3), linear light of the lit frame.

    Args:
        wide: from `wide_parts`.
        match: from `match_exposure`.
        shape: rows and columns of the frame.
    """
    total = np.zeros_like(wide[0]) + (match.halo[:, -1] * VEIL_UNIT).astype(np.float32)
    for k, part in enumerate(wide):
        total += scaled(part, match.halo[:, k])
    return enlarged(total, BLOCK, shape)


def _centred_grid(shape: tuple[int, ...]) -> tuple[Image, Image]:
    """Across and down from -0.5 to 0.5 over an image."""
    down, across = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    return (across + 0.5) / shape[1] - 0.5, (down + 0.5) / shape[0] - 0.5


def _knots(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light levels between which the gain may bend: evenly over the range that occurs."""
    darkest, brightest = np.log(np.maximum(np.quantile(light, [0.02, 0.998]), DARKEST))
    return np.exp(np.linspace(darkest, max(brightest, darkest + 0.5), KNOTS))


def _hats(light: NDArray[np.float64], knots: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of each knot at each light level, linear in its logarithm; (n, KNOTS)."""
    logs = np.log(np.maximum(light, DARKEST))
    return np.column_stack([np.interp(logs, np.log(knots), row) for row in np.eye(len(knots))])


def _prior(columns: int, level: float) -> NDArray[np.float64]:
    """Neighbouring gains are alike and the room light hardly drifts."""
    prior = np.zeros((KNOTS + 1, columns))
    for k in range(KNOTS - 1):
        prior[k, k], prior[k, k + 1] = 1 / (BEND_SHARE * level), -1 / (BEND_SHARE * level)
    prior[KNOTS - 1, KNOTS] = prior[KNOTS, KNOTS + 1] = 1 / (DRIFT_SHARE * level)
    return prior
