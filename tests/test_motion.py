"""Robust fits of motions where there is little to fit: few points, all alike, or on one line."""

from __future__ import annotations

import contextlib

import cv2
import numpy as np
import pytest

from leakcheck.errors import RegistrationError
from leakcheck.motion import agreed, fundamental, robust_homography

HARD = {
    "one point many times": np.full((16, 2), 7.0),
    "points on a line": np.column_stack([np.arange(16.0), np.arange(16.0)]),
    "two points": np.repeat([[0.0, 0.0], [5.0, 9.0]], 8, axis=0),
    "a column": np.column_stack([np.zeros(16), np.arange(16.0)]),
}


@pytest.mark.parametrize("points", HARD.values(), ids=HARD.keys())
def test_points_that_no_motion_follows_from_are_no_fault(points):
    """Through such points go endlessly many motions; OpenCV's fits throw at some of them."""
    matrix = fundamental(points, points + 1)
    assert matrix.shape == (3, 3)
    with contextlib.suppress(RegistrationError):
        assert robust_homography(points, points + 1).shape == (3, 3)


def test_a_fit_that_throws_has_found_nothing():
    """As one of OpenCV did on a damaged photo of the fuzzing run (its case 82)."""

    def throws(*args):
        raise cv2.error("(-215:Assertion failed) !model.empty() in function 'setModelParameters'")

    assert agreed(throws, 1, 2) == (None, 0)
    assert agreed(lambda: (np.full((3, 3), np.nan), np.ones(9))) == (None, 0)
    assert agreed(lambda: (None, None)) == (None, 0)


def test_what_most_points_agree_with_is_found():
    """Truth: a shift by hand, three of twenty points elsewhere."""
    rng = np.random.default_rng(2)
    a = rng.uniform(0, 300, (20, 2))
    b = a + np.array([4.0, -3.0])
    b[:3] += 90
    matrix, agree = agreed(cv2.findHomography, a, b, cv2.USAC_MAGSAC, 2.0)
    assert agree == 17
    assert np.allclose(matrix, [[1, 0, 4], [0, 1, -3], [0, 0, 1]], atol=1e-6)
