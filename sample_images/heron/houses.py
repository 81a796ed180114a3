"""What stands on deck: saloon, lounge, wheelhouse, funnel, mast, rails and boats' gear."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from heron.hull import bulwark_height, deck_z, side
from heron.mesh import (
    Frame,
    Parts,
    Points,
    bar,
    box,
    circle,
    fan,
    grid,
    moved,
    plate,
    rim,
    ring_path,
    rounded_rectangle,
    tube,
    turn_to,
    turned,
)


@dataclass(frozen=True)
class House:
    """A deckhouse with upright walls, round corners and a raked front."""

    x0: float  # front wall at its foot
    x1: float
    half: float
    z0: float
    z1: float
    radius: float
    rake: float = 0.0  # the front leans aft by this much over its height
    roof_mm: float = 2.6  # the roof stands out by

    def shifted(self, points: Points) -> Points:
        """Lean the front of upright points aft (or forward, below 0) with height."""
        out = np.array(points, float)
        share = np.clip((self.x0 + 30 - out[..., 0]) / 30, 0, 1)
        rise = (out[..., 2] - self.z0) / (self.z1 - self.z0)
        out[..., 0] += self.rake * share * rise
        return out

    def outline(self, stand_out: float = 0.0) -> Points:
        """The plan, (n, 2) of x, y."""
        size = self.x1 - self.x0 + 2 * stand_out, 2 * (self.half + stand_out)
        ring = rounded_rectangle(*size, self.radius + stand_out, 9)
        return ring + [(self.x0 + self.x1) / 2, 0]

    def wall(self, side_name: str, where: float, z: float) -> Frame:
        """A place on a wall: port and starboard by x, front and aft by y."""
        up = np.array([0, 0, 1.0])
        if side_name in ("port", "starboard"):
            sign = -1.0 if side_name == "port" else 1.0
            along = np.array([-sign, 0, 0])
            return Frame(np.array([where, sign * self.half, z]), along, up, np.array([0, sign, 0]))
        if side_name == "aft":
            along = np.array([0, 1.0, 0])
            return Frame(np.array([self.x1, where, z]), along, up, np.array([1.0, 0, 0]))
        up = np.array([self.rake, 0, self.z1 - self.z0])
        up /= np.linalg.norm(up)
        along = np.array([0, -1.0, 0])
        x = self.x0 + self.rake * (z - self.z0) / (self.z1 - self.z0)
        return Frame(np.array([x, where, z]), along, up, np.cross(along, up))

    def build(self, parts: Parts, material: str, roof: str) -> None:
        """Walls with a foot moulding, and a roof with a rounded edge."""
        ring = ring_path(self.outline())
        length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
        z = np.linspace(self.z0 - 3, self.z1, 6)
        points = np.array([np.column_stack([ring, np.full(len(ring), h)]) for h in z])
        uv = np.array([np.column_stack([length, np.full(len(ring), h)]) for h in z])
        parts.add(material, grid(self.shifted(points), uv))
        foot = np.column_stack([ring, np.full(len(ring), self.z0 + 0.6)])
        parts.add("grey", tube(self.shifted(foot), 0.7))
        profile = [
            (-0.5, -0.1),
            (self.roof_mm - 0.5, -0.1),
            (self.roof_mm, 0.3),
            (self.roof_mm, 1.3),
            (self.roof_mm - 0.5, 1.7),
            (self.roof_mm - 2, 1.8),
        ]
        rings = np.array(
            [
                np.column_stack([ring_path(self.outline(o)), np.full(len(ring), self.z1 + h)])
                for o, h in profile
            ]
        )
        rings[..., 0] += np.clip((self.x0 + 30 - rings[..., 0]) / 30, 0, 1) * self.rake
        for a, b in itertools.pairwise(rings):
            parts.add("cream", grid(np.array([a, b])))
        parts.add(roof, fan(rings[-1][:-1]))


SALOON = House(-66, 112, 33.0, 53.6, 81.0, 7)
LOUNGE = House(-50, 62, 28.0, 82.8, 107.0, 6, rake=3)
WHEELHOUSE = House(-42, 2, 21.0, 108.8, 131.0, 5, rake=-4, roof_mm=3.2)

MAST = (12.0, 0.0)
MASTHEAD_Z = 176.0
FUNNEL_X = 44.0


def build_houses(parts: Parts) -> None:
    """All that stands above the deck, without windows and lamps."""
    SALOON.build(parts, "saloon", "roof")
    LOUNGE.build(parts, "lounge", "roof")
    WHEELHOUSE.build(parts, "wheelhouse", "roof")
    _build_doors(parts)
    _build_funnel(parts)
    _build_mast(parts)
    _build_rails(parts)
    _build_roof_gear(parts)
    _build_lifebuoys(parts)


def _door(parts: Parts, frame: Frame) -> None:
    outline = rounded_rectangle(9.0, 21.0, 1.2)
    parts.add("varnish", plate(frame, outline, 0.45, 0.5))
    parts.add("cream", rim(frame, outline, 0.4, 0.1))
    parts.add(
        "glass",
        plate(
            Frame(frame.at(np.array([(0.0, 5.0)]))[0], frame.along, frame.up, frame.out),
            circle(2.0, 20),
            0.5,
        ),
    )
    parts.add(
        "brass",
        rim(
            Frame(frame.at(np.array([(0.0, 5.0)]))[0], frame.along, frame.up, frame.out),
            circle(2.0, 20),
            0.3,
            0.5,
        ),
        bar(
            frame.at(np.array([(3.0, -1.0)]), 0.9)[0],
            frame.at(np.array([(3.0, -3.4)]), 0.9)[0],
            0.3,
        ),
    )


def _build_doors(parts: Parts) -> None:
    for name in ("port", "starboard"):
        _door(parts, SALOON.wall(name, 101.0, 66.5))
        _door(parts, WHEELHOUSE.wall(name, -4.5, 119.5))
    _door(parts, SALOON.wall("aft", -10.0, 66.5))
    _door(parts, LOUNGE.wall("aft", 0.0, 94.5))


def _build_funnel(parts: Parts) -> None:
    """Oval, raked, with a band and two pipes."""
    ring = circle(1.0, 48)
    rows, uv = [], []
    for z in np.linspace(0, 46, 24):
        grow = 1 - 0.10 * z / 46
        x = FUNNEL_X + 0.16 * z + 15 * grow * ring_path(ring)[:, 0]
        y = 9.5 * grow * ring_path(ring)[:, 1]
        rows.append(np.column_stack([x, y, np.full(49, 108.0 + z)]))
        uv.append(np.column_stack([np.linspace(0, 1, 49), np.full(49, z / 46)]))
    parts.add("funnel", grid(np.array(rows), np.array(uv)))
    parts.add("black", tube(rows[-1], 0.7), fan(rows[-2][:-1] - [0, 0, 1.5]))
    for dx in (-3, 4):
        top = (FUNNEL_X + 8 + dx, 0, 157)
        parts.add("steel", bar((FUNNEL_X + 7 + dx, 0, 148), top, 1.9, 16))
        parts.add(
            "black",
            moved(
                fan(np.column_stack([circle(1.5, 16), np.zeros(16)])),
                np.eye(3),
                np.add(top, (0, 0, 0.03)),
            ),
        )


def _build_mast(parts: Parts) -> None:
    x, y = MAST
    parts.add(
        "buff",
        tube(
            np.array([(x, y, 106), (x + 1, y, 140), (x + 2.4, y, MASTHEAD_Z + 6)]),
            np.array([1.5, 1.2, 0.7]),
            14,
        ),
    )
    parts.add(
        "buff",
        bar((x + 2, -13, 160), (x + 2, 13, 160), 0.55),
        bar((x + 1.4, -1, 150), (x - 6, -1, 150), 0.5),
    )
    parts.add(
        "cream",
        box((x - 13, -9, 148.6), (x - 11, 9, 151), 0.5),  # radar
        moved(
            turned([(0, 0), (2.6, 0), (2.6, 2.2), (2, 2.8), (0, 2.8)]),
            np.eye(3),
            (x - 12, 0, 145.6),
        ),
    )
    parts.add("buff", bar((x + 1, 0, 147), (x - 12, 0, 145.5), 0.6))
    for end, foot in (
        ((-40, 0, 132.5), 176),
        ((112, 0, 84), 172),
        ((58, -26, 109), 168),
        ((58, 26, 109), 168),
    ):
        parts.add("rope", bar((x + 2, 0, foot), end, 0.14, 5))
    parts.add(
        "black",
        moved(
            turned([(0, 0), (2.1, 0), (2.1, 0.9), (0, 0.9)], 20),
            np.eye(3),
            (x - 1.3, 0, MASTHEAD_Z + 3.2),
        ),
        moved(
            turned([(0, 0), (2.1, 0), (2.1, 0.9), (0, 0.9)], 20),
            np.eye(3),
            (x - 1.3, 0, MASTHEAD_Z - 3.4),
        ),
    )
    for dy in (-14.0, 10.0):  # whip aerials
        parts.add("black", bar((-8, dy, 132), (-4, dy, 178), 0.22, 6))


def rail(parts: Parts, path: Points, height: float, bars: int = 3) -> None:
    """Posts and bars along a path."""
    lengths = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    for w in np.linspace(0, lengths[-1], max(2, round(lengths[-1] / 11) + 1)):
        foot = np.array([np.interp(w, lengths, path[:, k]) for k in range(3)])
        parts.add("white", bar(foot, foot + [0, 0, height], 0.36, 6))
    for k in range(bars):
        parts.add(
            "white", tube(path + [0, 0, height * (k + 1) / bars], 0.3 if k < bars - 1 else 0.42, 6)
        )


def _build_rails(parts: Parts) -> None:
    for sign in (-1, 1):
        t = np.linspace(0.45, 1.0, 30)
        edge = side(t, np.ones_like(t)) + np.stack([0 * t, -1.2 + 0 * t, bulwark_height(t)], -1)
        rail(parts, edge * [1, sign, 1], 10.0)
    z = float(deck_z(np.array(1.0))) + 3
    rail(parts, np.array([(165, -35.5, z), (165, -12, z)]), 10.0)
    rail(parts, np.array([(165, 12, z), (165, 35.5, z)]), 10.0)
    z = SALOON.z1 + 1.8
    deck = np.array([(66, -34, z), (113, -34, z), (113, 34, z), (66, 34, z)])
    rail(parts, deck, 12.0)
    z = LOUNGE.z1 + 1.8
    rail(parts, np.array([(5, -28.5, z), (63, -28.5, z), (63, 28.5, z), (5, 28.5, z)]), 10.5)


def _build_roof_gear(parts: Parts) -> None:
    """Benches, life rafts, vents, lockers, searchlight, horn, stairs."""
    z = SALOON.z1 + 1.8
    for x in (74, 90, 104):
        for y in (-17, 17):
            parts.add(
                "varnish",
                box((x - 3, y - 12, z + 4.6), (x + 3, y + 12, z + 5.4)),
                box((x + 2.6, y - 12, z + 6), (x + 3.4, y + 12, z + 10.5)),
            )
            for dy in (-10, 10):
                parts.add(
                    "steel", box((x - 2.5, y + dy - 0.5, z), (x + 3.2, y + dy + 0.5, z + 4.6))
                )
    z = LOUNGE.z1 + 1.8
    for y in (-19, 19):
        for x in (20, 32.5):
            body = tube(
                np.array(
                    [
                        (x - 5.2, y, z + 5),
                        (x - 4.8, y, z + 5),
                        (x + 4.8, y, z + 5),
                        (x + 5.2, y, z + 5),
                    ]
                ),
                np.array([3.4, 3.9, 3.9, 3.4]),
                24,
            )
            parts.add("raft", body)
            for dx in (-2.5, 2.5):
                parts.add(
                    "black",
                    tube(np.array([(x + dx - 0.4, y, z + 5), (x + dx + 0.4, y, z + 5)]), 4.05, 24),
                )
            parts.add("steel", box((x - 5, y - 2.6, z), (x + 5, y + 2.6, z + 1.3)))
    for x, y in ((58, -14), (58, 14), (26, 0)):  # mushroom vents
        parts.add(
            "cream",
            moved(
                turned([(1.5, 0), (1.5, 4.5), (3.1, 4.6), (3.1, 5.2), (2.3, 6.4), (0, 6.9)]),
                np.eye(3),
                (x, y, z),
            ),
        )
    z = WHEELHOUSE.z1 + 1.8
    parts.add("cream", box((-22, -6, z), (-12, 6, z + 2.5), 0.8))
    parts.add(
        "steel",
        bar((-30, -10, z), (-30, -10, z + 4), 0.6),
        moved(
            turned([(0, -2), (1.7, -2), (2.3, 2), (2.1, 2)]),
            turn_to((-1, 0, 0)),
            (-30.5, -10, z + 5),
        ),
    )
    parts.add(
        "brass",
        moved(turned([(0.4, 0), (0.5, 5), (1.6, 7)]), turn_to((-1, 0, 0.1)), (-20, 11, z + 1.6)),
    )
    for sign in (-1, 1):  # stairs from the main deck to the upper deck aft
        for k in range(9):
            share = k / 8
            x, h = 132 - 20 * share, 57 + 24 * share
            parts.add(
                "steel", box((x - 1.6, sign * 24 - 3, h), (x + 1.6, sign * 24 + 3, h + 0.5), 0.1)
            )
        for dy in (-3.2, 3.2):
            parts.add("white", bar((134, sign * 24 + dy, 56), (112, sign * 24 + dy, 82), 0.6))


def _build_lifebuoys(parts: Parts) -> None:
    for frame in (
        SALOON.wall("port", -53.0, 68.0),
        SALOON.wall("starboard", -53.0, 68.0),
        SALOON.wall("aft", 14.4, 68.0),
        LOUNGE.wall("port", 48.0, 95.0),
        LOUNGE.wall("starboard", 48.0, 95.0),
    ):
        angle = np.linspace(0, 2 * np.pi, 33)
        for k in range(8):
            part = angle[4 * k : 4 * k + 5]
            flat = 3.9 * np.column_stack([np.cos(part), np.sin(part)])
            parts.add("orange" if k % 2 else "white", tube(frame.at(flat, 1.3), 1.05, 10))
