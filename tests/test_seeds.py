"""Seeds against surroundings that lamps light: what hides them, and what must not."""

from __future__ import annotations

import numpy as np
import pytest

from leakcheck.seeds import Plane, find_seeds

SHAPE = (1500, 2000)
NOISE = 0.002  # linear light, one pixel
ROWS, COLS = np.mgrid[: SHAPE[0], : SHAPE[1]]
GLOW = (1700, 750)  # x, y
SURFACE = 0.1  # linear light, without the lamps


def lamp_light() -> np.ndarray:
    """Noise, spill that ends softly in the middle, and a glow of a third of its surface.

    The glow is 150 px wide where it has fallen to a third of its peak.
    """
    noise = np.random.default_rng(2).normal(0, NOISE, SHAPE)
    spill = 0.02 / (1 + np.exp((COLS - 1200) / 40))
    away = np.hypot(COLS - GLOW[0], ROWS - GLOW[1])
    glow = SURFACE / 3 * np.exp(-(away**2) / (2 * 50.0**2))
    return (noise + spill + glow).astype(np.float32)


def searched(light: np.ndarray) -> list[tuple[float, float]]:
    """Places x, y that stand out at the coarsest scale."""
    plane = Plane("luminance", light, np.full(light.shape, NOISE**2, np.float32), (16.0,))
    seeds, _ = find_seeds((plane,), np.ones(light.shape, bool), false_alarms=0.05)
    return [(seed.col, seed.row) for seed in seeds]


@pytest.mark.parametrize(
    ("places", "depth"), [(0, 0.0), (2, 0.3), (3, 1.0)], ids=["none", "two", "three deep ones"]
)
def test_a_few_places_far_below_zero_hide_no_glow_elsewhere(places, depth):
    """Taking off 15 times as much as there is shows a bad match there, not how spill falls here."""
    light = lamp_light()
    for k in range(places):
        light[96 + 320 * k :, 128 + 240 * k :][:40, :40] -= depth
    assert any(np.hypot(x - GLOW[0], y - GLOW[1]) < 50 for x, y in searched(light))


def test_lit_surroundings_that_are_all_taken_too_much_off_are_no_fault():
    """Two blocks in three with light, the third far below zero: no place tells how uneven it is."""
    blocks = np.where((ROWS // 16 + COLS // 16) % 3 == 0, -10.0, 1.0)
    noise = np.random.default_rng(2).normal(0, NOISE, SHAPE)
    searched((blocks + noise).astype(np.float32))
