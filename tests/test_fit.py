"""Least squares of light."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear, nnls

from leakcheck.fit import fit_lower, nonnegative


@pytest.mark.parametrize("columns", [1, 3, 8, 14])
def test_nonnegative_agrees_with_scipy(columns):
    """SciPy's nnls, the same problem solved in another way; 1e-9 of the values' size: rounding."""
    rng = np.random.default_rng(columns)
    for _ in range(50):
        matrix, values = rng.random((40, columns)), rng.normal(size=40)
        theirs, _ = nnls(matrix, values)
        ours = nonnegative(matrix.T @ matrix, matrix.T @ values)
        assert (ours >= 0).all()
        np.testing.assert_allclose(ours, theirs, atol=1e-9)


@pytest.mark.parametrize("free", [1, 4, 7])
def test_free_amounts_may_be_negative(free):
    """SciPy's bounded least squares by its exact active-set method (BVLS); 1e-7: its tolerance."""
    rng = np.random.default_rng(free)
    lowest = np.r_[np.full(free, -np.inf), np.zeros(8 - free)]
    for _ in range(50):
        matrix, values = rng.normal(size=(30, 8)), rng.normal(size=30)
        theirs = lsq_linear(matrix, values, bounds=(lowest, np.inf), method="bvls", tol=1e-14).x
        ours = nonnegative(matrix.T @ matrix, matrix.T @ values, free=free)
        np.testing.assert_allclose(ours, theirs, atol=1e-7)


def test_added_light_does_not_move_the_fit():
    """A line with noise of 1 % by hand, and light added to a third of its places.

    2 %: the fit is drawn to the lower side, by a fraction of the noise.
    """
    rng = np.random.default_rng(3)
    surface = rng.uniform(0.1, 0.5, 3000)
    seen = 1.3 * surface * (1 + 0.01 * rng.normal(size=3000))
    seen[::3] += rng.uniform(0.05, 1.0, 1000)
    fitted = fit_lower(surface[:, None], seen, 0.013 * surface)
    assert fitted.amounts[0] == pytest.approx(1.3, rel=0.02)
    assert fitted.counted[::3].max() < 0.1
