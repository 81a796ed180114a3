"""Light that lamps add to a drawn scene: openings, leaks of every kind, and spill.

Radiance is in units of the median window. Colours have luminance 1, so a level is a luminance.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scene_camera import LUMINANCE, Image, blurred
from scene_draw import NOTHING, Points, Shade, Surface, Window, coverage, shading

FINE = 3  # samples across a pixel where the shape of a leak is drawn
LOBE_REACH = 10.0  # a lobe of spill is drawn to this many times its size: 1e-3 of its peak
CUT = 4.5  # a bell curve is drawn to this many standard deviations: 4e-5 of its peak

# Linear sRGB; `lamp_rgb` scales them to luminance 1.
LAMPS = {
    "warm white": (1.45, 0.93, 0.47),
    "cool white": (0.88, 1.0, 1.28),
    "red": (1.0, 0.045, 0.03),
    "green": (0.03, 1.0, 0.28),
    "amber": (1.0, 0.42, 0.02),
}


@dataclass(frozen=True)
class Opening:
    """A window or a beacon."""

    id: str
    kind: str  # window or beacon
    ring: Points
    level: float  # radiance / median window
    colour: str = "warm white"
    plane: int = 1  # which of the camera's homographies moves it
    glass: tuple[float, float, float] = (0.05, 0.055, 0.06)  # reflectance of the dark insert
    shade: Shade = (1, 1, 1, 1)  # of its light


@dataclass(frozen=True)
class Leak:
    """Light that leaves the model elsewhere. `kind` is leakcheck's own word."""

    id: int
    kind: str
    points: Points  # seam leak: a polyline; open hole: its outline; else one point
    level: float  # peak radiance / median window, before the lens
    colour: str = "warm white"
    # In px, spreads are standard deviations. pinhole: spread (first only); seam leak: spread
    # across (first only); show-through: spread along x and y; side glow: radius of the beacon
    # and reach beyond it.
    size_px: tuple[float, float] = (0.5, 0.5)
    angle_deg: float = 0.0  # show-through: turn; side glow: where it points, 90 is down
    bead_px: float = 0.0  # seam leak: distance of its beads, 0 where it is unbroken
    surfaces: tuple[str, ...] = ()  # names of what it shows on; all where none is given


@dataclass(frozen=True)
class Spill:
    """Light from openings on another surface: a lobe on the surface, or a mirror image."""

    kind: str  # lobe or mirror
    points: Points  # lobe: where it starts; mirror: its outline
    level: float  # lobe: radiance on a white surface; mirror: radiance
    colour: str = "warm white"
    size_px: tuple[float, float] = (20, 30)  # lobe: reach across and along; mirror: blur (first)
    angle_deg: float = 90.0  # lobe: where it points, 90 is down
    surfaces: tuple[str, ...] = ("bench",)  # names of what it shows on


def lamp_rgb(colour: str) -> Image:
    """Linear sRGB of a lamp of luminance 1."""
    rgb = np.array(LAMPS[colour], np.float32)
    return np.asarray(rgb / (rgb @ LUMINANCE))


def glass(opening: Opening) -> Surface:
    """What an opening looks like by room light."""
    return Surface(opening.id, opening.ring, opening.glass, opening.plane, grain=0.02, weather=0.02)


def opening_light(opening: Opening, shape: tuple[int, int]) -> tuple[Window, Image]:
    """Luminance of a lit opening on the rows and columns that it touches."""
    window, cover = coverage(np.asarray(opening.ring, float), shape)
    if window == NOTHING:
        return window, cover
    shade = shading(opening.ring, opening.shade, window, np.eye(3))
    return window, cover * np.float32(opening.level) * shade


def along_line(x: Image, y: Image, points: Points) -> tuple[Image, Image]:
    """Distance to a polyline and the length along it at the nearest point, px."""
    nearest = np.full(np.broadcast_shapes(x.shape, y.shape), np.inf, np.float32)
    length = np.zeros_like(nearest)
    before = 0.0
    for a, b in zip(np.asarray(points[:-1]), np.asarray(points[1:]), strict=True):
        full = float(np.hypot(*(b - a)))
        ux, uy = (b - a) / full
        t = np.clip((x - a[0]) * ux + (y - a[1]) * uy, 0, full)
        d = np.hypot(x - a[0] - t * ux, y - a[1] - t * uy)
        closer = d < nearest
        nearest[closer] = d[closer]
        length[closer] = (before + t)[closer]
        before += full
    return nearest, length


def beads(length: Image, period_px: float) -> Image:
    """A seam's brightness along it: drops of light with dark between, every second one weaker."""
    wave = np.clip((np.cos(2 * np.pi * length / period_px) + 0.25) / 1.25, 0, 1)
    return np.asarray(wave * (1 - 0.35 * (np.round(length / period_px) % 2)))


def leak_shape(leak: Leak, x: Image, y: Image) -> Image:
    """Radiance / peak radiance of a leak at places x and y; open holes are drawn by coverage."""
    dx, dy = x - leak.points[0][0], y - leak.points[0][1]
    turn = np.deg2rad(leak.angle_deg)
    along = dx * np.cos(turn) + dy * np.sin(turn)
    across = -dx * np.sin(turn) + dy * np.cos(turn)
    first, second = leak.size_px
    if leak.kind == "pinhole":
        return np.asarray(np.exp(-0.5 * (dx**2 + dy**2) / first**2))
    if leak.kind == "show-through":
        return np.asarray(np.exp(-0.5 * ((along / first) ** 2 + (across / second) ** 2)))
    if leak.kind == "seam leak":
        distance, length = along_line(x, y, leak.points)
        profile = np.exp(-0.5 * (distance / first) ** 2)
        return np.asarray(profile * beads(length, leak.bead_px) if leak.bead_px else profile)
    if leak.kind == "side glow":
        radius = np.hypot(dx, dy)
        facing = np.maximum(along / np.maximum(radius, 1e-3), 0)
        outside = np.clip(radius - first + 0.5, 0, 1)
        return np.asarray(facing * outside * np.exp(-np.maximum(radius - first, 0) / second))
    raise ValueError(f"a drawn scene knows no leak of kind {leak.kind!r}")


def leak_reach_px(leak: Leak) -> float:
    """How far from its points a leak is drawn."""
    first, second = leak.size_px
    if leak.kind == "side glow":
        return first + 9 * second  # exp(-9) is 1e-4
    return CUT * (max(first, second) if leak.kind == "show-through" else first)


def leak_light(leak: Leak, shape: tuple[int, int], *, pad_px: int) -> tuple[Window, Image]:
    """Luminance of one leak before the lens, with room around it for the lens to blur into."""
    points = np.asarray(leak.points, float)
    reach = (0 if leak.kind == "open hole" else leak_reach_px(leak)) + pad_px
    low = np.maximum(np.floor(points.min(0) - reach).astype(int), 0)
    high = np.minimum(np.ceil(points.max(0) + reach).astype(int) + 1, (shape[1], shape[0]))
    cols, rows = high - low
    if cols <= 0 or rows <= 0:
        return NOTHING, np.zeros((0, 0), np.float32)
    if leak.kind == "open hole":
        inner, cover = coverage(points - low, (rows, cols))
        light = np.zeros((rows, cols), np.float32)
        light[inner] = cover
    else:
        x = (low[0] - 0.5 + (np.arange(cols * FINE) + 0.5) / FINE).astype(np.float32)[None, :]
        y = (low[1] - 0.5 + (np.arange(rows * FINE) + 0.5) / FINE).astype(np.float32)[:, None]
        fine = leak_shape(leak, x, y).astype(np.float32)
        light = cv2.resize(fine, (int(cols), int(rows)), interpolation=cv2.INTER_AREA)
    window = slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))
    return window, light * np.float32(leak.level)


def visible(names: tuple[str, ...], surfaces: tuple[Surface, ...], shape: tuple[int, int]) -> Image:
    """Share of each pixel where one of the named surfaces is what one sees."""
    seen = np.zeros(shape, np.float32)
    for surface in surfaces:
        if surface.multiply:
            continue
        window, cover = coverage(np.asarray(surface.ring, float), shape)
        if surface.name in names:
            np.maximum(seen[window], cover, out=seen[window])
        else:
            seen[window] *= 1 - cover * np.float32(surface.opacity)
    return seen


def lobe(spill: Spill, shape: tuple[int, int]) -> tuple[Window, Image]:
    """Light beside an opening: falls away as the light of a small source does, 1 at its start."""
    x0, y0 = spill.points[0]
    across_px, along_px = spill.size_px
    reach = LOBE_REACH * max(spill.size_px)
    rows = slice(max(int(y0 - reach), 0), min(int(y0 + reach), shape[0]))
    cols = slice(max(int(x0 - reach), 0), min(int(x0 + reach), shape[1]))
    x = np.arange(cols.start, cols.stop, dtype=np.float32)[None, :] - np.float32(x0)
    y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - np.float32(y0)
    turn = np.deg2rad(spill.angle_deg)
    along = (x * np.cos(turn) + y * np.sin(turn)) / along_px
    across = (-x * np.sin(turn) + y * np.cos(turn)) / across_px
    falling = (1 + along**2 + across**2) ** -1.5 - (1 + LOBE_REACH**2) ** -1.5
    light = np.clip(along * 8 + 0.5, 0, 1) * np.maximum(falling, 0)
    return (rows, cols), light.astype(np.float32)


def spill_light(
    spills: tuple[Spill, ...], surfaces: tuple[Surface, ...], reflectance: Image
) -> Image:
    """Light of all spills, (rows, cols, 3), in the lights-on photo before the lens.

    What the surface swallows of a lobe is missing from it: texture, stains and the edges of the
    surface stay visible in it.
    """
    shape = reflectance.shape[0], reflectance.shape[1]
    light = np.zeros((*shape, 3), np.float32)
    groups: dict[tuple[object, ...], list[Spill]] = {}
    for spill in spills:
        blur = spill.size_px[0] if spill.kind == "mirror" else None
        groups.setdefault((spill.kind, spill.colour, spill.surfaces, blur), []).append(spill)
    for members in groups.values():
        first = members[0]
        total = np.zeros(shape, np.float32)
        for spill in members:
            is_lobe = spill.kind == "lobe"
            ring = np.asarray(spill.points, float)
            window, part = lobe(spill, shape) if is_lobe else coverage(ring, shape)
            total[window] += part * np.float32(spill.level)
        if first.kind == "mirror":
            total = blurred(total, first.size_px[0])
        total *= visible(first.surfaces, surfaces, shape)
        part = total[..., None] * lamp_rgb(first.colour)
        light += part * reflectance if first.kind == "lobe" else part
    return light
