"""Small operations on images of light.

Truth: NumPy's own median and quantile.
"""

from __future__ import annotations

import numpy as np
import pytest

from leakcheck.light import covariance, median, quantile

SHAPES = [(1,), (2,), (7,), (8,), (30, 41), (30, 40)]


@pytest.mark.parametrize("shape", SHAPES)
def test_median_is_the_one_numpy_takes(shape):
    """Of an odd and of an even number of values; float32 holds 24 bits."""
    values = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    assert median(values) == pytest.approx(float(np.median(values)), rel=2**-23)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("share", [0.0, 0.4, 0.95, 1.0])
def test_quantile_is_the_one_numpy_takes(shape, share):
    """Linear between two values; the ends are the least and the greatest."""
    values = np.random.default_rng(2).normal(size=shape).astype(np.float32)
    expected = float(np.quantile(values.astype(float), share))
    assert quantile(values, share) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("weighted", [True, False])
def test_covariance_is_the_one_numpy_takes(weighted):
    """Its steps are NumPy's own: what is told apart by it must not move."""
    random = np.random.default_rng(4)
    x, y = random.integers(0, 50, (2, 333))
    weight = random.random(333).astype(np.float32) if weighted else None
    np.testing.assert_allclose(
        covariance(x, y, weight), np.cov(x, y, aweights=weight), rtol=1e-12, atol=0
    )


def test_values_stay_in_their_order():
    values = np.array([3.0, 1.0, 2.0])
    median(values)
    quantile(values, 0.5)
    assert values.tolist() == [3.0, 1.0, 2.0]
