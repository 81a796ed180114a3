"""The noise model against EMVA 1288 release 4.0: simulated photons, electrons and read-out."""

from __future__ import annotations

import numpy as np
import pytest

from leakcheck.noise import fine_square, fit_noise, texture_energy, variance

FULL_WELL = 20_000  # electrons at the end of the scale
ROWS, COLS = 600, 900


def photographed(light: np.ndarray, read_electrons: float, rng: np.random.Generator) -> np.ndarray:
    """Photons counted by Poisson's law, and the amplifier's noise, as linear light."""
    electrons = rng.poisson(light * FULL_WELL) + rng.normal(0, read_electrons, light.shape)
    return (electrons / FULL_WELL).astype(np.float32)


def steps(lights: tuple[float, ...]) -> np.ndarray:
    """Even fields of these lights beside each other."""
    return np.repeat(np.repeat([lights], ROWS, 0), COLS // len(lights), 1).astype(float)


@pytest.mark.parametrize("read_electrons", [5.0, 40.0])
@pytest.mark.parametrize("gain", [1.0, 0.5])
def test_the_linear_law_is_found_again(read_electrons, gain):
    """Variance of lit - gain x unlit: each photo's is mean / full well + (read / full well)^2.

    8 %: the fit takes variances from medians of what is finer than two pixels, which keeps 0.94
    of white noise where it reckons with 0.9.
    """
    rng = np.random.default_rng(7)
    light = steps((0.02, 0.05, 0.1, 0.2, 0.35, 0.5))
    unlit = photographed(light, read_electrons, rng)
    lit = photographed(light * gain, read_electrons, rng)
    expected = (light * gain).astype(np.float32)
    model = fit_noise(
        fine_square(lit - np.float32(gain) * unlit),
        expected,
        texture_energy(expected),
        np.ones(expected.shape, bool),
    )
    slope = (1 + gain) / FULL_WELL  # of lit light: its own photons, and the unlit photo's scaled
    floor = (1 + gain**2) * (read_electrons / FULL_WELL) ** 2
    for level in (0.02, 0.1, 0.5):
        truth = slope * level * gain + floor
        fitted = model.slope * level * gain + model.floor
        assert fitted == pytest.approx(truth, rel=0.08), level
    assert model.slope == pytest.approx(slope, rel=0.12)  # shares what the floor is off by


def test_leaks_do_not_move_the_fit():
    """A hundredth of the pixels lit by leaks of any strength: medians hardly see them.

    15 %: smoothing carries each leak's edge four pixels outwards, over a twentieth of all pixels,
    and a median moves by about twice that share.
    """
    rng = np.random.default_rng(8)
    light = steps((0.05, 0.1, 0.2, 0.4))
    unlit, lit = (photographed(light, 10.0, rng) for _ in range(2))
    expected = light.astype(np.float32)
    energy, usable = texture_energy(expected), np.ones(light.shape, bool)
    clean = variance(
        expected, energy, fit_noise(fine_square(lit - unlit), expected, energy, usable)
    )
    leaking = lit.copy()
    for _ in range(150):
        row, col = rng.integers(0, ROWS - 6), rng.integers(0, COLS - 6)
        leaking[row : row + 6, col : col + 6] += rng.uniform(0.01, 0.5)
    spoilt = variance(
        expected, energy, fit_noise(fine_square(leaking - unlit), expected, energy, usable)
    )
    assert np.median(spoilt / clean) == pytest.approx(1.0, abs=0.15)


def test_the_stated_variance_is_the_scatter_by_level():
    """Photon transfer as EMVA 1288 asks for it: the measured variance of each field, by hand."""
    rng = np.random.default_rng(9)
    lights = (0.03, 0.1, 0.3)
    light = steps(lights)
    residual = photographed(light, 15.0, rng) - photographed(light, 15.0, rng)
    expected = light.astype(np.float32)
    energy = texture_energy(expected)
    model = fit_noise(fine_square(residual), expected, energy, np.ones(light.shape, bool))
    stated = variance(expected, energy, model)
    for k in range(len(lights)):
        field = slice(k * 300 + 20, (k + 1) * 300 - 20)  # without the step between two fields
        assert stated[:, field].mean() == pytest.approx(residual[:, field].var(), rel=0.08)
