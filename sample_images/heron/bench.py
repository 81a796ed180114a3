"""The bench, what lies on it, the wall and the shelf behind."""

from __future__ import annotations

import numpy as np

from heron.mesh import (
    Mesh,
    Parts,
    Points,
    bar,
    box,
    circle,
    fan,
    grid,
    joined,
    moved,
    rounded_rectangle,
    solid,
    tube,
    turn_to,
    turn_z,
    turned,
)

MAT_MM = (600.0, 450.0)
MAT_THICK = 2.6


def flat(x: tuple[float, float], y: tuple[float, float], z: float, n: int = 2) -> Mesh:
    """A level sheet, texture 0 to 1 over it."""
    xx, yy = np.meshgrid(np.linspace(*x, n), np.linspace(*y, n))
    return grid(np.stack([xx, yy, np.full_like(xx, z)], -1))


def build_bench(parts: Parts) -> None:
    """Everything but the ship. The camera stands at negative y."""
    parts.add("bench", flat((-900, 900), (-700, 425), 0.0))
    w, h = MAT_MM[0] / 2, MAT_MM[1] / 2
    ring = rounded_rectangle(2 * w, 2 * h, 9) + [0, -25]
    top = np.column_stack([ring, np.full(len(ring), MAT_THICK)])
    uv = (ring - [-w, -h - 25]) / [2 * w, 2 * h]
    turn = turn_z(-2.5)
    parts.add("mat", moved(fan(top, uv), turn, (6, -8, 0)))
    edge = [np.column_stack([ring, np.full(len(ring), z)]) for z in (0.0, MAT_THICK)]
    edge = [np.vstack([e, e[:1]]) for e in edge]
    parts.add("mat edge", moved(grid(np.array(edge)), turn, (6, -8, 0)))
    _build_wall(parts)
    _build_tools(parts)
    _build_jars(parts)
    _build_sprue(parts)
    _build_cradle(parts)


def _build_wall(parts: Parts) -> None:
    wall = np.array([[(x, 430, z) for x in (-1500, 1500)] for z in (-20, 1300)], float)
    parts.add("wall", grid(wall))
    parts.add(
        "shelf",
        box((-900, 330, 205), (900, 429, 222), 1.5),
        box((-900, 415, -1), (900, 429, 26), 1.5),
    )
    rng = np.random.default_rng(8)
    colours = ("p red", "p blue", "p yellow", "p green", "p grey", "p white", "p brown", "p black")
    x = -640.0
    while x < 640:
        kind = rng.random()
        if kind < 0.62:  # a run of paint bottles
            for _ in range(rng.integers(3, 7)):
                _bottle(parts, (x, float(rng.uniform(362, 378)), 222.0), str(rng.choice(colours)))
                x += 30.0 + rng.uniform(0, 3)
        elif kind < 0.85:  # a kit's box
            width, height = rng.uniform(70, 130), rng.uniform(28, 62)
            parts.add(
                str(rng.choice(("p blue", "p grey", "p brown", "p green"))),
                box((x - 12, 345, 222), (x - 12 + width, 422, 222 + height), 0.8),
            )
            parts.add(
                "p white",
                box((x - 2, 344, 227), (x - 12 + width * 0.55, 345.2, 222 + height * 0.7)),
            )
            x += width + 8
        else:
            x += rng.uniform(25, 70)
    for x in (-560, -180, 210, 580):
        parts.add("p white", box((x - 2, 345, 150), (x + 2, 430, 205)))


def _bottle(parts: Parts, foot: tuple[float, float, float], colour: str) -> None:
    body = turned([(0, 0), (12.2, 0), (12.6, 1), (12.6, 44), (11, 49), (6, 53)], 28)
    parts.add(colour, moved(body, np.eye(3), foot))
    cap = turned([(6.5, 52), (6.4, 66), (3, 78), (2, 79), (0, 79)], 20)
    parts.add("p white" if colour == "p black" else "p black", moved(cap, np.eye(3), foot))
    band = turned([(12.75, 9), (12.75, 36)], 28)
    parts.add("p white", moved(band, np.eye(3), foot))


def _build_jars(parts: Parts) -> None:
    """Three paint jars behind the mat, one open with a brush across it, and a water glass."""
    for name, x, y, colour in (
        ("navy", -232, 150, "p blue"),
        ("cream", 262, 128, "p cream"),
        ("red", 214, 178, "p red"),
    ):
        body = turned([(0, 0), (20, 0), (21.5, 1.5), (21.5, 30), (19, 34), (19, 36)], 40)
        parts.add(colour, moved(body, np.eye(3), (x, y, 0)))
        ring = np.linspace(0, 2 * np.pi, 41)
        band = np.array(
            [
                np.column_stack([21.7 * np.cos(ring), 21.7 * np.sin(ring), np.full(41, z)])
                for z in (6.0, 24.0)
            ]
        )
        parts.add(
            f"label {name}",
            moved(grid(band), turn_z({"navy": 20, "cream": 75, "red": 200}[name]), (x, y, 0)),
        )
        lid = [(20.4, 35), (20.6, 36), (20.6, 45), (19.5, 46.5), (0, 46.5)]
        parts.add(
            "p black" if name != "red" else "p white", moved(turned(lid, 60), np.eye(3), (x, y, 0))
        )
        for a in np.linspace(0, 2 * np.pi, 48, endpoint=False):
            c, s = 20.7 * np.cos(a), 20.7 * np.sin(a)
            parts.add(
                "p black" if name != "red" else "p white",
                bar((x + c, y + s, 36.5), (x + c, y + s, 44.5), 0.6, 5),
            )


def lathe_between(start, end, profile) -> Mesh:
    """A turned body laid from one place to another; profile z runs 0 to 1 along it."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = float(np.linalg.norm(end - start))
    return moved(turned([(r, z * length) for r, z in profile], 24), turn_to(end - start), start)


def _build_tools(parts: Parts) -> None:
    # Craft knife in front, lying across the mat.
    a, b = np.array((48, -158, MAT_THICK + 4.2)), np.array((166, -122, MAT_THICK + 4.2))
    parts.add(
        "aluminium",
        lathe_between(
            a,
            b,
            [
                (0, 0),
                (3.4, 0),
                (4.1, 0.01),
                (4.1, 0.70),
                (3.6, 0.72),
                (3.6, 0.76),
                (4.1, 0.77),
                (4.1, 0.93),
                (3.0, 1.0),
                (0, 1.0),
            ],
        ),
    )
    for k in range(30):
        at = a + (b - a) * (0.78 + 0.14 * k / 30)
        parts.add(
            "steel", lathe_between(at, at + (b - a) * 0.0022, [(4.1, 0), (4.3, 0.5), (4.1, 1)])
        )
    way = (a - b) / np.linalg.norm(a - b)
    side_ = np.array((way[1], -way[0], 0))
    blade = [
        a + 0.5 * side_ * 3,
        a - 3.2 * side_ * 1,
        a + way * 26 - side_ * 1.0,
        a + way * 10 + side_ * 3.0,
    ]
    parts.add("blade", solid(np.array([p + [0, 0, dz] for p in blade for dz in (-0.25, 0.25)])))
    # Two brushes.
    for start, end, handle in (
        ((-232, -118, 5.4), (-98, -152, 5.0), "p red"),
        ((-236, -96, 5.4), (-96, -134, 5.0), "varnish"),
    ):
        start, end = np.array(start), np.array(end)
        mid = start + 0.74 * (end - start)
        parts.add(
            handle,
            lathe_between(start, mid, [(0, 0), (1.2, 0.01), (1.6, 0.3), (2.9, 0.8), (2.2, 1)]),
        )
        tip = start + 0.9 * (end - start)
        parts.add("brass", lathe_between(mid, tip, [(2.2, 0), (2.25, 0.05), (1.9, 0.9), (1.7, 1)]))
        parts.add(
            "bristle",
            lathe_between(tip, end, [(1.7, 0), (2.0, 0.25), (1.4, 0.7), (0.15, 1), (0, 1)]),
        )
    # Tweezers.
    for sign in (-1, 1):
        path = [
            (
                212 - 1.0 * k,
                -86 + 0.12 * k + sign * (4.2 * (k / 90) ** 0.5 * (1 - (k / 95)) * 3),
                MAT_THICK + 1.6,
            )
            for k in range(0, 91, 6)
        ]
        parts.add("steel", _ribbon(np.array(path), 2.4))
    # Roll of masking tape, lying, and a strip of it.
    roll = [(17, 0), (17, 18), (31, 18), (31, 0), (17, 0)]
    parts.add("tape", moved(turned(roll[1:], 64), np.eye(3), (-176, 74, MAT_THICK)))
    parts.add(
        "cardboard",
        moved(
            turned([(17, 0), (16, 0.2), (16, 18.2), (17.6, 18.2)][::-1], 64),
            np.eye(3),
            (-176, 74, MAT_THICK),
        ),
    )
    # Building steps, partly under the mat.
    parts.add("sheet", moved(_curled_sheet(), turn_z(24), (-262, -48, MAT_THICK + 0.2)))
    # Supply: a small box with a switch; two leads run to the ship.
    parts.add("p black", moved(box((-31, -17, 0), (31, 17, 19), 1.4), turn_z(18), (300, 10, 0)))
    parts.add("p grey", moved(box((-8, -18.2, 7), (4, -16.5, 13), 0.5), turn_z(18), (300, 10, 0)))


def build_leads(parts: Parts, end: tuple[float, float]) -> None:
    """Two leads from the supply to where they go up into the ship."""
    w = np.linspace(0, 1, 80)
    for k, colour in enumerate(("wire red", "wire black")):
        x = 272 + (end[0] - 272) * w - 18 * np.sin(np.pi * w) * (1 + 0.15 * k)
        y = 6 + (end[1] - 6) * w + 24 * np.sin(2.4 * np.pi * w) * (1 - w) + (3.2 + 5 * w) * k
        z = MAT_THICK + 0.8 + 14 * (1 - w) ** 6 + 16 * w**12 + 1.5 * k * np.sin(5 * w) ** 2
        parts.add(colour, tube(np.column_stack([x, y, z]), 0.75, 8))


def _ribbon(path: Points, half: float) -> Mesh:
    """A flat strip on edge along a path."""
    up = np.array([0, 0, half])
    return joined(
        [
            grid(np.array([path - up / 2, path + up / 2])),
            grid(np.array([path + up / 2, path + up / 2 + [0.6, 0.3, 0]])),
        ]
    )


def _curled_sheet() -> Mesh:
    u, v = np.meshgrid(np.linspace(0, 1, 40), np.linspace(0, 1, 24))
    x, y = 205 * (u - 0.5), 150 * (v - 0.5)
    z = 0.3 + 5 * np.clip(0.25 - u, 0, 1) ** 2 * 16 + 1.2 * np.exp(-(((u - 0.5) / 0.04) ** 2))
    return grid(np.stack([x, y, z], -1))


def _build_sprue(parts: Parts) -> None:
    """A frame of grey parts from the kit, half emptied."""
    turn, at = turn_z(-24), np.array((205, -8, 1.4))
    rng = np.random.default_rng(17)

    def put(*meshes: Mesh) -> None:
        parts.add("sprue", *(moved(m, turn, (-112, 168, 1.6)) for m in meshes))

    x0, x1, y0, y1 = -75, 75, -42, 42
    for p, q in (
        ((x0, y0), (x1, y0)),
        ((x1, y0), (x1, y1)),
        ((x1, y1), (x0, y1)),
        ((x0, y1), (x0, y0)),
        ((x0, 0), (x1, 0)),
        ((0, y0), (0, y1)),
    ):
        put(bar((*p, 0), (*q, 0), 1.5, 10))
    for _ in range(16):
        x, y = rng.uniform(x0 + 12, x1 - 12), rng.choice((y0, 0.0, y1))
        way = 1 if y < 30 else -1
        put(bar((x, y, 0), (x, y + 7 * way, 0), 0.7, 8))
        if rng.random() < 0.7:
            w, h = rng.uniform(3, 9), rng.uniform(6, 20)
            put(
                box(
                    (x - w, y + way * 7 - (h if way < 0 else 0), -0.8),
                    (x + w, y + way * 7 + (0 if way < 0 else h), 0.8),
                    0.2,
                )
            )
    _ = at, circle


def _build_cradle(parts: Parts) -> None:
    """Nothing here: the cradle turns with the ship, see `build_stand`."""


def build_stand(parts: Parts) -> None:
    """Two ply cheeks with felt that the ship rests in, in the ship's own coordinates."""
    from heron.hull import side, t_at

    for x in (-78.0, 88.0):
        s = np.linspace(0.02, 0.62, 16)
        edge = np.array([side(np.array(t_at(x, v)), np.array(v))[1:] for v in s]) + [0.35, -0.1]
        left = [(-y, z) for y, z in edge[::-1]]
        inner = [*left, *[(y, z) for y, z in edge]]
        low = np.linspace(-edge[-1, 0] - 9, edge[-1, 0] + 9, len(inner))
        for dx0, dx1 in ((-3, 3),):
            top = np.array([[(x + dx, y, z) for y, z in inner] for dx in (dx0, dx1)])
            parts.add("felt", grid(top))
            for dx in (dx0, dx1):
                front = np.array(
                    [[(x + dx, y, z) for y, z in inner], [(x + dx, b, MAT_THICK) for b in low]]
                )
                parts.add("ply", grid(front))
            for sign in (-1, 1):
                y, z = edge[-1]
                out = np.array(
                    [
                        [(x + dx, sign * y, z) for dx in (dx0, dx1)],
                        [(x + dx, sign * (y + 3), z) for dx in (dx0, dx1)],
                        [(x + dx, sign * (y + 9), MAT_THICK) for dx in (dx0, dx1)],
                    ]
                )
                parts.add("ply", grid(out))
    parts.add("ply", box((-78, -4, MAT_THICK), (88, 4, MAT_THICK + 5)))
