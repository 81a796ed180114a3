"""The faintest leak that a pair could have shown, and what kept fainter ones from showing.

It is tried on the pair itself: leaks are laid into what the lamps added, at places all over the
model, and sought by the very steps that seek the real ones. So whatever these steps make of weak
light is in the figure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import cv2
import numpy as np

from leakcheck.light import block_mean, grown, median, typical
from leakcheck.photo import Image, Mask
from leakcheck.regions import FINE_PX, Ground, Region, finely, measure_region
from leakcheck.residual import Residual
from leakcheck.seeds import Cut, Seed, seeds_close
from leakcheck.spots import averaging, growing

NEAR_PX = 30.0  # frame px from an opening; further out its halo has mostly faded
# Mean of a Gaussian over where it is above a tenth of its peak: (1 - 0.1) / ln(10).
MEAN_OF_PEAK = 0.39
# A Gaussian spot sought with a Gaussian of its own width shows half of its peak.
SEEN_SHARE = 0.5
CORE = 1.2  # spreads: half of the width at half height, which lies on the wall and not on a window
TRIALS = 16  # of each size near and far; the median is then known to about a sixth
STEP_FIRST, STEP = 2.0, 1.3  # factors between two trials, before and after the first turn
WEAKEST, STRONGEST = 0.05, 60.0  # times what the cut asks on plain ground; beyond: none shows
ALIGNED_PX = 16  # largest block that a trial is sought in
MOST = 0.5  # share of the variance that makes something the limit
BRIGHT_ROOM = 0.2  # unlit surfaces / median window from which the room outshines leaks
APART_PX = 30.0  # frame px between a trial and a found leak: nearly three spreads of a broad glow
DARK_ROOM = 0.004  # linear light of unlit surfaces under which a photo hardly shows them
MUCH_CLIPPED = 0.1  # share of the model


class _Size(NamedTuple):
    """A size of leaks that is tried."""

    spread_px: float  # frame px, of a Gaussian
    scale_px: float  # of the search that sees it best
    scales_px: tuple[float, float]  # finest and coarsest scale that may see it at all
    reach_px: int  # how far round it the search looks


PINHOLE = _Size(1.0, 1.0, (1.0, 4.0), 72)  # as small as a lens can show
BROAD = _Size(11.0, 8.0, (4.0, 16.0), 112)  # a thin wall's glow


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
    is_leak: Callable[[Region], bool] = lambda _: True,
    found_leaks: Mask,
) -> Limit:
    """What leaks would have been found, near openings and far from them.

    Args:
        cuts: from `find_seeds`.
        residual, ground: of the pair.
        inside: (rows, cols), True inside the model, openings left out.
        scale: photo px per frame px.
        window_level: linear light of the median window, None where none is lit.
        is_leak: whether a region is taken for a leak.
        found_leaks: (rows, cols), True in leaks that were found: their light would hide a trial.
    """
    search = _Search(cuts, residual, ground, is_leak)
    free = inside & ~grown(found_leaks, APART_PX)
    free = free if free.any() else inside
    sizes = (PINHOLE, BROAD)
    walls = [_wall(cuts, ground, free, size) for size in sizes]
    kinds = [
        (size, wall, near)
        for size, wall in zip(sizes, walls, strict=True)
        for near in (False, True)
    ]
    found = [_faintest(search, *kind, window_level) for kind in kinds]
    seen = residual.measured & inside
    blind = 1.0 - float(seen.sum()) / max(float(inside.sum()), 1.0)
    return Limit(
        pinhole_far=found[0],
        pinhole_near=found[1],
        broad_far=found[2],
        broad_near=found[3],
        near_px=NEAR_PX * scale,
        limited_by=_limited_by(residual, window_level, blind),
        blind_share=blind,
    )


@dataclass(frozen=True, eq=False)
class _Search:
    """What a leak that is laid in has to pass."""

    cuts: list[Cut]
    residual: Residual
    ground: Ground
    is_leak: Callable[[Region], bool]


class _Place(NamedTuple):
    """Where a leak is laid in, frame px."""

    row: int
    col: int


@dataclass(frozen=True, eq=False)
class _Wall:
    """The model in blocks of the resolution that a size of leaks is sought at."""

    block_px: int
    asked: Image  # (rows, cols), linear light: peak of a leak that shows as much as the cut asks
    surface: Image  # (rows, cols), luminance of the surfaces without the lamps
    known: Mask  # (rows, cols), True where such a leak may be laid in
    near: Mask  # (rows, cols), True near an opening


def _wall(cuts: list[Cut], ground: Ground, inside: Mask, size: _Size) -> _Wall | None:
    """The blocks of the wall; None where nothing was sought at the scale of these leaks."""
    cut = next((c for c in cuts if c.plane == "luminance" and c.scale_px == size.scale_px), None)
    if cut is None:
        return None
    rows, cols = cut.needed.shape
    distance, closed, surface = (
        block_mean(image, cut.block_px)[:rows, :cols]
        for image in (ground.to_opening, inside.astype(np.float32), ground.surface)
    )
    return _Wall(
        block_px=cut.block_px,
        asked=cut.needed / np.float32(SEEN_SHARE),
        surface=surface,
        known=np.isfinite(cut.needed) & (closed > 0.5) & (distance > CORE * size.spread_px),
        near=distance <= NEAR_PX,
    )


def _faintest(
    search: _Search, size: _Size, wall: _Wall | None, near: bool, window_level: float | None
) -> Faintest:
    """Strength from which half of the leaks are found; infinite where none is or none fits in."""
    if wall is None or not wall.known.any():
        return Faintest(np.inf, None if window_level is None else np.inf)
    there = wall.known & (wall.near if near else ~wall.near)
    there = there if there.any() else wall.known  # all alike where there are none such
    blocks = np.argwhere(there)
    blocks = blocks[np.random.default_rng(0).permutation(len(blocks))[:TRIALS]]
    trials = [
        (
            _Place(*(int((at + 0.5) * wall.block_px) for at in block)),
            float(wall.asked[tuple(block)]),
        )
        for block in blocks
    ]
    peak = _threshold(search, size, trials) * median(wall.asked[there])
    contrast = MEAN_OF_PEAK * peak / max(median(wall.surface[there]), 1e-5)
    return Faintest(contrast, peak / window_level if window_level else None)


def _threshold(search: _Search, size: _Size, trials: list[tuple[_Place, float]]) -> float:
    """Strength that half of the trials need / what the cut asks of a leak at their place.

    Up and down: after a leak that is found the next one, elsewhere, is weaker, after a missed one
    stronger. Source: Dixon & Mood 1948, J. Am. Stat. Assoc. 43, 109-126; the mean of what was
    tried after the first turn estimates the median of what is just found.
    """
    strength, before = 1.0, None
    tried: list[float] = []
    for place, asked in trials:
        if not WEAKEST < strength < STRONGEST:
            break
        shown = _shows(search, size, place, strength * asked)
        turned = bool(tried) or (before is not None and shown != before)
        strength *= (STEP if turned else STEP_FIRST) ** (-1 if shown else 1)
        if turned:
            tried.append(strength)
        before = shown
    if tried:
        return float(np.exp(np.mean(np.log(tried))))
    return strength if before else np.inf


def _shows(search: _Search, size: _Size, place: _Place, peak: float) -> bool:
    """True where a leak of this peak (linear light) at this place is found and taken for one."""
    shape = search.residual.measured.shape
    window = _window(place, size.reach_px, shape)
    top, left = window[0].start, window[1].start
    row, col = place.row - top, place.col - left
    residual = _cropped(search.residual, window)
    light = np.float32(peak) * _bell(residual.measured.shape, row, col, size.spread_px)
    plane = next(p for p in search.residual.planes if p.name == "luminance")
    finest, coarsest = size.scales_px
    sought = replace(
        plane, residual=plane.residual[window] + light, variance=plane.variance[window]
    )
    residual = replace(
        residual,
        light=cv2.add(residual.light, cv2.merge([light] * 3)),
        luminance=residual.luminance + light,
        planes=(sought,),
    )
    cuts = [
        replace(cut, needed=cut.needed[tuple(_blocks(side, cut.block_px) for side in window)])
        for cut in search.cuts
        if cut.plane == "luminance" and finest <= cut.scale_px <= coarsest
    ]
    close = 2 * size.spread_px + 2
    seeds = seeds_close(sought, residual.measured, cuts, at=(row, col), close=close)
    return any(
        _holds(region, row, col) and search.is_leak(_moved(region, top, left))
        for region in _regions(seeds, residual, _cropped(search.ground, window))
    )


def _blocks(side: slice, block: int) -> slice:
    """Rows or columns of pixels as those of the blocks that they fill."""
    return slice(side.start // block, side.stop // block)


def _regions(seeds: list[Seed], residual: Residual, ground: Ground) -> Iterator[Region]:
    """What grows from seeds, measured one by one: most often the first is the one."""
    nothing = np.zeros_like(residual.measured)
    smooth: dict[tuple[str, float], Image] = {}
    fine = None
    for spot in growing(seeds, residual.planes, residual.measured, smooth):
        image = smooth[spot.plane, averaging(spot.scale_px)]
        if fine is None:
            fine = smooth.get(("luminance", FINE_PX))
            fine = finely(residual) if fine is None else fine
        yield measure_region(spot, residual, ground, image, fine, nothing)


def _moved(region: Region, rows: int, cols: int) -> Region:
    """A region measured in a window, in the frame's pixels."""
    extent = region.extent
    extent = replace(extent, top=extent.top + rows, left=extent.left + cols)
    return replace(region, extent=extent, x=region.x + cols, y=region.y + rows)


def _window(place: _Place, reach: int, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Rows and columns round a place that begin where a block does."""
    first = [max(at - reach, 0) // ALIGNED_PX * ALIGNED_PX for at in place]
    last = [min(at + reach, end) for at, end in zip(place, shape[:2], strict=True)]
    return slice(first[0], last[0]), slice(first[1], last[1])


def _holds(region: Region, row: int, col: int) -> bool:
    """True where a region covers a pixel."""
    extent = region.extent
    rows, cols = extent.mask.shape
    row, col = row - extent.top, col - extent.left
    return 0 <= row < rows and 0 <= col < cols and bool(extent.mask[row, col])


def _bell(shape: tuple[int, ...], row: int, col: int, spread: float) -> Image:
    """A Gaussian of height 1."""
    y = np.exp(-0.5 * ((np.arange(shape[0]) - row) / spread) ** 2)
    x = np.exp(-0.5 * ((np.arange(shape[1]) - col) / spread) ** 2)
    return np.asarray(y[:, None] * x[None], np.float32)


def _cropped(of: Any, window: tuple[slice, slice]) -> Any:
    """A dataclass with all of its images cut to a window."""
    values = {f.name: getattr(of, f.name) for f in fields(of)}
    images = {name: v for name, v in values.items() if isinstance(v, np.ndarray) and v.ndim > 1}
    return replace(of, **{name: v[window] for name, v in images.items()})


def _limited_by(residual: Residual, window_level: float | None, blind: float) -> str:
    """What a builder would have to change to see fainter leaks."""
    surface = typical(residual.unlit, residual.measured)
    if surface < DARK_ROOM:
        return "dark room"
    if blind > MUCH_CLIPPED:
        return "clipping"
    if window_level and surface > BRIGHT_ROOM * window_level:
        return "bright room"
    whole = typical(residual.planes[0].variance, residual.measured)
    if residual.shake > MOST * whole:
        return "shake"
    if residual.halo_doubt > MOST * whole:
        return "flare"
    return "noise"
