"""A drawn harbour ferry on a bench, seen from its side, with leaks at free places.

Everything is laid out in lengths of the ship, so that the photo may have any size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scene_camera import LUMINANCE, Lens, Sensor
from scene_draw import Points, Surface
from scene_lamps import Leak, Opening, Spill
from scene_render import Scene, camera_move

Place = tuple[float, float]

LEAK_KINDS = ("pinhole", "seam leak", "show-through", "side glow", "open hole")
HULL = (0.20, 0.24, 0.30)  # reflectance
CREAM = (0.52, 0.49, 0.42)
MIX = (0.25, 0.25, 0.25, 0.15, 0.1)  # how often each kind comes in a mixed scene
STRONGEST_LEVEL = 0.6  # no leak outshines the windows
# Free distance round a leak's middle, in lengths of the ship.
CLEARANCE = {"pinhole": 0.012, "seam leak": 0.08, "show-through": 0.012, "open hole": 0.012}
# What a leak of a wall shows on: its neighbours belong to other walls.
SHOWN = {"hull": ("hull", "deck"), "saloon": ("saloon",), "upper house": ("upper house",)}
SIDELIGHT = (0.7, 0.185)  # u, v
BEACON = 0.0052  # radius of a beacon, lengths


def box(x0: float, y0: float, x1: float, y1: float) -> Points:
    """A rectangle's corners."""
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


def disc(x: float, y: float, radius: float, corners: int = 24) -> Points:
    """A circle as a polygon of the same area."""
    a = 2 * np.pi * np.arange(corners) / corners
    r = radius * np.sqrt(2 * np.pi / corners / np.sin(2 * np.pi / corners))
    return tuple(
        (float(x + r * c), float(y + r * s)) for c, s in zip(np.cos(a), np.sin(a), strict=True)
    )


class Ferry:
    """Places on the ferry: u along it from stern to bow, v upwards, both in lengths."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.size = size
        self.length = 0.82 * size[0]
        self.left = 0.085 * size[0]
        self.water = 0.79 * size[1]

    def at(self, *uv: tuple[float, float]) -> Points:
        """Places as x, y in px."""
        return tuple((self.left + u * self.length, self.water - v * self.length) for u, v in uv)

    def box(self, u0: float, v0: float, u1: float, v1: float) -> Points:
        """A rectangle on it, in px."""
        return self.at((u0, v1), (u1, v1), (u1, v0), (u0, v0))

    def room(self) -> tuple[Surface, ...]:
        """Wall, bench, what stands on it, and the ship's shadow, from back to front."""
        cols, rows = self.size
        edge = 0.7 * rows
        wall = box(-99, -99, cols + 99, edge + 9)
        bench = box(-99, edge, cols + 99, rows + 99)
        card = self.at((0.02, 0.09), (0.09, 0.1), (0.1, 0.26), (0.03, 0.27))
        shadow, dark = self.box(-0.02, -0.03, 0.97, 0.01), (0.25, 0.25, 0.25)
        things = (
            Surface("wall", wall, (0.3, 0.32, 0.36)),
            Surface("bench", bench, (0.3, 0.17, 0.09), wood=0.12),
            Surface("jar", self.box(0.9, 0.05, 0.97, 0.2), (0.5, 0.33, 0.05)),
            Surface("lid", self.box(0.895, 0.19, 0.975, 0.215), (0.1, 0.2, 0.12)),
            Surface("card", card, (0.6, 0.6, 0.55)),
            Surface("shadow", shadow, dark, multiply=True, soft_px=9),
        )
        return tuple(replace(thing, model=False, plane=0) for thing in things)

    def ship(self) -> tuple[Surface, ...]:
        """Hull and houses, from back to front."""
        sheer = ((0.0, 0.085), (0.45, 0.082), (0.85, 0.097), (1.0, 0.127))
        hull = self.at(*sheer, (0.955, 0.0), (0.0, 0.0))
        boot = self.at((0, 0.02), (0.961, 0.02), (0.955, 0), (0, 0))
        deck = self.at((0.02, 0.096), (0.84, 0.1), *sheer[2:0:-1], sheer[0])
        funnel = self.at((0.36, 0.2), (0.45, 0.2), (0.43, 0.3), (0.35, 0.3))
        saloon = self.at((0.1, 0.094), (0.1, 0.157), (0.76, 0.157), (0.79, 0.097))
        wheelhouse = self.at((0.56, 0.212), (0.57, 0.262), (0.69, 0.262), (0.675, 0.212))
        frames = tuple(self.at((u, 0.022), (u, 0.08)) for u in np.arange(0.06, 0.94, 0.055))
        strake = self.at((0.0, 0.052), (0.972, 0.052))
        panels = tuple(self.at((u, 0.095), (u, 0.155)) for u in (0.2, 0.345, 0.49, 0.635))
        lit_from_above = (0.95, 1.1, 0.8, 0.95)
        return (
            Surface("hull", hull, HULL, shade=lit_from_above, lines=(*frames, strake)),
            Surface("boot top", boot, (0.22, 0.05, 0.04)),
            Surface("deck", deck, (0.28, 0.16, 0.12), 2),
            Surface("funnel", funnel, (0.35, 0.08, 0.05), 2),
            Surface("mast", self.box(0.548, 0.2, 0.553, 0.35), (0.4, 0.4, 0.4), 2),
            Surface("saloon", saloon, CREAM, 2, lines=panels),
            Surface("upper house", self.box(0.28, 0.157, 0.73, 0.213), CREAM, 2),
            Surface("wheelhouse", wheelhouse, CREAM, 2),
        )

    def openings(self, rng: np.random.Generator) -> tuple[Opening, ...]:
        """Saloon windows, portholes, wheelhouse windows, a sidelight and a masthead light."""
        warm = [(self.box(u, 0.112, u + 0.032, 0.14), 2) for u in np.linspace(0.13, 0.7, 12)]
        warm += [(self.box(u, 0.172, u + 0.026, 0.197), 2) for u in np.linspace(0.31, 0.64, 7)]
        portholes = self.at(*((u, 0.066) for u in np.linspace(0.12, 0.8, 9)))
        warm += [(disc(*xy, 0.0075 * self.length), 1) for xy in portholes]
        cool = [(self.box(u, 0.227, u + 0.024, 0.25), 2) for u in (0.585, 0.617, 0.649)]
        found: list[Opening] = []
        for colour, rings in (("warm white", warm), ("cool white", cool)):
            for ring, plane in rings:
                name, level = f"w{len(found) + 1:02d}", float(np.exp(rng.normal(0, 0.2)))
                found.append(Opening(name, "window", ring, level, colour, plane))
        for name, uv, colour in (("b1", SIDELIGHT, "red"), ("b2", (0.5505, 0.345), "cool white")):
            ring = disc(*self.at(uv)[0], BEACON * self.length)
            found.append(Opening(name, "beacon", ring, 1.0, colour, 2))
        return tuple(found)

    def spills(self) -> tuple[Spill, ...]:
        """Deck before the saloon windows, roof below the upper ones, mirror images on the bench."""
        size = (0.02 * self.length, 0.012 * self.length)
        on_deck = [
            Spill("lobe", self.at((u + 0.016, 0.1)), 0.1, size_px=size, surfaces=("deck", "hull"))
            for u in np.linspace(0.13, 0.7, 12)
        ]
        mirrored = [
            Spill("mirror", self.box(u, -0.14, u + 0.032, -0.112), 0.03, size_px=(4, 4))
            for u in np.linspace(0.13, 0.7, 12)
        ]
        return (*on_deck, *mirrored)


def free_place(
    ferry: Ferry, kind: str, taken: list[tuple[Place, float]], rng: np.random.Generator
) -> tuple[Place, str]:
    """A place for a leak that keeps clear of openings and other leaks, and the surface there."""
    if kind == "side glow":
        return ferry.at(SIDELIGHT)[0], "upper house"
    clear = CLEARANCE[kind] * ferry.length
    for _ in range(500):
        surface, u, v = "hull", rng.uniform(0.06, 0.88), rng.uniform(0.03, 0.05)
        if kind == "seam leak":
            v = 0.0835  # the joint of hull and deck
        elif kind == "pinhole" and rng.random() < 0.3:
            surface, u, v = "saloon", rng.uniform(0.12, 0.7), rng.uniform(0.147, 0.152)
        x, y = ferry.at((u, v))[0]
        if all(np.hypot(x - p[0], y - p[1]) > clear + radius for p, radius in taken):
            break
    return (float(x), float(y)), surface


def ferry_leaks(
    ferry: Ferry,
    openings: tuple[Opening, ...],
    kinds: Sequence[str],
    rng: np.random.Generator,
    *,
    ambient: float,
    contrast: tuple[float, float],
) -> tuple[Leak, ...]:
    """Leaks of the given kinds at free places, peak contrast before the lens log-uniform."""
    glass = [(tuple(np.mean(o.ring, axis=0)), 0.01 * ferry.length) for o in openings]
    hull = np.array(HULL) @ LUMINANCE
    placed: list[tuple[Place, float]] = []
    leaks = []
    for number, kind in enumerate(kinds, 1):
        # A seam runs above the portholes: only other leaks are in its way.
        taken = placed if kind == "seam leak" else glass + placed
        xy, surface = free_place(ferry, kind, taken, rng)
        placed.append((xy, CLEARANCE.get(kind, 0.02) * ferry.length))
        reflectance = np.array(HULL if surface == "hull" else CREAM) @ LUMINANCE
        peak = float(np.exp(rng.uniform(*np.log(contrast))) * reflectance / (ambient * hull))
        leaks.append(replace(leak_of(kind, number, xy, peak, ferry, rng), surfaces=SHOWN[surface]))
    return tuple(leaks)


def leak_of(
    kind: str, number: int, xy: Place, level: float, ferry: Ferry, rng: np.random.Generator
) -> Leak:
    """A leak of one kind with a size, a turn and beads drawn by chance."""
    k = ferry.length / 1000
    top = min(level, STRONGEST_LEVEL)
    if kind == "pinhole":  # the lens spreads it: stronger at its source for the same show
        spread = float(rng.uniform(0.5, 0.9))
        return Leak(number, kind, (xy,), min(5 * level, STRONGEST_LEVEL), size_px=(spread, spread))
    if kind == "seam leak":
        half, bend = rng.uniform(30, 75) * k, rng.uniform(-3, 3) * k
        line = ((xy[0] - half, xy[1]), (xy[0], xy[1] + bend), (xy[0] + half, xy[1] + bend))
        width, bead = float(rng.uniform(0.7, 1.2)), float(rng.choice([0, rng.uniform(9, 14)]))
        return Leak(number, kind, line, top, size_px=(width, width), bead_px=bead)
    if kind == "show-through":
        size = (float(rng.uniform(16, 40) * k), float(rng.uniform(9, 15) * k))
        return Leak(number, kind, (xy,), top, size_px=size, angle_deg=float(rng.uniform(-8, 8)))
    if kind == "side glow":
        turn = float(rng.choice([0.0, 180.0]) + rng.uniform(-25, 25))
        return Leak(number, kind, (xy,), top, "red", (BEACON * ferry.length, 5 * k), turn)
    return Leak(number, kind, disc(*xy, float(rng.uniform(3.5, 5.5) * k)), STRONGEST_LEVEL)


def usual_hull_light(ambient: float) -> float:
    """Linear light of the room-lit hull as a camera would choose it: darker in a dark room."""
    return 0.2 if ambient <= 8 else 0.12 if ambient <= 60 else 0.08


def ferry_scene(
    seed: int = 0,
    *,
    ambient: float = 8.0,
    camera: str = "tripod",
    leaks: str | Sequence[str] = "mixed",
    contrast: tuple[float, float] = (0.1, 1.5),
    exposure_ratio: float = 1.0,
    size: tuple[int, int] = (1280, 900),
    quality: int | None = 92,
    lens: Lens | None = None,
) -> Scene:
    """A ferry on a bench before a wall, side on, with up to 31 windows and two beacons.

    Args:
        ambient: radiance of the median window / of the room-lit hull; 0.5 bright, 200 near dark.
        camera: tripod, nudge or handheld (with parallax).
        leaks: kinds of leaks, in order of their ids; mixed for 3 to 6 of them; none.
        contrast: range of peak added / room-lit luminance before the lens.
        exposure_ratio: lights-on / lights-off; other than 1 the white balance changes too.
        lens: one drawn by the seed where not given.
    """
    rng = np.random.default_rng((seed, 4))
    ferry = Ferry(size)
    openings = ferry.openings(rng)
    if leaks == "none":
        leaks = ()
    elif leaks == "mixed":
        drawn = [str(k) for k in rng.choice(LEAK_KINDS, rng.integers(3, 7), p=MIX)]
        glows = [k for k, kind in enumerate(drawn) if kind == "side glow"]
        leaks = [kind for k, kind in enumerate(drawn) if k not in glows[1:]]  # one sidelight
    if lens is None:
        lens = Lens(
            blur_px=float(rng.uniform(0.5, 0.8)),
            flare=float(rng.uniform(0.003, 0.02)),
            bloom=float(rng.choice([0, rng.uniform(0.01, 0.04)])),
            vignette=float(rng.uniform(0.05, 0.25)),
        )
    slope = 2.5e-5 if ambient <= 2 else 6e-5 if ambient <= 30 else 1.2e-4
    sensor = Sensor(slope, tone=float(rng.uniform(0, 0.3)), sharpen=0.3, quality=quality)
    auto = exposure_ratio != 1
    r, g, b = (float(v) for v in rng.uniform(0.95, 1.05, 3)) if auto else (1.0, 1.0, 1.0)
    return Scene(
        size,
        ferry.room() + ferry.ship(),
        openings,
        ferry_leaks(ferry, openings, leaks, rng, ambient=ambient, contrast=contrast),
        ferry.spills(),
        seed=seed,
        ambient=ambient,
        hull_reflectance=float(np.array(HULL) @ LUMINANCE),
        hull_light=usual_hull_light(ambient),
        exposure_ratio=exposure_ratio,
        room_gain=float(rng.uniform(0.985, 1.015)),
        drift=(float(rng.uniform(-0.01, 0.01)), 0.0),
        balance_on=(r, g, b),
        lens=lens,
        sensor_off=sensor,
        sensor_on=sensor,
        camera=camera_move(camera, size=size, seed=seed),
    )
