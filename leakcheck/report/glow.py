"""The added light as colours over the grey photo: what the glow map and close-ups share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import matplotlib
import numpy as np
from numpy.typing import NDArray

from leakcheck.report.laid_on import View
from leakcheck.report.sheet import Polygon, Rgb

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.photo import Image

# Added light / room light, as colours of a logarithmic scale.
GLOW_COLOURS = "inferno"
GLOW_START = 0.30  # the scale's first colour, so far into the map that it shows on the grey photo
GLOW_DECADES = 2.0  # at least this much from end to end
GLOW_TOP = 100.0  # a glow of a hundred times the room light is as bright as it gets here
GROUND_LIGHT = 0.45  # the grey photo under the glow, share of its own brightness


def glow_range(glow: Image, check: Check) -> tuple[float, float]:
    """The ends of the glow map's scale: the faintest that can be told, the brightest leak."""
    low = max(check.limit.pinhole_far.contrast, 1e-3)
    if not np.isfinite(low):
        low = 0.01
    finite = glow[np.isfinite(glow)]
    top = float(np.percentile(finite, 99.95)) if finite.size else low
    leaks = [leak.contrast for leak in check.leaks if np.isfinite(leak.contrast)]
    high = min(max([top, *leaks]), GLOW_TOP)
    return low, max(high, low * 10**GLOW_DECADES)


def glow_over(ground: Rgb, glow: Image, *, low: float, high: float) -> Rgb:
    """Colours of the glow over the grey photo; stripes where nothing was measured."""
    unknown = ~np.isfinite(glow)
    light = _resized(np.where(unknown, 0, glow), ground.shape)
    grey = cv2.cvtColor(ground, cv2.COLOR_RGB2GRAY)
    grey = (grey * np.float32(GROUND_LIGHT)).astype(np.float32)
    picture = np.asarray(cv2.merge([grey.astype(np.uint8)] * 3), np.uint8)
    shown = light > low  # a small part of most photos
    light, under = light[shown], grey[shown][:, None]
    step = np.log(light / low) / np.log(high / low)
    colours = glow_colours()[(np.clip(step, 0, 1) * 255).astype(np.uint8)]
    # A cut at exactly the limit would draw noise as confetti: the colour comes in over a factor 2.
    share = np.clip((light - low) / low, 0, 1)[:, None]
    picture[shown] = (under + share * (colours - under)).astype(np.uint8)
    if unknown.any():
        striped = _resized(unknown, ground.shape) > 0.5
        _stripe(picture, striped, period_px=max(4, ground.shape[1] // 100))
    return picture


def _resized(values: NDArray[np.generic], shape: tuple[int, ...]) -> Image:
    """An array over the whole photo at the size of the picture."""
    size = (shape[1], shape[0])
    how = cv2.INTER_AREA if size[0] < values.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(values.astype(np.float32), size, interpolation=how), np.float32)


def _stripe(picture: Rgb, where: NDArray[np.bool_], *, period_px: int) -> None:
    """Draw slanted grey stripes into the picture."""
    rows, cols = (np.arange(side, dtype=np.int32) for side in where.shape)
    on = (rows[:, None] + cols) % np.int32(period_px) < period_px // 4
    picture[on & where] = 90


def fill_grey(picture: Rgb, rings: Sequence[Polygon]) -> None:
    """Take an opening's own light out of the glow map: it is meant to be there."""
    points = [np.round(ring).astype(np.int32).reshape(-1, 1, 2) for ring in rings]
    cv2.fillPoly(picture, points, (70, 78, 86))


def glow_colours() -> NDArray[np.uint8]:
    """256 colours from faint to bright."""
    table = matplotlib.colormaps[GLOW_COLOURS](np.linspace(GLOW_START, 1, 256))
    return np.round(255 * table[:, :3]).astype(np.uint8)


def colour_bar_ticks(low: float, high: float) -> list[float]:
    """Round values from low to high, a few of them, both ends included."""
    decades = np.log10(high / low)
    steps = (1, 2, 5) if decades < 2.5 else (1, 3) if decades < 4 else (1,)
    first = int(np.floor(np.log10(low)))
    values = [s * 10.0**p for p in range(first, first + 12) for s in steps]
    # Not within a tenth of an end: the numbers would run into each other.
    apart = (high / low) ** 0.1
    inner = [v for v in values if apart * low < v < high / apart]
    return [low, *inner, high]


def glow_of_view(glow: Image, view: View, photo_size: tuple[int, int]) -> Image:
    """The glow of a part of the photo at the size of its picture.

    Args:
        glow: over the whole photo, at any resolution.
        view: the part.
        photo_size: columns and rows of the photo.
    Returns: (rows, cols) of the picture; not a number where nothing was measured.
    """
    # A frame leaves away what fills no block, so its pixels are whole numbers of photo px wide.
    step = [max(1, side // own) for side, own in zip(photo_size, glow.shape[::-1], strict=True)]
    cols, rows = view.picture_size
    x = ((view.left + (np.arange(cols) + 0.5) / view.scale) / step[0] - 0.5).astype(np.float32)
    y = ((view.top + (np.arange(rows) + 0.5) / view.scale) / step[1] - 0.5).astype(np.float32)
    map_x = np.ascontiguousarray(np.broadcast_to(x, (rows, cols)))
    map_y = np.ascontiguousarray(np.broadcast_to(y[:, None], (rows, cols)))
    width = max(1, round(1 / (view.scale * step[0])))  # frame px that a pixel of the picture covers

    def looked_at(source: Image) -> Image:
        smooth = cv2.blur(source, (width, width)) if width > 1 else source
        picture = cv2.remap(smooth, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(picture, np.float32)

    known = np.isfinite(glow)
    light = looked_at(np.where(known, glow, 0).astype(np.float32))
    share = looked_at(known.astype(np.float32))
    return np.where(share > 0.5, light / np.maximum(share, 1e-6), np.nan).astype(np.float32)


def ramp_css() -> str:
    """The colours from faint to bright as a CSS gradient."""
    colours = glow_colours()[np.linspace(0, 255, 9).astype(int)]
    return f"linear-gradient(90deg,{','.join('#' + bytes(colour).hex() for colour in colours)})"
