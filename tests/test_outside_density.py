"""Optical density against ISO 5 and the Beer-Lambert law."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from leakcheck.coats import coats_needed, density


def test_density_is_the_logarithm_of_transmittance():
    """ISO 5-1: transmittance 1, 1/2, 1/10, 1/1000 are densities 0, 0.301, 1, 3."""
    found = [density(1.0, share) for share in (1.0, 0.5, 0.1, 0.001)]
    assert found == pytest.approx([0.0, 0.30103, 1.0, 3.0], abs=1e-5)


def test_a_step_tablet_has_steps_of_015():
    """ISO 5-2, 21 steps: from step to step 0.15, in all 3.0; two steps are half of the light."""
    light = 10.0 ** (-0.15 * np.arange(21))
    between = [density(a, b) for a, b in itertools.pairwise(light)]
    assert between == pytest.approx([0.15] * 20)
    assert density(light[0], light[-1]) == pytest.approx(3.0)
    assert light[2] / light[0] == pytest.approx(0.5, rel=0.003)


@pytest.mark.parametrize("per_coat", [0.3, 0.7, 1.2])
def test_coats_stop_light_by_the_law_of_beer_and_lambert(per_coat):
    """Each coat lets the same share through: after the coats that are said to be needed the light
    is below what is noticed, after one less it is not yet."""
    contrast, noticeable = 0.8, 0.02
    needed = coats_needed(contrast, per_coat, 0.0, noticeable=noticeable)
    assert needed is not None
    share = 10.0**-per_coat
    assert contrast * share**needed.likely <= noticeable
    assert contrast * share ** (needed.likely - 1) > noticeable
