"""Polygons of several rings, filled by even-odd: their pixels, extent and finer copies."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.photo import Mask

Points = NDArray[np.float64]  # (n, 2): x and y

EDGES_AT_ONCE = 2000  # bounds the memory of crossings: this many times the rows
OUTLINE_BITS = 4  # fractional bits of the points that cv2 draws: 1/16 px
# A strip six times as long as wide has a perimeter^2 / area of 33, a square of 16.
STRIP_ROUNDNESS = 32.0


def filled(rings: Sequence[Points], *, shape: tuple[int, int]) -> tuple[int, int, Mask]:
    """The pixels whose centres lie inside, as a part of an image.

    Args:
        rings: closed polygons (n, 2), x and y in pixels, an integer is a pixel's centre.
        shape: rows and columns of the image; what lies outside is cut off.
    Returns: row and column of the part's first pixel, and the part, True inside.
    """
    points = np.concatenate(rings)
    low = np.clip(np.ceil(points.min(axis=0)), 0, shape[::-1]).astype(int)
    high = np.clip(np.floor(points.max(axis=0)) + 1, low, shape[::-1]).astype(int)
    columns, rows = high - low
    # Each edge switches all pixels on its right; an odd number of switches is inside.
    switches = np.zeros((rows, columns + 1), np.uint8)
    start = np.concatenate(rings)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    for at in range(0, len(start), EDGES_AT_ONCE):
        y, x = _crossings(start[at : at + EDGES_AT_ONCE], end[at : at + EDGES_AT_ONCE], low, high)
        np.add.at(
            switches, (y - low[1], np.clip(np.ceil(x), low[0], high[0]).astype(int) - low[0]), 1
        )
    inside = np.cumsum(switches[:, :-1], axis=1, dtype=np.uint8)  # wraps, but keeps odd odd
    inside &= 1
    return int(low[1]), int(low[0]), inside.view(np.bool_)


def covered(polygons: Sequence[Points], shape: tuple[int, int]) -> Mask:
    """True inside polygons and on their borders, corners rounded to pixels; none makes a hole."""
    inside = np.zeros(shape, np.uint8)
    for polygon in polygons:
        ring = np.round(polygon).astype(np.int32).reshape(-1, 1, 2)
        cv2.fillPoly(inside, [ring], 1)
        cv2.polylines(inside, [ring], True, 1)
    return inside > 0


def paint(image: NDArray[np.int32], rings: Sequence[Points], value: int) -> None:
    """Set `value` at the pixels whose centres lie inside, in place.

    A strip thinner than a pixel, and a shape that covers no centre, would come out in crumbs or
    not at all: they get every pixel that their outline runs through.
    """
    row, column, inside = filled(rings, shape=(image.shape[0], image.shape[1]))
    image[row : row + inside.shape[0], column : column + inside.shape[1]][inside] = value
    count, around = int(inside.sum()), perimeter(rings)
    is_strip = 2 * count < around and around**2 > STRIP_ROUNDNESS * count
    if is_strip or count == 0:
        outlines = [np.round(ring * 2**OUTLINE_BITS).astype(np.int32) for ring in rings]
        cv2.polylines(image, outlines, True, value, shift=OUTLINE_BITS)


def perimeter(rings: Sequence[Points]) -> float:
    """Length of all rings."""
    return float(sum(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum() for ring in rings))


def has_area(rings: Sequence[Points], *, least_px: float) -> bool:
    """True where a ring is wider than `least_px` across its narrowest direction, about.

    Unlike the area by a formula this holds for a bow tie, whose halves cancel out; a ring that
    runs to and fro along a bent line counts as well.
    """
    for ring in rings:
        if len(ring) < 3:
            continue
        # The direction of least spread is that of the covariance's smaller eigenvalue.
        _, directions = np.linalg.eigh(np.cov(ring.T))
        if np.ptp(ring @ directions[:, 0]) > least_px:
            return True
    return False


def finer(ring: Points, *, step_px: float) -> Points:
    """The same ring with points at most `step_px` apart."""
    edges = np.roll(ring, -1, axis=0) - ring
    parts = np.maximum(1, np.ceil(np.hypot(edges[:, 0], edges[:, 1]) / step_px)).astype(int)
    nth = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    share = nth / np.repeat(parts, parts)
    points: Points = np.repeat(ring, parts, axis=0) + share[:, None] * np.repeat(
        edges, parts, axis=0
    )
    return points


def _crossings(
    start: Points, end: Points, low: NDArray[np.int64], high: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Points]:
    """Where edges cross the centre lines of the rows from low to high: row and x of each."""
    y = np.stack([start[:, 1], end[:, 1]])
    # An edge owns its upper end and not its lower one, so that a corner counts once.
    first = np.clip(np.ceil(y.min(axis=0)), low[1], high[1]).astype(int)
    last = np.clip(np.ceil(y.max(axis=0)), low[1], high[1]).astype(int)
    count = last - first
    row = np.repeat(first - np.cumsum(count) + count, count) + np.arange(count.sum())
    edge = np.repeat(np.arange(len(start)), count)
    along = (row - start[edge, 1]) / (end[edge, 1] - start[edge, 1])
    return row, start[edge, 0] + along * (end[edge, 0] - start[edge, 0])
