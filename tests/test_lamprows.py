"""Rows of openings drawn in perspective, askew, bent and mixed."""

from __future__ import annotations

import numpy as np

from leakcheck.lamprows import find_rows


def perspective(points, *, tilt=0.15, depth=0.0012):
    """A plane seen at an angle: (n, 2) to (n, 2), with the scale at each point."""
    x, y = np.asarray(points, float).T
    scale = 1 / (1 + depth * x)
    return np.stack([x * scale, (y + tilt * x) * scale], axis=1), scale


def test_rows_of_a_ship_in_perspective():
    """Three decks of 14, 9 and 10 windows, the far end half as large, and two odd ones."""
    decks = [(14, 0.0, 60.0, 25.0), (9, 70.0, 60.0, 25.0), (10, 140.0, 80.0, 14.0)]
    points, sizes, truth = [], [], []
    for count, y, gap, size in decks:
        truth.append(set(range(len(points), len(points) + count)))
        points += [(gap * i, y) for i in range(count)]
        sizes += [size] * count
    points += [(820.0, -150.0), (300.0, 260.0)]
    sizes += [25.0, 60.0]
    seen, scale = perspective(points)
    order = np.random.default_rng(5).permutation(len(points))  # the file has them in any order
    rows = find_rows(seen[order], (np.array(sizes) * scale)[order])
    assert [set(order[list(row)]) for row in rows] == truth


def test_rows_of_a_house_front():
    """Four windows a floor, eight floors as close as the windows, the camera a little askew:
    floors are rows, not the longer columns, nor diagonals."""
    points = [(40.0 * i + 3 * floor, 40.0 * floor - 3 * i) for floor in range(8) for i in range(4)]
    rows = find_rows(np.array(points), np.full(32, 20.0))
    assert [set(row) for row in rows] == [set(range(4 * k, 4 * k + 4)) for k in range(8)]


def test_doors_between_windows_are_a_row_of_their_own():
    points = np.array([(30.0 * i, 0.0) for i in range(12)])
    rows = find_rows(points, np.where(np.arange(12) % 2 == 0, 8.0, 22.0))
    assert {frozenset(row) for row in rows} == {
        frozenset(range(0, 12, 2)),
        frozenset(range(1, 12, 2)),
    }


def test_a_row_cut_by_hand_is_still_one_row():
    """Windows of 10 px at 12 px, each up to 2 px off: the slope between two says little."""
    for seed in range(10):
        off = np.random.default_rng(seed).uniform(-2, 2, 20)
        points = np.stack([12.0 * np.arange(20), 50 + off], axis=1)
        assert find_rows(points, np.full(20, 10.0)) == (tuple(range(20)),), seed


def test_two_make_no_row():
    assert find_rows(np.array([(0.0, 0.0), (50.0, 0.0)]), np.array([20.0, 20.0])) == ()
