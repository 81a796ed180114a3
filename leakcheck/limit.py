"""The faintest leak that a pair could have shown, and what kept fainter ones from showing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leakcheck.light import block_mean
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground
from leakcheck.residual import Residual
from leakcheck.spots import Cut

NEAR_PX = 30.0  # frame px from an opening; further out its halo has mostly faded
PINHOLE_SCALE_PX, BROAD_SCALE_PX = 1.0, 8.0
# A Gaussian spot sought with a Gaussian of its own width shows half of its peak.
SEEN_SHARE = 0.5
# Mean of a Gaussian over where it is above a tenth of its peak: (1 - 0.1) / ln(10).
MEAN_OF_PEAK = 0.39
MOST = 0.5  # share of the variance that makes something the limit
BRIGHT_ROOM = 0.2  # unlit surfaces / median window from which the room outshines leaks
DARK_ROOM = 0.004  # linear light of unlit surfaces under which a photo hardly shows them
MUCH_CLIPPED = 0.1  # share of the model


@dataclass(frozen=True)
class Faintest:
    """The weakest leak that this pair could have shown."""

    contrast: float  # added light / room light on the same surface, no unit
    level: float | None  # added light / median window, no unit; None where no window is lit


@dataclass(frozen=True)
class Limit:
    """What the pair could not have shown, as typical (median) places of the model."""

    pinhole_far: Faintest  # further than `near` from any lit opening
    pinhole_near: Faintest
    broad_far: Faintest
    broad_near: Faintest
    near_px: float  # what counts as near, photo px from the edge of an opening
    limited_by: str  # noise, flare, clipping, bright room, shake or dark room
    blind_share: float  # share of the model where nothing could be measured


def limit_of(
    cuts: list[Cut],
    residual: Residual,
    ground: Ground,
    *,
    inside: Mask,
    scale: int,
    window_level: float | None,
) -> Limit:
    """What the cuts that were asked mean in light, near openings and far from them.

    Args:
        cuts: from `find_seeds`.
        residual, ground: of the pair.
        inside: (rows, cols), True inside the model, openings left out.
        scale: photo px per frame px.
        window_level: linear light of the median window, None where none is lit.
    """
    found: dict[tuple[float, bool], Faintest] = {}
    for size in (PINHOLE_SCALE_PX, BROAD_SCALE_PX):
        cut = next((c for c in cuts if c.plane == "luminance" and c.scale_px == size), None)
        for near in (False, True):
            found[size, near] = _faintest(cut, ground, near=near, window_level=window_level)
    seen = residual.measured & inside
    blind = 1.0 - float(seen.sum()) / max(float(inside.sum()), 1.0)
    return Limit(
        pinhole_far=found[PINHOLE_SCALE_PX, False],
        pinhole_near=found[PINHOLE_SCALE_PX, True],
        broad_far=found[BROAD_SCALE_PX, False],
        broad_near=found[BROAD_SCALE_PX, True],
        near_px=NEAR_PX * scale,
        limited_by=_limited_by(residual, window_level, blind),
        blind_share=blind,
    )


def _faintest(
    cut: Cut | None, ground: Ground, *, near: bool, window_level: float | None
) -> Faintest:
    """The median over near or far places; nothing could be seen where there is no such place."""
    if cut is None:
        return Faintest(float("inf"), None if window_level is None else float("inf"))
    rows, cols = cut.needed.shape
    distance = block_mean(ground.to_opening, cut.block_px)[:rows, :cols]
    surface = block_mean(ground.unlit, cut.block_px)[:rows, :cols]
    known = np.isfinite(cut.needed)
    there = known & ((distance <= NEAR_PX) if near else (distance > NEAR_PX))
    if not there.any():
        there = known
    if not there.any():
        return Faintest(float("inf"), None if window_level is None else float("inf"))
    peak = cut.needed[there] / SEEN_SHARE
    contrast = float(np.median(MEAN_OF_PEAK * peak / np.maximum(surface[there], 1e-5)))
    level = float(np.median(peak)) / window_level if window_level else None
    return Faintest(contrast, level)


def _limited_by(residual: Residual, window_level: float | None, blind: float) -> str:
    """What a builder would have to change to see fainter leaks."""
    surface = float(np.median(_measured(residual.unlit, residual)))
    if surface < DARK_ROOM:
        return "dark room"
    if blind > MUCH_CLIPPED:
        return "clipping"
    if window_level and surface > BRIGHT_ROOM * window_level:
        return "bright room"
    whole = float(np.median(_measured(residual.planes[0].variance, residual)))
    if float(np.median(_measured(residual.shake, residual))) > MOST * whole:
        return "shake"
    if float(np.median(_measured(residual.halo_doubt, residual))) > MOST * whole:
        return "flare"
    return "noise"


def _measured(image: Image, residual: Residual) -> Image:
    values = image[residual.measured]
    return values if len(values) else np.zeros(1, np.float32)
