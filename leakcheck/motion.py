"""Motions of points between two pictures, and their robust fits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

import cv2 as opencv
import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import RegistrationError
from leakcheck.light import median
from leakcheck.photo import Image

cv2: Any = opencv  # its type hints know no images of floats

Points: TypeAlias = NDArray[np.float64]  # (n, 2): x, y
Matrix: TypeAlias = NDArray[np.float64]  # (3, 3)
Vector: TypeAlias = NDArray[np.float64]  # (n,)
Fit: TypeAlias = Callable[[Points, Points, Vector], Matrix]

OUTLIER_PX = 8.0  # parallax of a hand-held pair must not look like an outlier
LEAST_SPREAD_PX = 0.02  # tracking is never surer
LARGEST_SPREAD_PX = 3.0  # what moved between the photos must not pass for parallax
START_POINTS = 600  # are enough to start from; where all lie in a plane each draw takes long
TOO_PLAIN = (
    "the two photos do not line up: too little of the detail outside the lit openings is found "
    "in both; photograph the same side from the same place, with enough room light that edges show"
)


def project(matrix: Matrix, xy: Points) -> Points:
    """Points through a homography.

    Written out: what a matrix product rounds to depends on where in memory its operands lie, and
    the same photos must give the same picture to the last bit.
    """
    x, y = xy[:, 0], xy[:, 1]
    u, v, w = (row[0] * x + row[1] * y + row[2] for row in matrix)
    return np.column_stack([u / w, v / w])


def unproject(matrix: Matrix, xy: Points) -> Points:
    """Points back through a homography."""
    return project(np.asarray(np.linalg.inv(matrix), float), xy)


def distance(matrix: Matrix, a: Points, b: Points) -> NDArray[np.float64]:
    """How far the homography misses, (n,), px of b."""
    return np.asarray(np.hypot(*(project(matrix, a) - b).T), float)


def displacement(a: Matrix, b: Matrix, shape: tuple[int, ...]) -> float:
    """Largest distance between where two homographies put a picture's corners, px."""
    rows, cols = shape[:2]
    corners: Points = np.array([[0, 0], [cols, 0], [0, rows], [cols, rows]], np.float64)
    return float(np.hypot(*(project(a, corners) - project(b, corners)).T).max())


def bilinear(grid: Image, place: Points) -> Points:
    """Values of a (rows, cols, k) grid at x, y in grid steps, held at its borders."""
    rows, cols = grid.shape[:2]
    x = np.clip(place[:, 0], 0, cols - 1)
    y = np.clip(place[:, 1], 0, rows - 1)
    x0, y0 = np.minimum(x.astype(int), cols - 2), np.minimum(y.astype(int), rows - 2)
    u, v = (x - x0)[:, None], (y - y0)[:, None]
    top = grid[y0, x0] * (1 - u) + grid[y0, x0 + 1] * u
    bottom = grid[y0 + 1, x0] * (1 - u) + grid[y0 + 1, x0 + 1] * u
    return np.asarray(top * (1 - v) + bottom * v, float)


def scaling(step: float) -> Matrix:
    """Small px -> large px, both counted from a pixel's centre."""
    return np.array([[step, 0, 0.5 * step - 0.5], [0, step, 0.5 * step - 0.5], [0, 0, 1]])


def rescale(matrix: Matrix, moving_step: float, fixed_step: float) -> Matrix:
    """A homography between coarse images as one between frames."""
    out = scaling(moving_step) @ matrix @ np.linalg.inv(scaling(fixed_step))
    return np.asarray(out / out[2, 2], float)


def robust_homography(a: Points, b: Points) -> Matrix:
    """Homography a -> b that most points agree with."""
    matrix, _ = agreed(cv2.findHomography, a, b, cv2.USAC_MAGSAC, OUTLIER_PX)
    if matrix is None:
        raise RegistrationError(TOO_PLAIN)
    return matrix


def agreed(fit: Callable[..., Any], *args: Any, **options: Any) -> tuple[Matrix | None, int]:
    """What one of OpenCV's robust fits finds and how many points agree; None, 0 where it fails.

    It does not always say so with an empty answer: on few points, or points on a line, its own
    check of itself can throw.
    """
    try:
        matrix, inside = fit(*args, **options)
    except cv2.error:
        return None, 0
    if matrix is None or not np.isfinite(matrix).all():
        return None, 0
    return np.asarray(matrix, float), int(inside.sum())


def reweighted(a: Points, b: Points, matrix: Matrix, fit: Fit) -> Matrix:
    """Iteratively reweighted least squares with Cauchy weights (Huber 1981, ch. 7)."""
    for _ in range(10):
        left = np.hypot(*(project(matrix, a) - b).T)
        spread = 1.4826 * median(left)
        scale = min(max(spread, LEAST_SPREAD_PX), LARGEST_SPREAD_PX)
        matrix = fit(a, b, 1 / (1 + (left / (2 * scale)) ** 2))
    return matrix


def homography(a: Points, b: Points, weight: NDArray[np.float64]) -> Matrix:
    """Weighted least squares homography: direct linear transform on normalised points
    (Hartley & Zisserman 2004, alg. 4.2).
    """
    ta, tb = centred(a), centred(b)
    p, q = project(ta, a), project(tb, b)
    one, zero = np.ones((len(a), 1)), np.zeros((len(a), 3))
    ph = np.hstack([p, one])
    rows = np.vstack([np.hstack([ph, zero, -q[:, :1] * ph]), np.hstack([zero, ph, -q[:, 1:] * ph])])
    w = np.sqrt(np.concatenate([weight, weight]))[:, None]
    solution = np.linalg.lstsq((rows * w)[:, :8], -(rows * w)[:, 8], rcond=None)[0]
    matrix = np.linalg.inv(tb) @ np.append(solution, 1.0).reshape(3, 3) @ ta
    return np.asarray(matrix / matrix[2, 2], float)


def similarity(a: Points, b: Points, weight: NDArray[np.float64]) -> Matrix:
    """Weighted least squares shift, turn and scale."""
    w = weight / weight.sum()
    ca, cb = w @ a, w @ b
    za, zb = (a - ca) @ np.array([1, 1j]), (b - cb) @ np.array([1, 1j])
    z = (w * np.conj(za) * zb).sum() / (w * np.abs(za) ** 2).sum()
    turn = np.array([[z.real, -z.imag], [z.imag, z.real]])
    return np.vstack([np.column_stack([turn, cb - turn @ ca]), [0, 0, 1]])


def fundamental(a: Points, b: Points) -> Matrix:
    """Fundamental matrix of matching points, by the eight-point algorithm, robustly reweighted.

    Args:
        a: (n, 2), fixed px; n at least 16.
        b: (n, 2), moving px.
    Returns: (3, 3), b' F a = 0.
    Source: Hartley 1997, doi:10.1109/34.601246; weights from Sampson's distance and Cauchy.
    """
    some = slice(None, None, -(-len(a) // START_POINTS))
    found, _ = agreed(cv2.findFundamentalMat, a[some], b[some], cv2.USAC_MAGSAC, 1.0, 0.999, 2000)
    if found is None:
        return np.zeros((3, 3))
    matrix = found[:3]
    for _ in range(12):
        left, slope = _sampson(matrix, a, b)
        scale = max(1.4826 * median(np.abs(left)), 0.03)
        weight = 1 / np.sqrt(1 + (left / (2 * scale)) ** 2) / np.maximum(slope, 1e-12)
        matrix = _eight_point(a, b, weight / median(weight))
    return matrix


def _sampson(matrix: Matrix, a: Points, b: Points) -> tuple[Points, Points]:
    """Distance of each pair from its epipolar line, px (n,), and the slope it was divided by."""
    ha, hb = (np.column_stack([p, np.ones(len(p))]) for p in (a, b))
    la, lb = hb @ matrix, ha @ matrix.T
    slope = np.sqrt((la[:, :2] ** 2).sum(axis=1) / 2 + (lb[:, :2] ** 2).sum(axis=1) / 2)
    return (hb * lb).sum(axis=1) / np.maximum(slope, 1e-12), slope


def _eight_point(a: Points, b: Points, weight: NDArray[np.float64]) -> Matrix:
    """Weighted least squares fundamental matrix of rank two."""
    sides = []
    for p in (a, b):
        centre, spread = p.mean(axis=0), max(float(p.std()), 1e-9)
        sides.append(np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, spread]]) / spread)
    pa, pb = (
        np.column_stack([p, np.ones(len(p))]) @ t.T for p, t in zip((a, b), sides, strict=True)
    )
    rows = (pb[:, :, None] * pa[:, None, :]).reshape(len(a), 9) * weight[:, None]
    u, s, vt = np.linalg.svd(np.linalg.svd(rows, full_matrices=False)[2][8].reshape(3, 3))
    return np.asarray(sides[1].T @ (u * [s[0], s[1], 0]) @ vt @ sides[0], float)


def split(matrix: Matrix, a: Points, b: Points) -> tuple[Points, Points]:
    """Shifts a -> b as parts along and across the epipolar lines, px, (n,) each."""
    foot, along = epipolar_lines(matrix, a)
    left = b - a - foot
    return (left * along).sum(axis=1), left[:, 1] * along[:, 0] - left[:, 0] * along[:, 1]


def epipolar_lines(matrix: Matrix, at: Points) -> tuple[Points, Points]:
    """From places (n, 2) to the nearest points of their epipolar lines, and along those lines."""
    line = at @ matrix[:, :2].T + matrix[:, 2]
    line = line / np.maximum(np.hypot(line[:, 0], line[:, 1]), 1e-12)[:, None]
    away = (line[:, :2] * at).sum(axis=1) + line[:, 2]
    return -away[:, None] * line[:, :2], np.column_stack([-line[:, 1], line[:, 0]])


def centred(xy: Points) -> Matrix:
    """Transform that gives points mean zero and spread one."""
    centre, spread = xy.mean(axis=0), max(float(xy.std()), 1e-9)
    return np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, spread]]) / spread
