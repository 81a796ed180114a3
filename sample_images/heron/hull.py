"""The hull: its lines, its plating, bulwark, deck and what is fixed to them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from heron.mesh import (
    Frame,
    Parts,
    Points,
    bar,
    box,
    circle,
    grid,
    moved,
    plate,
    rim,
    sheet,
    solid,
    tube,
    turn_to,
    turned,
)

Values = NDArray[np.float64]

LENGTH_MM = 332.0
STEM, TRANSOM = -166.0, 166.0  # x at the deck
KEEL_Z, WATER_Z = 15.0, 33.0
HALF_BEAM = 43.0
PLASTIC_MM = 1.1  # wall of the kit


def smooth(t: Values, a: float, b: float) -> Values:
    """0 below a, 1 above b, smooth between."""
    u = np.clip((np.asarray(t, float) - a) / (b - a), 0, 1)
    return u * u * (3 - 2 * u)


def deck_z(t: Values) -> Values:
    """Height of the deck's edge: sheer that rises to the bow."""
    t = np.asarray(t, float)
    return 53.0 + 15.0 * (1 - np.clip(t / 0.62, 0, 1)) ** 1.9 + 1.5 * smooth(t, 0.7, 1.0)


def bulwark_height(t: Values) -> Values:
    """Of the bulwark above the deck's edge, mm: high at the bow, a toe rail aft."""
    return 3.0 + 9.5 * (1 - smooth(t, 0.36, 0.44)) + 1.5 * (1 - smooth(t, 0.0, 0.3))


def side(t: Values, s: Values) -> Points:
    """The starboard side: t from stem 0 to transom 1, s from keel 0 to deck edge 1."""
    t, s = np.broadcast_arrays(np.asarray(t, float), np.clip(np.asarray(s, float), 0, 1))
    keel = KEEL_Z + 15.0 * smooth(t, 0.72, 1.02) ** 1.3
    z = keel + (deck_z(t) - keel) * s
    x0 = STEM + 26.0 * (1 - s) ** 1.25
    x1 = TRANSOM - 9.0 * (1 - s)
    entry = 0.60 - 0.20 * s
    run = np.clip(t / entry, 0, 1)
    plan = 1 - (1 - run) ** (1.75 + 1.1 * s)
    plan = plan * (1 - 0.13 * np.clip((t - 0.7) / 0.3, 0, 1) ** 2)
    full = smooth(t, 0.02, 0.42) * (1 - 0.35 * smooth(t, 0.7, 1.0))
    v_shape = np.maximum(s, 1e-9) ** (1.0 - 0.25 * s)
    u_shape = (1 - (1 - s) ** 3.4) ** 0.55
    y = 0.5 + HALF_BEAM * plan * ((1 - full) * v_shape + full * u_shape)
    return np.stack([x0 + (x1 - x0) * t, y, z], -1)


def bulwark(t: Values, r: Values) -> Points:
    """The starboard bulwark outside: r from deck edge 0 to cap 1; it flares out at the bow."""
    t, r = np.broadcast_arrays(np.asarray(t, float), np.asarray(r, float))
    foot = side(t, np.ones_like(t))
    up = bulwark_height(t) * r
    flare = 0.28 * (1 - smooth(t, 0.05, 0.5))
    lift = np.stack([-flare * up * 1.1, flare * up * np.minimum(1, 4 * t), up], -1)
    return foot + lift


def mirrored(points: Points) -> Points:
    """The port side of starboard points."""
    return points * np.array([1.0, -1.0, 1.0])


def out_of(surface, t: Values, s: Values, *, port: bool, lift: float) -> Points:
    """Points of `side` or `bulwark`, lifted off it along its normal, on one side of the ship."""
    e = 1e-4
    du = surface(t + e, s) - surface(t - e, s)
    dv = surface(t, s + e) - surface(t, s - e)
    normal = np.cross(dv, du)
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)
    normal *= np.where(normal[..., 1:2] < 0, -1, 1)
    points = surface(t, s) + lift * normal
    return mirrored(points) if port else points


def t_at(x: float, s: float = 1.0) -> float:
    """The t at which a line of equal s passes an x."""
    x0 = STEM + 26.0 * (1 - s) ** 1.25
    x1 = TRANSOM - 9.0 * (1 - s)
    return (x - x0) / (x1 - x0)


def hull_frame(x: float, z: float, *, port: bool) -> Frame:
    """The place on the hull's side at an x and a height, as a flat frame that looks out."""
    s = 0.5
    for _ in range(30):  # z and x depend on t and s only weakly crosswise: this settles fast
        t = t_at(x, s)
        low = float(side(np.array(t), np.array(0.0))[2])
        s = (z - low) / (float(deck_z(np.array(t))) - low)
    at = [np.array(float(v)) for v in (t, s)]
    origin = out_of(side, *at, port=port, lift=0.0)
    out = out_of(side, *at, port=port, lift=1.0) - origin
    along = np.array([1.0 if port else -1.0, 0, 0])
    along -= (along @ out) * out
    along /= np.linalg.norm(along)
    return Frame(origin, along, np.cross(out, along), out)


def transom_frame(y: float, z: float) -> Frame:
    """A place on the flat stern."""
    low, high = side(np.array(1.0), np.array(0.05)), side(np.array(1.0), np.array(1.0))
    share = (z - low[2]) / (high[2] - low[2])
    up = np.array([high[0] - low[0], 0, high[2] - low[2]])
    up /= np.linalg.norm(up)
    along = np.array([0, 1.0, 0])
    origin = np.array([low[0] + share * (high[0] - low[0]), y, z])
    return Frame(origin, along, up, np.cross(along, up))


def build_hull(parts: Parts) -> None:
    """Plating, bulwark, decks, transom, strakes and the gear on deck."""
    t = np.concatenate([np.linspace(0, 0.1, 40)[:-1], np.linspace(0.1, 1, 160)])
    s = np.concatenate([np.linspace(0, 0.2, 16)[:-1], np.linspace(0.2, 1, 40)])
    for port in (False, True):
        way = mirrored if port else (lambda p: p)
        name = "port" if port else "starboard"
        parts.add(f"hull {name}", sheet(lambda a, b, w=way: w(side(a, b)), t, s))
        r = np.linspace(0, 1, 7)
        parts.add(f"bulwark {name}", sheet(lambda a, b, w=way: w(bulwark(a, b)), t, r))
        inner = sheet(lambda a, b, w=way: w(bulwark(a, b) + _inward(a)), t, r)
        parts.add("white", inner)
        cap = way(bulwark(t, np.ones_like(t)) + _inward(t) / 2)
        parts.add("varnish", tube(cap, 1.0, 8))
        strake = out_of(side, t[1:-1], np.full(len(t) - 2, 0.925), port=port, lift=0.15)
        parts.add("black", tube(strake, 0.95, 8))
    _build_transom(parts)
    _build_deck(parts, t)
    _build_stem_and_keel(parts)
    _build_gear(parts)


def _inward(t: Values) -> Points:
    """From the bulwark's outer to its inner skin."""
    t = np.asarray(t, float)
    thin = PLASTIC_MM * np.minimum(1, 12 * t + 0.1)
    return np.stack([0.6 * (1 - smooth(t, 0, 0.1)), -thin, 0 * t], -1)


def _build_transom(parts: Parts) -> None:
    s = np.linspace(0, 1, 40)
    edge = side(np.ones_like(s), s)
    across = np.linspace(-1, 1, 40)
    points = edge[:, None] * np.stack([np.ones(40), across, np.ones(40)], -1)
    parts.add("transom", grid(points, np.stack([points[..., 1], points[..., 2]], -1)))
    cap = bulwark(np.ones(1), np.ones(1))[0]
    foot = side(np.ones(1), np.ones(1))[0]
    wall = [[[p[0], y, p[2]] for y in np.linspace(-p[1], p[1], 20)] for p in (foot, cap)]
    parts.add("transom bulwark", grid(np.array(wall)))
    parts.add("white", grid(np.array(wall) - [PLASTIC_MM, 0, 0]))
    rail = np.array([[cap[0] - 0.5, y, cap[2]] for y in np.linspace(-cap[1], cap[1], 12)])
    parts.add("varnish", tube(rail, 1.0))
    rub = side(np.ones(1), np.full(1, 0.925))[0]
    parts.add("black", bar(rub * [1, -1, 1], rub, 0.95))
    frame = transom_frame(0.0, 31.0)
    parts.add("black", solid(_rudder()), bar((148, 0, 18), (150, 0, 44), 1.4))
    parts.add("brass", *_screw())
    for y in (-22, 22):  # mooring eyes
        parts.add(
            "steel",
            moved(
                turned([(0, 0), (1.6, 0), (1.6, 0.8), (0, 0.8)], 16),
                turn_to(frame.out),
                transom_frame(y, 48).origin,
            ),
        )


def _rudder() -> Points:
    return np.array(
        [
            [x, y, z]
            for x, y in ((150, 0.9), (150, -0.9), (163, 0.2), (163, -0.2), (154, 1.3), (154, -1.3))
            for z in (13.0, 28.0)
        ]
    )


def _screw() -> list:
    """Propeller of four blades on its shaft."""
    found = [bar((118, 0, 21), (146, 0, 19.5), 1.2), bar((140, 0, 19.9), (147, 0, 19.5), 2.0)]
    for k in range(4):
        a = np.deg2rad(90 * k + 35)
        way = np.array([0, np.cos(a), np.sin(a)])
        side_ = np.array([0.8, -0.55 * np.sin(a), 0.55 * np.cos(a)])
        hub = np.array([144, 0, 19.7])
        ring = [
            hub + r * way + w * side_
            for r, w in ((1.5, -1), (4, -2.2), (7, -1.6), (7.6, 0), (7, 1.6), (4, 2.2), (1.5, 1))
        ]
        found.append(grid(np.array([ring, np.array(ring) + [0.5, 0, 0]])))
        found.append(
            plate(
                Frame(hub, way, side_, np.array([1.0, 0, 0])),
                np.array([(1.5, -1), (4, -2.2), (7, -1.6), (7.6, 0), (7, 1.6), (4, 2.2), (1.5, 1)]),
                0.0,
            )
        )
    return found


def _build_deck(parts: Parts, t: Values) -> None:
    edge = side(t, np.ones_like(t)) + _inward(t)
    across = np.linspace(-1, 1, 9)
    points = edge[:, None] * np.stack([np.ones(9), across, np.ones(9)], -1)
    points[..., 2] += 0.9 * (1 - across**2) - 0.1  # camber
    parts.add("deck", grid(points, np.stack([points[..., 0], points[..., 1]], -1)))


def _build_stem_and_keel(parts: Parts) -> None:
    s = np.linspace(0.0, 1, 30)
    stem = side(np.zeros_like(s), s) * [1, 0, 1]
    under, over = stem[stem[:, 2] <= WATER_Z], stem[stem[:, 2] >= WATER_Z - 1.2]
    parts.add("antifouling", tube(under - [0.2, 0, 0], 0.75, 10))
    parts.add("navy", tube(over - [0.2, 0, 0], 0.75, 10))
    top = bulwark(np.zeros(2), np.array([0.0, 1.0])) * [1, 0, 1]
    parts.add("white", tube(top - [0.2, 0, 0], 0.8, 10))
    parts.add(
        "antifouling",
        box((-138, -0.9, KEEL_Z - 2), (140, 0.9, KEEL_Z + 2)),
        solid(
            np.array(
                [
                    [x, y, z]
                    for x, z in ((60, 13), (140, 13), (140, 19), (96, 24), (146, 30))
                    for y in (-0.9, 0.9)
                ]
            )
        ),
    )


def _build_gear(parts: Parts) -> None:
    """Anchors, fenders, bollards, hatch, windlass."""
    for port in (False, True):
        sign = -1 if port else 1
        frame = hull_frame(-141, 60, port=port)
        parts.add("steel", rim(frame, circle(2.0, 20), 0.55))
        parts.add("black", plate(frame, circle(1.9, 20), 0.06))
        parts.add(
            "steel",
            bar(
                frame.at(np.array([(0.0, 1.0)]), 0.6)[0],
                frame.at(np.array([(0.0, -7.0)]), 0.9)[0],
                0.6,
            ),
            bar(
                frame.at(np.array([(-3.0, -5.0)]), 0.9)[0],
                frame.at(np.array([(0.0, -7.4)]), 0.9)[0],
                0.6,
            ),
            bar(
                frame.at(np.array([(3.0, -5.0)]), 0.9)[0],
                frame.at(np.array([(0.0, -7.4)]), 0.9)[0],
                0.6,
            ),
        )
        for x in (-12, 40, 92):  # tyres as fenders, on short ropes
            at = hull_frame(x, 47.5, port=port)
            parts.add("rubber", rim(at, circle(3.6, 24), 1.25, 1.2, 10))
            deck_edge = at.origin + np.array([0, 0.6 * sign, 9.5])
            parts.add("rope", bar(at.at(np.array([(0.0, 3.6)]), 1.2)[0], deck_edge, 0.3))
        for x in (-118, -88, 118, 150):
            y = float(side(np.array(t_at(x)), np.array(1.0))[1]) - (5 if x > 0 else 7)
            z = float(deck_z(np.array(t_at(x)))) + 0.4
            for dx in (-2.2, 2.2):
                parts.add(
                    "black",
                    moved(
                        turned([(1.0, 0), (1.0, 4), (1.5, 4.3), (1.5, 5), (0, 5.2)], 16),
                        np.eye(3),
                        (x + dx, sign * y, z),
                    ),
                )
    z = float(deck_z(np.array(t_at(-100)))) + 0.8
    parts.add("cream", box((-112, -7, z), (-96, 7, z + 4.5), 0.6))
    parts.add("varnish", box((-112.8, -7.8, z + 4.5), (-95.2, 7.8, z + 5.3), 0.3))
    z = float(deck_z(np.array(t_at(-128))))
    parts.add(
        "steel",
        bar((-128, -6, z + 4), (-128, 6, z + 4), 2.0, 16),
        box((-131, -3, z), (-125, -1, z + 6)),
        box((-131, 1, z), (-125, 3, z + 6)),
    )


def build_tape(parts: Parts) -> None:
    """Strips of masking tape that hold the dry fit together at bow and stern."""
    for port in (False, True):
        for x, width in ((-157, 5.0), (134, 6.0)):
            t = np.array([t_at(x), t_at(x + width)])
            way = 1 if port else -1
            low = sheet(
                lambda a, b, p=port: out_of(side, a, b, port=p, lift=0.22),
                t[::way],
                np.linspace(0.74, 1.0, 12),
            )
            high = sheet(
                lambda a, b, p=port: out_of(bulwark, a, b, port=p, lift=0.22),
                t[::way],
                np.linspace(0.0, 1.0, 6),
            )
            parts.add("tape", low, high)
