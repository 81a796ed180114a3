"""Openings that stand in a row, found from where they are and how large they look."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MIN_ROW = 3  # two of anything make a line
SIMILAR = 1.6  # neighbours in a row differ less than this in size, even in steep perspective
NEAREST = 4  # a row is looked for from each opening towards its nearest so many
OFF_LINE = 0.5  # of an opening's size: how far it may be off the line of those before it
LINE_MEMBERS = 4  # how many of those before make the line: few, so that a row may bend
MAX_GAP = 2.6  # times the gap before: one opening may be missing from a row
FLAT = 0.58  # rise / run, 30 degrees: flatter lines are taken first, for rows of a grid of windows

Points = NDArray[np.float64]


def find_rows(centres: Points, sizes: NDArray[np.float64]) -> tuple[tuple[int, ...], ...]:
    """Group openings of one kind into rows.

    Chains are grown from every pair of near neighbours; the flattest, longest and closest chain
    is taken, its members struck from the others, and so on. Each step looks only at the last
    few members, so a row may be tilted, bent or run away in perspective.

    Args:
        centres: (n, 2), x and y, px.
        sizes: (n,), square root of the area, px.
    Returns: rows of at least 3 indices each, in order along the row; rows from top to bottom.
    """
    if len(centres) < MIN_ROW:
        return ()
    chains = sorted({_grow(centres, sizes, i, j) for i, j in _pairs(centres, sizes)})
    rows: list[tuple[int, ...]] = []
    while chains:
        best = max(chains, key=lambda chain: _merit(centres, chain))
        rows.append(best)
        rest = {tuple(i for i in chain if i not in best) for chain in chains}
        chains = sorted(chain for chain in rest if len(chain) >= MIN_ROW)
    rows = [row for row in rows if len(row) >= MIN_ROW]
    return tuple(sorted(rows, key=lambda row: float(centres[list(row), 1].mean())))


def _pairs(centres: Points, sizes: NDArray[np.float64]) -> set[tuple[int, int]]:
    """Near neighbours of similar size, from left to right (or top to bottom)."""
    pairs = set()  # most are each other's neighbours
    for i in range(len(centres)):
        far = np.hypot(*(centres - centres[i]).T)
        far[(_ratio(sizes, sizes[i]) > SIMILAR) | (far == 0)] = np.inf
        for j in np.argsort(far)[:NEAREST]:
            if np.isfinite(far[j]):
                a, b = sorted((i, int(j)), key=lambda k: tuple(centres[k]))
                pairs.add((a, b))
    return pairs


def _ratio(sizes: NDArray[np.float64], size: float) -> NDArray[np.float64]:
    return np.maximum(sizes / size, size / sizes)


def _grow(centres: Points, sizes: NDArray[np.float64], i: int, j: int) -> tuple[int, ...]:
    """The longest chain through a pair, grown at both its ends."""
    chain = [i, j]
    for _ in range(2):
        while (k := _next(centres, sizes, chain)) is not None:
            chain.append(k)
        chain.reverse()
    return tuple(chain)


def _next(centres: Points, sizes: NDArray[np.float64], chain: list[int]) -> int | None:
    """The opening that goes on a chain beyond its last member."""
    last, before = centres[chain[-1]], centres[chain[-2]]
    gap = float(np.hypot(*(last - before)))
    step = last - centres[chain[-LINE_MEMBERS:][0]]
    direction = step / np.hypot(*step)
    offset = centres - last
    along = offset @ direction
    across = np.abs(offset[:, 0] * direction[1] - offset[:, 1] * direction[0])
    fits = (along > gap / MAX_GAP) & (along <= MAX_GAP * gap) & (across <= OFF_LINE * sizes)
    fits &= _ratio(sizes, sizes[chain[-1]]) <= SIMILAR
    fits[chain] = False
    if not fits.any():
        return None
    return int(np.argmin(np.where(fits, along, np.inf)))


def _merit(centres: Points, chain: tuple[int, ...]) -> tuple[bool, int, float]:
    """What makes a chain a row: flat, then long, then close together."""
    run, rise = np.abs(centres[chain[-1]] - centres[chain[0]])
    return bool(rise <= FLAT * run), len(chain), -float(np.hypot(run, rise)) / (len(chain) - 1)
