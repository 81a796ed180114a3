"""What belongs together: beads along a joint are one leak, two pinholes side by side are two."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leakcheck.extent import axes_of, joined_extent, light_of
from leakcheck.regions import Region

SAME_SHARE = 0.5  # of the smaller extent that lies in the larger: the same leak seen twice
LIKE_SIZE = 8.0  # ratio of areas up to which overlapping regions are one leak
GAP_SHARE = 0.5  # gap along a line / length of the longer piece, between two slender pieces
BEAD_GAP_SHARE = 0.25  # the same to a round piece, which may be a pinhole of its own
MIN_GAP_PX = 12.0  # frame px; gaps that paint leaves in a joint
ACROSS = 0.9  # offset across the line / width, at most
LINE_WIDTH_PX = 16.0  # frame px; what is broader is no line
SLENDER = 2.0  # length / width from which a piece has a direction
TURN_DEGREES = 15.0  # between a piece's direction and the line to the next
BEAD_PX, BEAD_WIDTH_PX = 24.0, 9.0  # frame px: longer or wider pieces are no beads
BEAD_STEP_PX = 30.0  # from bead to bead
BEADS = 4  # that lie on one line by more than chance
OFF_LINE_PX = 2.5  # that a bead may lie off the line through the others
LIKE_PEAK = 6.0  # ratio of peaks of pieces of one leak, at most


def chained(regions: list[Region]) -> list[Region]:
    """Regions with rows of beads joined: small spots that follow each other along a line.

    Each bead alone may be too faint to be told from noise; a row of them is a joint.
    """
    beads = [r for r in regions if r.length < BEAD_PX and r.width < BEAD_WIDTH_PX]
    others = [r for r in regions if not any(r is bead for bead in beads)]
    chains: list[Region] = []
    while beads:
        row = _longest_row(beads)
        if len(row) < BEADS:
            break
        chain = row[0]
        for bead in row[1:]:
            chain = joined(chain, bead)
        chains.append(chain)
        beads = [bead for bead in beads if not any(bead is used for used in row)]
    return others + beads + chains


def _longest_row(beads: list[Region]) -> list[Region]:
    """The most beads that lie on one line with no gap of more than a step."""
    places = np.array([[bead.x, bead.y] for bead in beads])
    best: list[Region] = []
    for i in range(len(beads)):
        for j in range(i + 1, len(beads)):
            apart = places[j] - places[i]
            distance = float(np.hypot(*apart))
            if not 1.0 < distance < BEAD_STEP_PX:
                continue
            along_axis = apart / distance
            offset = (places - places[i]) @ np.array([-along_axis[1], along_axis[0]])
            along = (places - places[i]) @ along_axis
            reach = OFF_LINE_PX + 0.02 * np.abs(along)
            on_line = np.flatnonzero(np.abs(offset) < np.minimum(reach, 2 * OFF_LINE_PX))
            order = on_line[np.argsort(along[on_line])]
            row = _unbroken(order, along, i)
            if len(row) > len(best):
                best = [beads[k] for k in row]
    return best


def _unbroken(order: NDArray[np.intp], along: NDArray[np.float64], start: int) -> list[int]:
    """The run of neighbours round one bead that follow each other within a step."""
    breaks = np.flatnonzero(np.diff(along[order]) > BEAD_STEP_PX) + 1
    for run in np.split(order, breaks):
        if start in run:
            return [int(k) for k in run]
    return []


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
        again = True
        while again:
            again = False
            for other in left:
                if _same(first, other) or _one_line(first, other):
                    left.remove(other)
                    first = joined(first, other)
                    again = True
                    break
        done.append(first)
    return sorted(done, key=lambda region: -region.glow)


def _same(a: Region, b: Region) -> bool:
    """Whether two regions are one leak seen at two scales: they overlap and are of like size."""
    sizes = sorted((a.area, b.area))
    return _overlap(a, b) > SAME_SHARE and sizes[1] < LIKE_SIZE * sizes[0]


def _overlap(a: Region, b: Region) -> float:
    """Shared pixels / pixels of the smaller extent."""
    first, second = a.extent, b.extent
    top, left = max(first.top, second.top), max(first.left, second.left)
    bottom = min(first.top + first.mask.shape[0], second.top + second.mask.shape[0])
    right = min(first.left + first.mask.shape[1], second.left + second.mask.shape[1])
    if bottom <= top or right <= left:
        return 0.0
    shared = np.ones((bottom - top, right - left), np.bool_)
    for part in (first, second):
        shared &= part.mask[
            top - part.top : bottom - part.top, left - part.left : right - part.left
        ]
    return float(shared.sum()) / max(1.0, min(a.area, b.area))


def _one_line(a: Region, b: Region) -> bool:
    """Whether two regions are pieces of one line: at least one has a direction, both lie on it."""
    long, short = (a, b) if a.length >= b.length else (b, a)
    if long.length < SLENDER * long.width or max(a.width, b.width) > LINE_WIDTH_PX:
        return False
    if max(a.peak, b.peak) > LIKE_PEAK * max(min(a.peak, b.peak), 1e-9):
        return False
    direction = _direction(long)
    centre = np.array([long.x, long.y])
    along_long = (_points(long) - centre) @ direction
    along_short = (_points(short) - centre) @ direction
    gap = max(along_short.min() - along_long.max(), along_long.min() - along_short.max())
    round_piece = short.length < SLENDER * short.width
    share = BEAD_GAP_SHARE if round_piece else GAP_SHARE
    if gap > max(MIN_GAP_PX, share * long.length):
        return False
    normal = np.array([-direction[1], direction[0]])
    middle = float((np.array([short.x, short.y]) - centre) @ normal)
    if abs(middle) > ACROSS * max(long.width, 3.0) + np.tan(np.radians(3.0)) * max(gap, 0.0):
        return False
    if round_piece:
        return short.width < 1.5 * max(long.width, 3.0)
    turn = abs(float(_direction(short) @ direction))
    return bool(turn > np.cos(np.radians(TURN_DEGREES)))


def _points(region: Region) -> NDArray[np.float64]:
    rows, cols = np.nonzero(region.extent.mask)
    return np.column_stack([cols + region.extent.left, rows + region.extent.top]).astype(float)


def _direction(region: Region) -> NDArray[np.float64]:
    """Unit vector along a region."""
    points = _points(region)
    _, vectors = np.linalg.eigh(np.cov(points.T) + np.eye(2) / 12)
    return np.asarray(vectors[:, 1])


def joined(a: Region, b: Region) -> Region:
    """One region of two; what describes the surroundings is the stronger one's."""
    main, other = (a, b) if a.glow >= b.glow else (b, a)
    extent = joined_extent(main.extent, other.extent)
    light = light_of(extent)
    rows, cols = np.nonzero(extent.mask)
    length, width = axes_of(cols, rows)
    return replace(
        main,
        extent=extent,
        x=light.x,
        y=light.y,
        area=light.area,
        glow=light.glow,
        contrast=light.contrast,
        peak=max(a.peak, b.peak),
        pieces=a.pieces + b.pieces,
        length=length,
        width=width,
    )
