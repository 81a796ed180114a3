"""The surfaces of a drawn scene: polygons with textures and panel lines, and how they look.

Positions are x, y in pixels of the lights-on photo, an integer is the centre of a pixel. Room light
is multiplied by reflectance. Edges are drawn by the area that they cover in each pixel and textures
are smooth enough to be resampled, so that a shift by part of a pixel is just that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scene_camera import Image, blurred

Points = tuple[tuple[float, float], ...]
Shade = tuple[float, float, float, float]  # factors at top left, top right, bottom l, r
Matrix = NDArray[np.float64]
Window = tuple[slice, slice]  # rows and columns of a patch

SUB_ROWS = 8  # lines of sight in a pixel's height; across, the covered area is exact
GRAIN_SCALE = 2  # samples of fine grain per pixel: 1 leaves Lanczos errors of 0.01 px
MARGIN_PX = 96  # texture outside the photo, for what a moved camera sees
NOTHING: Window = (slice(0, 0), slice(0, 0))


@dataclass(frozen=True)
class Surface:
    """A flat piece of something, lit by the room. Later ones hide earlier ones."""

    name: str
    ring: Points
    colour: tuple[float, float, float]  # reflectance, linear
    plane: int = 1  # which of the camera's homographies moves it
    grain: float = 0.03  # relative amplitude of fine texture
    weather: float = 0.03  # of stains and streaks
    wood: float = 0.0  # of wood grain
    shade: Shade = (1, 1, 1, 1)
    lines: tuple[Points, ...] = ()  # panel lines
    line_px: float = 1.2  # their width
    line_factor: float = 0.55  # reflectance in a line / beside it
    model: bool = True  # part of the model, not of the room
    opacity: float = 1.0  # below 1 for a shadow or a reflection
    soft_px: float = 0.0  # blur of its edge
    multiply: bool = False  # colour multiplies what lies below: a shadow


def warped(points: NDArray[np.float64] | Points, homography: Matrix) -> NDArray[np.float64]:
    """Points (n, 2) moved by a homography (3, 3)."""
    xy = np.asarray(points, float)
    moved = np.column_stack([xy, np.ones(len(xy))]) @ homography.T
    return moved[:, :2] / moved[:, 2:]


def coverage(ring: NDArray[np.float64], shape: tuple[int, int]) -> tuple[Window, Image]:
    """Share of each pixel inside a simple polygon, on the rows and columns that it touches.

    Each of SUB_ROWS lines through a pixel row meets the polygon's edges at exact places; an edge
    that is passed upwards adds the area to its right, one passed downwards takes it away.
    """
    low = np.maximum(np.floor(ring.min(0) + 0.5).astype(int), 0)
    high = np.minimum(np.ceil(ring.max(0) + 0.5).astype(int), (shape[1], shape[0]))
    cols, rows = high - low
    if cols <= 0 or rows <= 0:
        return NOTHING, np.zeros((0, 0), np.float32)
    y = low[1] - 0.5 + (np.arange(rows * SUB_ROWS)[:, None] + 0.5) / SUB_ROWS
    a, b = ring, np.roll(ring, -1, axis=0)
    crossed = (a[:, 1] <= y) != (b[:, 1] <= y)
    line, edge = np.nonzero(crossed)
    share = (y[line, 0] - a[edge, 1]) / (b[edge, 1] - a[edge, 1])
    x = a[edge, 0] + share * (b[edge, 0] - a[edge, 0])
    place = np.clip(x - (low[0] - 0.5), 0, cols)
    cell = np.minimum(place.astype(int), cols)
    sign = np.where(b[edge, 1] > a[edge, 1], 1.0, -1.0) / SUB_ROWS
    start = line // SUB_ROWS * (cols + 2) + cell
    inside = place - cell
    change = np.bincount(start, sign * (1 - inside), rows * (cols + 2))
    change += np.bincount(start + 1, sign * inside, rows * (cols + 2))
    area = np.abs(np.cumsum(change.reshape(rows, cols + 2), axis=1))[:, :cols]
    window = slice(low[1], high[1]), slice(low[0], high[0])
    return window, np.minimum(area, 1).astype(np.float32)


def stroke(start: Sequence[float], end: Sequence[float], width_px: float) -> NDArray[np.float64]:
    """The rectangle that a line of some width covers, (4, 2)."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    along = (b - a) / np.hypot(*(b - a))
    side = np.array([-along[1], along[0]]) * width_px / 2
    return np.array([a - side, b - side, b + side, a + side])


def smooth_noise(
    rng: np.random.Generator, size: tuple[int, int], shrink: int, sigma: tuple[float, float]
) -> Image:
    """Noise of spread 1, (rows, cols) of `size`, drawn `shrink` times smaller and enlarged."""
    rows, cols = size
    raw = rng.standard_normal((-(-rows // shrink), -(-cols // shrink)), dtype=np.float32)
    smooth = cv2.GaussianBlur(raw, (0, 0), sigmaX=sigma[0], sigmaY=sigma[1])
    smooth *= 1 / smooth.std()
    if shrink == 1:
        return smooth
    return cv2.resize(smooth, (cols, rows), interpolation=cv2.INTER_CUBIC)


def texture_fields(shape: tuple[int, int], seed: int) -> dict[str, Image]:
    """Fields of about spread 1 for grain, weather and wood, with MARGIN_PX around.

    Fine grain has GRAIN_SCALE samples to a pixel, the others one.
    """
    rng = np.random.default_rng((seed, 1))
    rows, cols = shape[0] + 2 * MARGIN_PX, shape[1] + 2 * MARGIN_PX
    fine = rows * GRAIN_SCALE, cols * GRAIN_SCALE

    def field(shrink: int, *sigma: float) -> Image:
        return smooth_noise(rng, (rows, cols), shrink, (sigma[0], sigma[-1]))

    # Stains of about 5 and 30 px, streaks that run down, and wood of fine and coarse fibre.
    weather = 0.6 * field(2, 2.5) + 0.6 * field(4, 8) + 0.5 * field(2, 1.5, 16)
    wood = 0.7 * field(1, 60, 1.2) + 0.7 * field(2, 90, 3)
    grain = smooth_noise(rng, fine, 1, (1.2 * GRAIN_SCALE, 1.2 * GRAIN_SCALE))
    return {"grain": grain, "weather": weather, "wood": wood}


def seen(field: Image, pose: Matrix, window: Window, shape: tuple[int, int]) -> Image:
    """A texture field on a window of a photo of `shape`; `pose` is first place -> photo px."""
    step = (shape[0] + 2 * MARGIN_PX) / field.shape[0]
    first = np.array([[step, 0, -MARGIN_PX], [0, step, -MARGIN_PX], [0, 0, 1]])
    rows, cols = window
    to_window = np.array([[1, 0, -cols.start], [0, 1, -rows.start], [0, 0, 1]])
    return cv2.warpPerspective(
        field,
        to_window @ pose @ first,
        (cols.stop - cols.start, rows.stop - rows.start),
        flags=cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def on_places(window: Window, homography: Matrix) -> tuple[Image, Image]:
    """Where a view's pixels lie in the ON photo: x and y, broadcastable to the window."""
    y = np.arange(window[0].start, window[0].stop, dtype=np.float32)[:, None]
    x = np.arange(window[1].start, window[1].stop, dtype=np.float32)[None, :]
    if np.array_equal(homography, np.eye(3)):
        return x, y
    m = np.linalg.inv(homography).astype(np.float32)
    w = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    return (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / w, (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / w


def shading(ring: Points, shade: Shade, window: Window, homography: Matrix) -> Image | float:
    """The shade of a polygon's corners, bilinear over its bounding box in the ON photo."""
    if len(set(shade)) == 1:
        return shade[0]
    corners = np.asarray(ring, float)
    (x0, y0), (x1, y1) = corners.min(0), corners.max(0)
    x, y = on_places(window, homography)
    u, v = (x - x0) / (x1 - x0), (y - y0) / (y1 - y0)
    top_l, top_r, bottom_l, bottom_r = shade
    top = top_l + (top_r - top_l) * u
    return np.asarray(top + (bottom_l + (bottom_r - bottom_l) * u - top) * v, np.float32)


def softened(window: Window, cover: Image, soft_px: float, shape: tuple[int, int]) -> Image:
    """A coverage with a blurred edge, on the whole photo."""
    whole = np.zeros(shape, np.float32)
    whole[window] = cover
    return blurred(whole, soft_px)


def line_darkness(surface: Surface, homography: Matrix, shape: tuple[int, int]) -> Image:
    """Light that a surface's panel lines take away, share, on the whole photo."""
    dark = np.zeros(shape, np.float32)
    for line in surface.lines:
        for start, end in pairwise(line):
            ring = warped(stroke(start, end, surface.line_px), homography)
            window, cover = coverage(ring, shape)
            np.maximum(dark[window], cover, out=dark[window])
    dark *= 1 - surface.line_factor
    return dark


def paint(
    canvas: Image,
    surface: Surface,
    fields: dict[str, Image],
    *,
    homography: Matrix,
    pose: Matrix,
) -> tuple[Window, Image]:
    """One surface drawn over what the canvas of reflectances holds; returns what it covers.

    Args:
        canvas: (rows, cols, 3), reflectance; changed in place.
        fields: grain, weather and wood as `texture_fields` makes them.
        homography: (3, 3), ON photo px -> px of this view.
        pose: (3, 3), where the textures were first drawn -> ON photo px.
    """
    shape = canvas.shape[0], canvas.shape[1]
    window, cover = coverage(warped(surface.ring, homography), shape)
    if window == NOTHING:
        return window, cover
    if surface.soft_px:
        cover = softened(window, cover, surface.soft_px, shape)
        window = slice(0, shape[0]), slice(0, shape[1])
    relief = np.ones_like(cover)
    for name in ("grain", "weather", "wood"):
        if amplitude := getattr(surface, name):
            relief += amplitude * seen(fields[name], homography @ pose, window, shape)
    relief *= shading(surface.ring, surface.shade, window, homography)
    if surface.lines:
        relief *= 1 - line_darkness(surface, homography, shape)[window]
    value = np.maximum(relief, 0.05)[..., None] * np.array(surface.colour, np.float32)
    weight = (cover * np.float32(surface.opacity))[..., None]
    if surface.multiply:
        canvas[window] *= 1 - weight * (1 - value)
    else:
        canvas[window] += weight * (value - canvas[window])
    return window, cover
