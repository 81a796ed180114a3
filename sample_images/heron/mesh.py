"""Triangle meshes from curves, grids and outlines."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

Points = NDArray[np.float64]  # (n, 3) or (rows, cols, 3), mm


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles; smooth where corners are shared between them."""

    corners: Points  # (n, 3)
    faces: NDArray[np.int64]  # (m, 3)
    uv: NDArray[np.float64]  # (n, 2)


@dataclass(frozen=True, eq=False)
class Frame:
    """A place on a surface: two directions along it and one out of it, each of length 1."""

    origin: Points
    along: Points
    up: Points
    out: Points

    def at(self, flat: Points, lift: float = 0.0) -> Points:
        """Points (n, 2) in the plane as points in space, lifted off the surface."""
        flat = np.asarray(flat, float)
        return (
            self.origin
            + flat[:, :1] * self.along
            + flat[:, 1:2] * self.up
            + np.asarray(lift) * self.out
        )


@dataclass(eq=False)
class Parts:
    """What has been built so far, by material; meshes of one material become one shape."""

    by_material: dict[str, list[Mesh]] = field(default_factory=dict)

    def add(self, material: str, *meshes: Mesh) -> None:
        """Put meshes to the others of their material."""
        self.by_material.setdefault(material, []).extend(meshes)


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """One mesh of many."""
    starts = np.cumsum([0, *(len(m.corners) for m in meshes)])
    return Mesh(
        np.concatenate([m.corners for m in meshes]),
        np.concatenate([m.faces + s for m, s in zip(meshes, starts, strict=False)]),
        np.concatenate([m.uv for m in meshes]),
    )


def moved(mesh: Mesh, turn: NDArray[np.float64], shift: Sequence[float]) -> Mesh:
    """The mesh turned by a (3, 3) matrix, then shifted."""
    return Mesh(mesh.corners @ turn.T + np.asarray(shift, float), mesh.faces, mesh.uv)


def turn_z(degrees: float) -> NDArray[np.float64]:
    """The matrix of a turn about the upright axis."""
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def turn_to(direction: Sequence[float]) -> NDArray[np.float64]:
    """A matrix that turns the z axis into a direction."""
    z = np.asarray(direction, float) / np.linalg.norm(direction)
    x = np.cross([0.0, 0, 1] if abs(z[2]) < 0.9 else [1.0, 0, 0], z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def grid(points: Points, uv: NDArray[np.float64] | None = None) -> Mesh:
    """A sheet through (rows, cols, 3) points."""
    rows, cols = points.shape[:2]
    k = np.arange(rows * cols).reshape(rows, cols)
    a, b, c, d = k[:-1, :-1], k[:-1, 1:], k[1:, 1:], k[1:, :-1]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    if uv is None:
        v, u = np.meshgrid(np.linspace(0, 1, rows), np.linspace(0, 1, cols), indexing="ij")
        uv = np.stack([u, v], -1)
    return Mesh(points.reshape(-1, 3), faces, uv.reshape(-1, 2))


def sheet(
    surface: Callable[[NDArray[np.float64], NDArray[np.float64]], Points],
    u: NDArray[np.float64],
    v: NDArray[np.float64],
) -> Mesh:
    """The part of a surface between parameters; they are its texture coordinates too."""
    uu, vv = np.meshgrid(u, v)
    return grid(surface(uu, vv), np.stack([uu, vv], -1))


def fan(ring: Points, uv: NDArray[np.float64] | None = None) -> Mesh:
    """A flat star-shaped piece within a ring of points."""
    n = len(ring)
    k = np.arange(n)
    faces = np.stack([np.full(n, n), k, (k + 1) % n], -1)
    corners = np.vstack([ring, ring.mean(axis=0)])
    uv = corners[:, :2] if uv is None else np.vstack([uv, uv.mean(axis=0)])
    return Mesh(corners, faces, uv)


def solid(points: Points) -> Mesh:
    """The convex solid within points, flat-faced, texture coordinates in mm by main direction."""
    points = np.asarray(points, float)
    found = ConvexHull(points)
    tri = points[found.simplices]
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    flip = np.einsum("ij,ij->i", normal, found.equations[:, :3]) < 0
    tri[flip] = tri[flip][:, ::-1]
    corners = tri.reshape(-1, 3)
    main = np.repeat(np.abs(found.equations[:, :3]).argmax(axis=1), 3)
    flat = np.array([[1, 2], [0, 2], [0, 1]])[main]
    uv = np.take_along_axis(corners, flat, axis=1)
    return Mesh(corners, np.arange(len(corners)).reshape(-1, 3), uv)


def box(low: Sequence[float], high: Sequence[float], edge: float = 0.3) -> Mesh:
    """A block with chamfered edges: real edges catch light."""
    low_, high_ = np.asarray(low, float), np.asarray(high, float)
    edge = min(edge, 0.45 * float((high_ - low_).min()))
    points = []
    for axis in range(3):
        a, b = low_ + edge, high_ - edge
        a[axis], b[axis] = low_[axis], high_[axis]
        points += [[(a, b)[(k >> j) & 1][j] for j in range(3)] for k in range(8)]
    return solid(np.array(points))


def tube(path: Points, radius: float | NDArray[np.float64], sides: int = 8) -> Mesh:
    """A round bar along a path, with flat ends."""
    path = np.asarray(path, float)
    ahead = np.gradient(path, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    side = np.cross(ahead[0], [0.0, 0, 1] if abs(ahead[0][2]) < 0.9 else [1.0, 0, 0])
    rings = []
    radii = np.broadcast_to(np.asarray(radius, float), (len(path),))
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    for p, d, r in zip(path, ahead, radii, strict=True):
        side = side - (side @ d) * d
        side /= np.linalg.norm(side)
        rings.append(
            p + r * (np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * np.cross(d, side))
        )
    body = grid(np.array(rings))
    return joined([body, fan(rings[0][:-1]), fan(rings[-1][:-1])])


def bar(start: Sequence[float], end: Sequence[float], radius: float, sides: int = 8) -> Mesh:
    """A straight round bar."""
    return tube(np.array([start, end], float), radius, sides)


def turned(profile: Sequence[tuple[float, float]], sides: int = 32) -> Mesh:
    """A body turned on a lathe about z from (radius, height) pairs; each edge is sharp."""
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    rings = [
        np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(sides + 1, z)])
        for r, z in profile
    ]
    pieces = []
    for a, b in itertools.pairwise(rings):
        pieces.append(grid(np.array([a, b])))
    return joined(pieces)


def ring_path(outline: Points) -> Points:
    """The outline closed, its first point again at the end."""
    return np.vstack([outline, outline[:1]])


def rounded_rectangle(width: float, height: float, radius: float, steps: int = 5) -> Points:
    """A rectangle about 0 with round corners, (n, 2), anticlockwise."""
    radius = min(radius, 0.499 * width, 0.499 * height)
    points = []
    for sx, sy, start in ((1, -1, -90), (1, 1, 0), (-1, 1, 90), (-1, -1, 180)):
        for a in np.deg2rad(start + np.linspace(0, 90, steps)):
            points.append(
                (
                    sx * (width / 2 - radius) + radius * np.cos(a),
                    sy * (height / 2 - radius) + radius * np.sin(a),
                )
            )
    return np.array(points)


def circle(radius: float, corners: int = 24) -> Points:
    """A circle about 0, (n, 2)."""
    a = 2 * np.pi * np.arange(corners) / corners
    return radius * np.column_stack([np.cos(a), np.sin(a)])


def plate(frame: Frame, outline: Points, lift: float, thick: float = 0.0) -> Mesh:
    """A flat piece on a surface; texture coordinates run 0 to 1 over its box."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    uv = (outline - low) / (high - low)
    front = fan(frame.at(outline, lift), uv)
    if not thick:
        return front
    rims = [ring_path(frame.at(outline, h)) for h in (lift - thick, lift)]
    return joined([front, grid(np.array(rims))])


def rim(frame: Frame, outline: Points, radius: float, lift: float = 0.0, sides: int = 6) -> Mesh:
    """A round bead along an outline on a surface."""
    return tube(ring_path(frame.at(outline, lift)), radius, sides)
