"""What belongs together: beads along a joint are one leak, two pinholes side by side are two."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leakcheck.photo import Mask
from leakcheck.regions import Region

SAME_SHARE = 0.3  # of the smaller extent that lies in the larger: the same leak seen twice
BEAD_GAP = 2.5  # gap along a line / length of the longer piece
MIN_GAP_PX = 12.0  # frame px; gaps that paint leaves in a joint
ACROSS = 0.9  # offset across the line / width, at most
SLENDER = 2.0  # length / width from which a piece has a direction
TURN_DEGREES = 15.0  # between a piece's direction and the line to the next


def grouped(regions: list[Region]) -> list[Region]:
    """Regions with those joined that overlap or lie on one line as pieces of it.

    Args:
        regions: as measured, of one pair.
    Returns: the joined ones, strongest glow first.
    """
    left = sorted(regions, key=lambda region: -region.glow)
    done: list[Region] = []
    while left:
        first = left.pop(0)
        joined = True
        while joined:
            joined = False
            for other in left:
                if _overlap(first, other) > SAME_SHARE or _one_line(first, other):
                    left.remove(other)
                    first = _joined(first, other)
                    joined = True
                    break
        done.append(first)
    return sorted(done, key=lambda region: -region.glow)


def _overlap(a: Region, b: Region) -> float:
    """Shared pixels / pixels of the smaller extent."""
    top, left = max(a.top, b.top), max(a.left, b.left)
    bottom = min(a.top + a.mask.shape[0], b.top + b.mask.shape[0])
    right = min(a.left + a.mask.shape[1], b.left + b.mask.shape[1])
    if bottom <= top or right <= left:
        return 0.0
    first = a.mask[top - a.top : bottom - a.top, left - a.left : right - a.left]
    second = b.mask[top - b.top : bottom - b.top, left - b.left : right - b.left]
    return float((first & second).sum()) / max(1.0, min(a.area, b.area))


def _one_line(a: Region, b: Region) -> bool:
    """Whether two regions are pieces of one line: at least one has a direction, both lie on it."""
    long, short = (a, b) if a.length >= b.length else (b, a)
    if long.length < SLENDER * long.width:
        return False
    direction = _direction(long)
    points_long, points_short = _points(long), _points(short)
    centre = np.array([long.x, long.y])
    along_long = (points_long - centre) @ direction
    along_short = (points_short - centre) @ direction
    gap = max(along_short.min() - along_long.max(), along_long.min() - along_short.max())
    if gap > min(BEAD_GAP * long.length, max(MIN_GAP_PX, long.length)):
        return False
    normal = np.array([-direction[1], direction[0]])
    middle = (np.array([short.x, short.y]) - centre) @ normal
    if abs(middle) > ACROSS * max(long.width, 3.0) + np.tan(np.radians(3.0)) * max(gap, 0.0):
        return False
    if short.length < SLENDER * short.width:
        return short.width < 2.5 * long.width
    turn = abs(float(_direction(short) @ direction))
    return turn > np.cos(np.radians(TURN_DEGREES))


def _points(region: Region) -> NDArray[np.float64]:
    rows, cols = np.nonzero(region.mask)
    return np.column_stack([cols + region.left, rows + region.top]).astype(float)


def _direction(region: Region) -> NDArray[np.float64]:
    """Unit vector along a region."""
    points = _points(region)
    _, vectors = np.linalg.eigh(np.cov(points.T) + np.eye(2) / 12)
    return np.asarray(vectors[:, 1])


def _joined(a: Region, b: Region) -> Region:
    """One region of two; what describes the surroundings is the stronger one's."""
    top, left = min(a.top, b.top), min(a.left, b.left)
    bottom = max(a.top + a.mask.shape[0], b.top + b.mask.shape[0])
    right = max(a.left + a.mask.shape[1], b.left + b.mask.shape[1])
    mask: Mask = np.zeros((bottom - top, right - left), np.bool_)
    for part in (a, b):
        rows, cols = part.mask.shape
        mask[
            part.top - top : part.top - top + rows, part.left - left : part.left - left + cols
        ] |= part.mask
    shared = _overlap(a, b) * min(a.area, b.area)
    area = float(mask.sum())
    main = a if a.glow >= b.glow else b
    other = b if main is a else a
    new_share = 1.0 - shared / max(other.area, 1.0)
    glow = main.glow + other.glow * new_share
    weight = other.glow * new_share / max(glow, 1e-9)
    points = np.column_stack(np.nonzero(mask)[::-1]).astype(float)
    spread = np.cov(points.T) + np.eye(2) / 12 if len(points) > 2 else np.eye(2) / 12
    axes = 4 * np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 1e-6))
    return replace(
        main,
        mask=mask,
        top=top,
        left=left,
        x=main.x + weight * (other.x - main.x),
        y=main.y + weight * (other.y - main.y),
        area=area,
        glow=glow,
        contrast=glow / max(area, 1.0),
        peak=max(a.peak, b.peak),
        length=float(axes[1]),
        width=float(axes[0]),
    )
