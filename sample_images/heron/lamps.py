"""What shines: openings and leaks, where each is and how bright at each stage."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from heron.houses import LOUNGE, MAST, MASTHEAD_Z, SALOON, WHEELHOUSE
from heron.hull import bulwark, deck_z, hull_frame, out_of, t_at, transom_frame
from heron.mesh import (
    Frame,
    Mesh,
    Parts,
    Points,
    box,
    circle,
    grid,
    joined,
    moved,
    plate,
    rim,
    rounded_rectangle,
    tube,
    turn_to,
    turned,
)

Colour = tuple[float, float, float]

# Linear sRGB of what a phone balanced for the room's lamp shows of each kind of LED.
COLOURS: dict[str, Colour] = {
    "warm white": (1.0, 0.68, 0.32),
    "cool white": (0.82, 0.95, 1.12),
    "white": (1.0, 0.97, 0.92),
    "red": (1.0, 0.045, 0.03),
    "green": (0.04, 0.85, 0.28),
}
STAGES = ("coat-1", "coat-2", "coat-3")
COAT_DENSITY = 0.45  # of the blocking paint on the ship's inside, per coat
PIPE_DENSITY = 0.60  # of the black enamel on the light pipe, per coat
LIFT_MM = 0.04  # of thin pieces above the wall they lie on: no two surfaces in one place


@dataclass(frozen=True, eq=False)
class Pane:
    """One opening."""

    name: str
    kind: str  # window or beacon
    mesh: Mesh
    level: float  # brightness, 1 for an ordinary window
    colour: str
    shade: np.ndarray  # (rows, cols) brightness over the pane, about 1
    ring: Points | None  # its edge in space; None where the edge is that of a round body


@dataclass(frozen=True, eq=False)
class Leak:
    """One leak."""

    name: str
    kind: str
    mesh: Mesh
    colour: str
    peak: float  # brightest part after coat 1, of a window
    kept: tuple[float, float, float]  # share that is left after each coat
    shade: np.ndarray  # (rows, cols), 0 to 1
    material: str
    why: str


def coats(density: float) -> tuple[float, float, float]:
    """What is left of a light after coats 1, 2 and 3, of what was there after coat 1."""
    return 1.0, 10**-density, 10 ** (-2 * density)


# --- openings ---------------------------------------------------------------------------------


def pane_shade(seed: int, lamp: tuple[float, float] = (0.5, 1.25)) -> np.ndarray:
    """Light of an LED above on an opal pane: inverse square and slope, and what bounces."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(0, 1, 32), np.linspace(1, 0, 32))
    dx = x - lamp[0] - rng.uniform(-0.25, 0.25)
    dy = y - lamp[1]
    depth = 0.75
    direct = depth / (dx**2 + dy**2 + depth**2) ** 1.5
    shade = 0.38 + 0.62 * direct / direct.mean()
    return np.asarray(shade / np.median(shade))


def _window(
    name: str,
    frame: Frame,
    size: tuple[float, float],
    level: float,
    colour: str,
    seed: int,
    corner: float = 1.5,
) -> Pane:
    outline = rounded_rectangle(*size, corner)
    mesh = plate(frame, outline, LIFT_MM)
    return Pane(name, "window", mesh, level, colour, pane_shade(seed), frame.at(outline, LIFT_MM))


def _windows() -> list[Pane]:
    rng = np.random.default_rng(72)
    found = []

    def row(house, label: str, wall: str, places, z: float, size, colour: str) -> None:
        for k, where in enumerate(places):
            level = float(rng.normal(1.0, 0.07))
            name = f"{label}-{k + 1}"
            if name == "saloon-port-6":
                level = 0.42  # its LED is aimed away
            found.append(_window(name, house.wall(wall, where, z), size, level, colour, len(found)))

    for side in ("port", "starboard"):
        row(
            SALOON, f"saloon-{side}", side, -38 + 17.2 * np.arange(8), 69.0, (10.5, 9), "warm white"
        )
        row(LOUNGE, f"lounge-{side}", side, -37 + 14.0 * np.arange(6), 95.5, (8.6, 8), "warm white")
        row(WHEELHOUSE, f"wheelhouse-{side}", side, (-30.5, -17.5), 121.0, (10, 9), "cool white")
    row(SALOON, "saloon-front", "front", (-17, 0, 17), 69.0, (10.5, 9), "warm white")
    row(LOUNGE, "lounge-front", "front", (-15, 0, 15), 95.5, (9, 8), "warm white")
    row(
        WHEELHOUSE,
        "wheelhouse-front",
        "front",
        (-12.6, -4.2, 4.2, 12.6),
        121.0,
        (7.2, 9),
        "cool white",
    )
    row(SALOON, "saloon-aft", "aft", (-23.5, 3.5, 25), 69.0, (9, 9), "warm white")
    row(LOUNGE, "lounge-aft", "aft", (-15, 15), 95.5, (8.6, 8), "warm white")
    row(WHEELHOUSE, "wheelhouse-aft", "aft", (-10, 10), 121.0, (9, 8), "cool white")
    return found


def _portholes() -> list[Pane]:
    found = []
    rng = np.random.default_rng(24)
    for side in ("port", "starboard"):
        for k, x in enumerate((-30, 6, 22, 58, 74, 110)):
            frame = hull_frame(x, 44.0, port=side == "port")
            outline = circle(2.1, 28)
            mesh = plate(frame, outline, 0.12)
            level = float(rng.normal(0.9, 0.08))
            found.append(
                Pane(
                    f"porthole-{side}-{k + 1}",
                    "window",
                    mesh,
                    level,
                    "warm white",
                    pane_shade(100 + k),
                    frame.at(outline, 0.12),
                )
            )
    return found


SIDELIGHT = np.array([-26.0, -26.4, 113.0])  # of the port one; mirrored to starboard


def _beacons() -> list[Pane]:
    found = []
    even = np.ones((4, 4))
    dome = [(1.7 * np.cos(a), 1.5 * np.sin(a)) for a in np.linspace(0, np.pi / 2, 9)]
    for side, sign, colour in (("port", 1, "red"), ("starboard", -1, "green")):
        place = SIDELIGHT * [1, sign, 1]
        mesh = moved(turned(dome, 24), turn_to((0, -sign, 0)), place)
        found.append(Pane(f"{side}-sidelight", "beacon", mesh, 1.5, colour, even, None))
    lens = turned([(1.7, -3.1), (1.75, 0), (1.7, 3.1)], 28)
    found.append(
        Pane(
            "masthead-light",
            "beacon",
            moved(lens, np.eye(3), (MAST[0] - 1.3, 0, MASTHEAD_Z)),
            1.6,
            "white",
            even,
            None,
        )
    )
    frame = LOUNGE.wall("aft", 0.0, 104.2)
    mesh = moved(turned(dome, 24), turn_to((1, 0, 0)), frame.origin + [0.6, 0, 0])
    found.append(Pane("stern-light", "beacon", mesh, 1.4, "white", even, None))
    return found


def openings() -> tuple[Pane, ...]:
    """Every window and beacon of the ship."""
    return (*_windows(), *_portholes(), *_beacons())


def build_frames(parts: Parts) -> None:
    """What holds panes and lamps: gaskets, rims, screens, the starboard light pipe."""
    for pane in (*_windows(), *_portholes()):
        centre = pane.ring.mean(axis=0)
        along, up = pane.ring[1] - pane.ring[0], pane.ring[4] - pane.ring[0]
        out = np.cross(along, up)
        out /= np.linalg.norm(out)
        grown = centre + (pane.ring - centre) * 1.04 + 0.12 * out
        path = np.vstack([grown, grown[:2]])
        thick = 0.42 if "porthole" not in pane.name else 0.5
        parts.add("brass" if "porthole" in pane.name else "gasket", tube(path, thick, 8))
    for sign in (1, -1):
        x, y, z = SIDELIGHT * [1, sign, 1]
        inner = sorted((y + 0.3 * sign, y + 1.2 * sign))
        parts.add(
            "matt black",
            box((x - 8, inner[0], 108.6), (x + 6, inner[1], 118.0), 0.2),
            box(
                (x + 4.9, min(y - 2.2 * sign, inner[0]), 109.4),
                (x + 5.8, max(y - 2.2 * sign, inner[1]), 117.0),
                0.2,
            ),
            moved(
                turned([(1.95, -0.5), (1.95, 0.25), (1.6, 0.3)], 24),
                turn_to((0, -sign, 0)),
                (x, y, z),
            ),
        )
        if sign < 0:
            parts.add("matt black", tube(pipe_path() * [1, -1, 1], 0.85, 12))
    frame = LOUNGE.wall("aft", 0.0, 104.2)
    parts.add(
        "black",
        moved(turned([(2.0, 0), (2.0, 0.7), (1.7, 0.7)], 24), turn_to((1, 0, 0)), frame.origin),
    )
    hole = transom_frame(*HOLE)
    parts.add("navy", rim(hole, circle(HOLE_MM + 0.25, 28), 0.35))


def pipe_path() -> Points:
    """The light pipe that feeds the port sidelight: from behind its screen down into the roof."""
    x, y, z = SIDELIGHT
    bend = [(x + 5.9 + d, y + 0.4, z - 0.4) for d in (0, 2, 4, 5.5)]
    turn = [
        (x + 11.4 + 2 * np.sin(a), y + 0.4, z - 2.4 + 2 * np.cos(a))
        for a in np.deg2rad((25, 50, 75, 90))
    ]
    return np.array([*bend, *turn, (x + 13.4, y + 0.4, 108.5)])


# --- leaks ------------------------------------------------------------------------------------

HOLE = (9.5, 36.5)  # y and z on the transom: the exhaust outlet
HOLE_MM = 1.7


def _beads(seed: int, length_mm: float, pitch_mm: float) -> np.ndarray:
    """Light along a joint: beads of uneven size and strength where the parts do not touch."""
    rng = np.random.default_rng(seed)
    w = np.linspace(0, length_mm, int(20 * length_mm))
    light = np.zeros_like(w)
    at = 0.4 * pitch_mm
    while at < length_mm - 0.3 * pitch_mm:
        light += rng.uniform(0.3, 1.0) * np.exp(-0.5 * ((w - at) / rng.uniform(0.35, 1.1)) ** 4)
        at += pitch_mm * rng.uniform(0.55, 1.5)
    light = np.maximum(light, 0.06 * cv2.GaussianBlur(rng.random((1, len(w))), (0, 0), 15)[0])
    ends = np.minimum(1, np.minimum(w, length_mm - w) / 1.5)
    return np.repeat((light / light.max() * ends)[None], 4, axis=0)


def _strip(
    surface: Callable,
    t0: float,
    t1: float,
    r0: float,
    r1: float,
    *,
    port: bool,
    lift: float,
    n: int = 160,
    m: int = 3,
) -> Mesh:
    """A piece of the ship's skin; texture coordinates run 0 to 1 over it."""
    t, r = np.meshgrid(np.linspace(t0, t1, n), np.linspace(r0, r1, m))
    points = out_of(surface, t, r, port=port, lift=lift)
    v, u = np.meshgrid(np.linspace(0, 1, m), np.linspace(0, 1, n), indexing="ij")
    if not port:
        points, u = points[:, ::-1], u[:, ::-1]
    return grid(points, np.stack([u, v], -1))


def seam_mesh(x0: float, x1: float, *, port: bool) -> Mesh:
    """The gap between hull and bulwark."""
    height = 3.0
    return _strip(bulwark, t_at(x0), t_at(x1), 0.0, 0.42 / height, port=port, lift=0.06)


def glow_shade(seed: int) -> np.ndarray:
    """A thin wall before two LEDs: broad, soft, thinner in places."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.linspace(0, 1, 256), np.linspace(1, 0, 48))
    light = np.exp(-0.5 * (((x - 0.42) / 0.19) ** 2 + ((y - 0.35) / 0.42) ** 2))
    light += 0.6 * np.exp(-0.5 * (((x - 0.74) / 0.11) ** 2 + ((y - 0.4) / 0.40) ** 2))
    light *= 1 + 0.5 * cv2.GaussianBlur(rng.standard_normal(x.shape), (0, 0), 9) * 3
    edge = np.clip(np.minimum(x, 1 - x) / 0.12, 0, 1)
    light = np.clip(light * edge * edge * (3 - 2 * edge), 0, None)
    return np.asarray(light / light.max())


def leaks() -> tuple[Leak, ...]:
    """Every leak of the ship, on whichever side."""
    flat = np.ones((4, 4))
    fading = coats(COAT_DENSITY)
    closed = (fading[0], fading[1], 0.0)

    def pinhole(name: str, frame: Frame, radius: float, peak: float, kept, why: str) -> Leak:
        mesh = plate(frame, circle(radius, 14), 0.09)
        return Leak(name, "pinhole", mesh, "warm white", peak, kept, flat, "dark", why)

    core = np.zeros((64, 64))
    x, y = np.meshgrid(np.linspace(-1, 1, 64), np.linspace(1, -1, 64))
    core += 0.32 + 0.68 * np.exp(-((((x + 0.25) ** 2 + (y - 0.2) ** 2) / 0.16) ** 2))
    pipe = tube(pipe_path(), 0.85, 14)
    along = np.linspace(0, 1, 64)
    pipe_shade = np.repeat(np.exp(-2.2 * along)[:, None], 4, axis=1)[::-1]
    z_edge = float(deck_z(np.array(1.0)))
    stern = transom_frame(-18.0, z_edge + 0.15)
    stern_strip = rounded_rectangle(26.0, 0.42, 0.05, 2)
    return (
        Leak(
            "seam-port",
            "seam leak",
            seam_mesh(-22, 34, port=True),
            "warm white",
            0.50,
            closed,
            _beads(3, 56, 3.4),
            "dark",
            "joint of hull and bulwark; pressed shut before coat 3",
        ),
        Leak(
            "seam-starboard",
            "seam leak",
            seam_mesh(48, 104, port=False),
            "warm white",
            0.50,
            fading,
            _beads(5, 56, 3.8),
            "dark",
            "joint of hull and bulwark; paint alone",
        ),
        Leak(
            "seam-stern",
            "seam leak",
            plate(stern, stern_strip, 0.08),
            "warm white",
            0.42,
            closed,
            _beads(8, 26, 3.0),
            "dark",
            "joint of transom and bulwark; pressed shut before coat 3",
        ),
        Leak(
            "bulwark-port",
            "show-through",
            _bulwark_patch(-118, -58, port=True),
            "warm white",
            0.24,
            fading,
            glow_shade(1),
            "bulwark port patch",
            "thin wall; paint alone",
        ),
        Leak(
            "bulwark-starboard",
            "show-through",
            _bulwark_patch(-110, -64, port=False),
            "warm white",
            0.20,
            fading,
            glow_shade(2),
            "bulwark starboard patch",
            "thin wall; paint alone",
        ),
        pinhole(
            "pinhole-hull",
            hull_frame(-52, 48.5, port=True),
            0.30,
            0.75,
            (1.0, 1.0, 0.0),
            "paint does not bridge it; dabbed before coat 3",
        ),
        pinhole(
            "pinhole-saloon",
            SALOON.wall("port", 91.0, 76.0),
            0.30,
            0.95,
            (1.0, 0.0, 0.0),
            "dabbed before coat 2",
        ),
        Leak(
            "light-pipe",
            "side glow",
            pipe,
            "red",
            0.90,
            coats(PIPE_DENSITY),
            pipe_shade,
            "clear",
            "bare side of the port sidelight's pipe; black enamel with each coat",
        ),
        Leak(
            "hole-stern",
            "open hole",
            plate(transom_frame(*HOLE), circle(HOLE_MM, 28), 0.05),
            "warm white",
            1.6,
            (1.0, 1.0, 0.0),
            core,
            "dark",
            "exhaust outlet under the stern without its insert; foil tape before coat 3",
        ),
    )


def _bulwark_patch(x0: float, x1: float, *, port: bool) -> Mesh:
    return _strip(bulwark, t_at(x0), t_at(x1), 0.02, 0.98, port=port, lift=LIFT_MM, m=9)


def patch_span(x0: float, x1: float) -> tuple[float, float]:
    """Where a bulwark patch lies in the bulwark's texture, as shares of its length."""
    return t_at(x0), t_at(x1)


def lamp_mesh(meshes: list[Mesh]) -> Mesh:
    """Several shining pieces as one, so that one sampling of light serves all."""
    return joined(meshes)
