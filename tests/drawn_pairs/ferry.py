"""The harbour ferry "Heron", 1:72, as polygons in space: what the sample photos show.

Millimetres. x runs from bow (negative) to stern, y away from the camera (the port side is at
negative y), z up from the bench. The ship and all about her are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Space = NDArray[np.float64]  # (n, 3), mm
Colour = tuple[float, float, float]

LAMP_TOWARDS = np.array([-0.12, -0.62, 0.78])  # the room's lamp: before the ship, above
AMBIENT_SHARE = 0.45  # light that comes from everywhere

NAVY: Colour = (0.045, 0.075, 0.13)
RED: Colour = (0.20, 0.035, 0.03)
CREAM: Colour = (0.46, 0.43, 0.36)
WHITE: Colour = (0.62, 0.62, 0.60)
DECK: Colour = (0.16, 0.10, 0.075)
GREY: Colour = (0.20, 0.21, 0.22)
BLACK: Colour = (0.02, 0.02, 0.022)
BUFF: Colour = (0.50, 0.30, 0.09)
MAT: Colour = (0.03, 0.10, 0.075)
WOOD: Colour = (0.34, 0.20, 0.105)


@dataclass(frozen=True, eq=False)
class Facet:
    """A flat piece of the scene."""

    name: str
    corners: Space
    colour: Colour
    grain: float = 0.03
    weather: float = 0.05
    wood: float = 0.0
    lines: tuple[Space, ...] = ()
    line_mm: float = 0.35
    line_factor: float = 0.6
    model: bool = True
    shadow_mm: float = 0.0  # above 0: a shadow with an edge this soft, colour multiplies
    fall: tuple[float, float] = (1.0, 1.0)  # light at the top and the bottom of it
    lit: bool = True  # shaded by its slope; a shadow is not


@dataclass(frozen=True, eq=False)
class Pane:
    """A window or beacon on a facet."""

    name: str
    kind: str
    corners: Space
    level: float
    colour: str
    on: str  # the facet it lies in


@dataclass(frozen=True, eq=False)
class Heron:
    """All facets, back to front, and the openings in them."""

    facets: tuple[Facet, ...] = field(default_factory=lambda: (*bench(), *houses(), *hull()))
    panes: tuple[Pane, ...] = field(default_factory=lambda: openings())


def points(*xyz: Sequence[float]) -> Space:
    """Corners from triples."""
    return np.array(xyz, float)


def upright(x0: float, x1: float, y: float, z0: float, z1: float) -> Space:
    """A rectangle that faces port, from its top left corner on."""
    return points((x0, y, z1), (x1, y, z1), (x1, y, z0), (x0, y, z0))


def level(x0: float, x1: float, y0: float, y1: float, z: float) -> Space:
    """A rectangle that faces up."""
    return points((x0, y1, z), (x1, y1, z), (x1, y0, z), (x0, y0, z))


def across(x: float, y0: float, y1: float, z0: float, z1: float, *, rake: float = 0.0) -> Space:
    """A rectangle that faces the bow; its upper edge leans aft by `rake`."""
    return points((x + rake, y1, z1), (x + rake, y0, z1), (x, y0, z0), (x, y1, z0))


def rounded(corners: Space, share: float = 0.28, steps: int = 5) -> Space:
    """A four-cornered facet with round corners, `share` of its shorter side as radius."""
    a, b, _, d = corners
    across_, down = b - a, d - a
    w, h = np.linalg.norm(across_), np.linalg.norm(down)
    r = share * min(w, h)
    ring = []
    for cx, cy, start in ((r, r, 180), (w - r, r, 270), (w - r, h - r, 0), (r, h - r, 90)):
        for angle in np.deg2rad(start + np.linspace(0, 90, steps)):
            ring.append(
                a + across_ / w * (cx + r * np.cos(angle)) + down / h * (cy + r * np.sin(angle))
            )
    return np.array(ring)


def round_port(x: float, y: float, z: float, radius: float, corners: int = 20) -> Space:
    """A disc that faces port."""
    a = 2 * np.pi * np.arange(corners) / corners
    return np.column_stack([x + radius * np.cos(a), np.full(corners, y), z + radius * np.sin(a)])


def bench() -> tuple[Facet, ...]:
    """Wall, bench, cutting mat, paint jars, and the shadow under the ship."""
    mat_lines = [points((x, -230, 0.5), (x, 90, 0.5)) for x in range(-250, 300, 50)]
    mat_lines += [points((-300, y, 0.5), (300, y, 0.5)) for y in range(-200, 90, 50)]
    things = [
        Facet(
            "wall",
            upright(-1200, 1200, 420, -5, 900),
            (0.30, 0.31, 0.33),
            weather=0.02,
            fall=(1.05, 0.85),
        ),
        Facet("bench", level(-800, 1000, -430, 420, 0), WOOD, wood=0.16, weather=0.03),
        Facet(
            "mat",
            level(-300, 300, -230, 90, 0.5),
            MAT,
            weather=0.03,
            lines=tuple(mat_lines),
            line_factor=1.9,
        ),
    ]
    for name, x, y, radius, height, colour in (
        ("thinner", 215, 250, 17, 62, (0.42, 0.40, 0.36)),
        ("paint", 255, 215, 19, 44, (0.06, 0.12, 0.30)),
        ("putty", -150, 230, 24, 30, (0.45, 0.10, 0.06)),
    ):
        things += jar(name, x, y, radius, height, colour)
    shadow = points(
        (-165, 55, 0.6),
        (190, 62, 0.6),
        (200, 0, 0.6),
        (185, -52, 0.6),
        (-70, -58, 0.6),
        (-150, -20, 0.6),
    )
    things.append(
        Facet("shadow", shadow, (0.25, 0.25, 0.27), grain=0, weather=0, shadow_mm=9, lit=False)
    )
    return tuple(replace(thing, model=False) for thing in things)


def jar(name: str, x: float, y: float, radius: float, height: float, colour: Colour) -> list[Facet]:
    """A jar as a strip of narrow facets and a lid."""
    found = []
    edges = np.deg2rad(np.linspace(147, 335, 17))  # the half that a camera on the port bow sees
    shadow = level(x - radius, x + 2.2 * radius, y - radius, y + 1.6 * radius, 0.6)
    found.append(
        Facet(
            f"{name} shadow",
            shadow,
            (0.4, 0.4, 0.42),
            grain=0,
            weather=0,
            shadow_mm=7,
            lit=False,
            model=False,
        )
    )
    for k, (a, b) in enumerate(pairwise(edges)):
        # Each a little wider than its share: what lies behind must not show in the joints.
        side = [(x + radius * np.cos(t), y + radius * np.sin(t)) for t in (a - 0.03, b + 0.03)]
        for z0, z1, paint in (
            (0, 0.72 * height, colour),
            (0.72 * height, height, (0.5, 0.5, 0.48)),
        ):
            ring = points((*side[0], z1), (*side[1], z1), (*side[1], z0), (*side[0], z0))
            found.append(Facet(f"{name} {k} {z0:.0f}", ring, paint, weather=0.02, model=False))
    t = 2 * np.pi * np.arange(24) / 24
    top = np.column_stack([x + radius * np.cos(t), y + radius * np.sin(t), np.full(24, height)])
    found.append(Facet(f"{name} lid", top, (0.5, 0.5, 0.48), weather=0.02, model=False))
    return found


# Stations of the port side: x and y at the top, x and y at the water, height of deck edge and of
# what stands on it.
STATIONS = (
    (-172.0, 0.0, -152.0, 0.0, 44.0, 58.0),
    (-130.0, -29.0, -114.0, -19.0, 40.0, 52.5),
    (-78.0, -43.0, -68.0, -37.0, 35.5, 46.0),
    (-30.0, -44.5, -28.0, -41.5, 33.0, 42.0),
    (160.0, -40.0, 158.0, -37.0, 34.0, 37.0),
)
BOOT_MM = 8.0  # height of the red stripe at the water


def side_point(k: int, z: float, *, port: bool = True) -> tuple[float, float, float]:
    """The place on station k of the hull's side at a height."""
    x_top, y_top, x_low, y_low, deck, _ = STATIONS[k]
    t = z / deck
    y = y_low + t * (y_top - y_low)
    return x_low + t * (x_top - x_low), y if port else -y, z


def on_side(x: float, z: float) -> tuple[float, float, float]:
    """The place on the port side at an x and a height."""
    row = [side_point(k, z) for k in range(len(STATIONS))]
    return x, float(np.interp(x, [p[0] for p in row], [p[1] for p in row])), z


def deck_edge(x: float, above: float = 0.0) -> tuple[float, float, float]:
    """The place on the port deck edge at an x, and so far above it."""
    xs = [s[0] for s in STATIONS]
    y, z = (float(np.interp(x, xs, [s[k] for s in STATIONS])) for k in (1, 4))
    return x, y, z + above


def strip(k: int, z0: Sequence[float], z1: Sequence[float], *, port: bool = True) -> Space:
    """The side between stations k and k + 1 from heights z0 to heights z1 (one per station)."""
    ends = (k, k + 1)
    top = [side_point(i, z, port=port) for i, z in zip(ends, z1, strict=True)]
    low = [side_point(i, z, port=port) for i, z in zip(ends, z0, strict=True)]
    return np.array([top[0], top[1], low[1], low[0]])


def hull() -> tuple[Facet, ...]:
    """The port side: boot top, navy plating with seams, white bulwark with her name."""
    found = []
    for k in range(len(STATIONS) - 1):
        deck, top = ([STATIONS[i][j] for i in (k, k + 1)] for j in (4, 5))
        plating = strip(k, (BOOT_MM, BOOT_MM), deck)
        ribs = [
            points(
                plating[3] + t * (plating[2] - plating[3]),
                plating[0] + t * (plating[1] - plating[0]),
            )
            for t in np.linspace(0, 1, 9 if k == 3 else 3)[1:-1]
        ]
        along = points(*(plating[[0, 1]] * 0.45 + plating[[3, 2]] * 0.55))
        found += [
            Facet(f"boot {k}", strip(k, (0, 0), (BOOT_MM, BOOT_MM)), RED, fall=(0.9, 0.55)),
            Facet(
                f"plating {k}", plating, NAVY, lines=(*ribs, along), weather=0.05, fall=(1.15, 0.85)
            ),
            Facet(f"bulwark {k}", strip(k, deck, top), WHITE, weather=0.05, fall=(1.05, 0.95)),
            Facet(f"strake {k}", strip(k, [z - 1.3 for z in deck], deck), (0.10, 0.07, 0.05)),
        ]
    return (*found, *name_letters())


def name_letters() -> list[Facet]:
    """HERON on the bow, each stroke a facet."""
    strokes = {
        "H": ((0, 0, 0, 1), (1, 0, 1, 1), (0, 0.5, 1, 0.5)),
        "E": ((0, 0, 0, 1), (0, 1, 1, 1), (0, 0.5, 0.8, 0.5), (0, 0, 1, 0)),
        "R": ((0, 0, 0, 1), (0, 1, 1, 1), (1, 0.5, 1, 1), (0, 0.5, 1, 0.5), (0.4, 0.5, 1, 0)),
        "O": ((0, 0, 0, 1), (0, 1, 1, 1), (1, 0, 1, 1), (0, 0, 1, 0)),
        "N": ((0, 0, 0, 1), (0, 1, 1, 0), (1, 0, 1, 1)),
    }
    found = []
    for k, letter in enumerate("HERON"):
        for j, (u0, v0, u1, v1) in enumerate(strokes[letter]):
            start, end = (
                np.array([-118 + 7.6 * k + 4.2 * u, 25 + 6 * v]) for u, v in ((u0, v0), (u1, v1))
            )
            along = (end - start) / np.linalg.norm(end - start)
            side, more = 0.45 * np.array([-along[1], along[0]]), 0.4 * along
            ring = (start - more - side, end + more - side, end + more + side, start - more + side)
            placed = points(*(on_side(float(x), float(z)) for x, z in ring))
            found.append(Facet(f"name {k} {j}", placed, WHITE, weather=0.02))
    return found


def block(
    name: str,
    x: tuple[float, float],
    y: float,
    z: tuple[float, float],
    colour: Colour,
    *,
    rake: float = 0.0,
    lines: tuple[Space, ...] = (),
) -> list[Facet]:
    """A house: its front and port wall, a roof that stands over, the shadow under that."""
    x0, x1 = x
    z0, z1 = z
    wall = points((x0 + rake, -y, z1), (x1, -y, z1), (x1, -y, z0), (x0, -y, z0))
    front = across(x0, -y, y, z0, z1, rake=rake)
    a, b, c = x0 + rake - 3.0, x1 + 3.0, y + 2.5
    shade = points((x0 + rake, -y, z1), (x1, -y, z1), (x1, -y, z1 - 3.4), (x0 + rake, -y, z1 - 3.4))
    dark: Colour = (0.55, 0.56, 0.6)
    return [
        Facet(f"{name} front", front, colour, fall=(1.0, 0.9)),
        Facet(f"{name} wall", wall, colour, lines=lines, fall=(1.04, 0.92)),
        Facet(f"{name} eaves", shade, dark, grain=0, weather=0, shadow_mm=0.7, lit=False),
        Facet(f"{name} roof", level(a, b, -c, c, z1 + 1.6), GREY, weather=0.08),
        Facet(f"{name} fascia", upright(a, b, -c, z1, z1 + 1.6), WHITE, weather=0.02),
        Facet(f"{name} brow", across(a, -c, c, z1, z1 + 1.6), WHITE, weather=0.02),
    ]


def rail(name: str, x: tuple[float, float], y: float, z: float, height: float = 9.5) -> list[Facet]:
    """Posts and two bars."""
    found = [
        Facet(f"{name} post {k}", upright(p - 0.3, p + 0.3, y, z, z + height), WHITE, grain=0)
        for k, p in enumerate(np.linspace(*x, round((x[1] - x[0]) / 9) + 1))
    ]
    for k, up in enumerate((height, 0.5 * height)):
        found.append(Facet(f"{name} bar {k}", upright(*x, y, z + up - 0.5, z + up), WHITE, grain=0))
    return found


def deck() -> tuple[Facet, ...]:
    """Inside of the far bulwark, the two decks, a capstan."""

    def planks(stations: Sequence[int]) -> Space:
        port = [side_point(k, STATIONS[k][4] - 0.2) for k in stations]
        return points(*port, *((x, -y, z) for x, y, z in reversed(port)))

    inner = [
        Facet(
            f"far bulwark {k}",
            strip(k, *([STATIONS[i][j] for i in (k, k + 1)] for j in (4, 5)), port=False),
            WHITE,
            fall=(0.6, 0.45),
        )
        for k in (0, 1)
    ]
    capstan = Facet("capstan", upright(-122, -115, -5, 38, 45), GREY)
    decks = Facet("fore deck", planks((0, 1, 2)), DECK), Facet("main deck", planks((2, 3, 4)), DECK)
    return (*inner, *decks, capstan)


def funnel() -> tuple[Facet, ...]:
    """A funnel that leans aft, with a band and a black top."""
    whole = upright(28, 54, -11, 94, 134)
    whole[:2, 0] += 5
    foot, way = whole[[3, 2]], whole[:2] - whole[[3, 2]]

    def band(low: float, high: float) -> Space:
        return np.array([*(foot + high * way), *(foot + low * way)[::-1]])

    return (
        Facet("funnel", whole, BUFF, fall=(1.05, 0.9)),
        Facet("funnel band", band(0.5, 0.64), NAVY),
        Facet("funnel top", band(0.8, 1.0), BLACK),
    )


def houses() -> tuple[Facet, ...]:
    """Decks, saloon, lounge, wheelhouse, funnel, mast and rails, from back to front."""
    seams = tuple(points((x, -36, 33), (x, -36, 66)) for x in (-45, -1, 43, 87))
    rafts = [
        facet
        for x in (76, 96)
        for facet in (
            Facet(f"raft {x}", upright(x, x + 14, -30, 67.6, 74), WHITE, fall=(1.1, 0.6)),
            Facet(f"raft top {x}", level(x, x + 14, -30, -24, 74), WHITE),
        )
    ]
    return (
        *deck(),
        *rail("far rail", (66.0, 118.0), 36, 67.6),
        *block("saloon", (-88, 118), 36, (33, 66), CREAM, rake=4, lines=seams),
        Facet("door", upright(105.5, 114, -36.01, 34, 56), (0.22, 0.12, 0.06)),
        *rafts,
        *block("lounge", (-50, 62), 28, (67.6, 92), CREAM, rake=2),
        *funnel(),
        Facet("mast", upright(-0.8, 0.8, 0, 93.6, 160), GREY),
        *block("wheelhouse", (-44, -6), 21, (93.6, 115), CREAM, rake=-3),
        Facet("screen", upright(-31, -14, -29.6, 94.5, 104), BLACK, weather=0.02),
        *rail("boat deck rail", (68.0, 118.0), -37, 67.6),
        *rail("aft rail", (124.0, 158.0), -39.5, 33.8),
    )


def openings() -> tuple[Pane, ...]:
    """Windows warm below and cool in the wheelhouse; red sidelight, white masthead light."""
    levels = np.random.default_rng(72).lognormal(0, 0.14, 40)
    front = -45.2  # where the wheelhouse's raked front stands at the height of its windows
    rings = {
        "saloon wall": [upright(x, x + 13, -36, 46, 58) for x in np.arange(-77, 95, 22.0)],
        "lounge wall": [upright(x, x + 10, -28, 76, 86) for x in np.arange(-41, 50, 14.5)],
        "wheelhouse wall": [upright(x, x + 14, -21, 102, 112) for x in (-41, -24)],
        "wheelhouse front": [
            across(front, y, y + 11, 102, 112, rake=-1.4) for y in (-18.5, -5.5, 7.5)
        ],
    }
    rows = [(on, rounded(ring)) for on, group in rings.items() for ring in group]
    rows += [("plating 3", round_port(*on_side(x, 21), 2.7)) for x in np.arange(-12, 130, 24.0)]
    panes = []
    for k, (on, ring) in enumerate(rows):
        colour = "cool white" if on.startswith("wheelhouse") else "warm white"
        panes.append(Pane(f"window-{k + 1:02d}", "window", ring, float(levels[k]), colour, on))
    side = round_port(-22.5, -29.7, 99.2, 2.1)
    head = round_port(0, -1, 156, 1.6)
    panes.append(Pane("sidelight", "beacon", side, 1.1, "red", "screen"))
    panes.append(Pane("masthead", "beacon", head, 1.6, "cool white", "mast"))
    return tuple(panes)
