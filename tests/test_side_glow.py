"""A glow on one side of a beacon, told from what else lies round it, on drawn beacons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from leakcheck.added import added_light
from leakcheck.regions import ground_of
from leakcheck.residual import Residual, residual_light
from leakcheck.side_glow import side_glows
from leakcheck.spill import Sorted

SHAPE = (160, 160)
AT = (80.3, 79.6)  # x, y
RADIUS = 5.0
PAINT = 0.12
NOISE = 0.002
RED = (1.0, 0.12, 0.06)


@dataclass(frozen=True)
class Drawn:
    """A wall with one red beacon."""

    unlit: np.ndarray  # (rows, cols, 3), linear light without noise
    lamps: np.ndarray  # what the lamps add, the same
    beacon: np.ndarray  # (rows, cols), True inside


def away(x: float, y: float) -> np.ndarray:
    """Distance of each pixel from a place."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.hypot(cols - x, rows - y)


def bell(x: float, y: float, spread: float) -> np.ndarray:
    """A glow with a peak of one."""
    return np.exp(-(away(x, y) ** 2) / (2 * spread**2))


def red(light: np.ndarray) -> np.ndarray:
    """Light of this strength in the beacon's colour."""
    return np.asarray(light[..., None] * np.array(RED))


def wall(*more: np.ndarray) -> Drawn:
    """The beacon with its bloom, and what else its lamp lights."""
    beacon = away(*AT) < RADIUS
    lamp = gaussian_filter(0.6 * (away(*AT) < RADIUS), 0.9)
    bloom = 0.02 * np.exp(-np.maximum(away(*AT) - RADIUS, 0) / 4.0)
    lamps = red(lamp + bloom)
    for light in more:
        lamps = lamps + light
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    # Panels of other paint far off: one shade alone does not tell how the exposures compare.
    panels = np.where(away(*AT) < 50, 1.0, 0.5 + 0.25 * ((rows // 20 + cols // 20) % 4))
    return Drawn(PAINT * np.repeat(panels[..., None], 3, axis=2), lamps, beacon)


def residual_of(drawn: Drawn, *, inside: np.ndarray | None = None) -> Residual:
    """What the steps before make of a pair of it, with noise."""
    rng = np.random.default_rng(5)
    unlit, lit = (
        (light + rng.normal(0, NOISE, light.shape)).astype(np.float32)
        for light in (drawn.unlit, drawn.unlit + drawn.lamps)
    )
    no = np.zeros(SHAPE, bool)
    added = added_light(
        unlit, lit, overlap=~no, unlit_clipped=no, lit_clipped=no, openings=drawn.beacon
    )
    return residual_light(
        added,
        lit,
        lit_clipped=no,
        openings=drawn.beacon,
        inside=inside,
        shift_px=0.0,
    )


def glow_of(drawn: Drawn, *, inside: np.ndarray | None = None) -> Sorted | None:
    """The beacon's side glow."""
    residual = residual_of(drawn, inside=inside)
    return side_glows(residual, ground_of(residual), {"port": drawn.beacon}).get("port")


def side(turn: float, strength: float) -> np.ndarray:
    """An unpainted side of the clear part, as wide as the beacon and beside it."""
    x, y = AT[0] + 10 * np.cos(turn), AT[1] + 10 * np.sin(turn)
    return red(strength * bell(x, y, 4.0))


@pytest.mark.parametrize("turn", np.arange(8) * np.pi / 4)
def test_a_bare_side_is_found_wherever_it_lies(turn: float) -> None:
    """Its place to within 2 px, its light to within a third: its rim is not seen."""
    strength = 0.012
    found = glow_of(wall(side(turn, strength)))
    assert found is not None
    glow = bell(AT[0] + 10 * np.cos(turn), AT[1] + 10 * np.sin(turn), 4.0)
    glow[away(*AT) < RADIUS] = 0  # the beacon itself lies before it
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = (cols * glow).sum() / glow.sum(), (rows * glow).sum() / glow.sum()
    assert np.hypot(found.region.x - x, found.region.y - y) < 2.0
    share = 0.2126 * RED[0] + 0.7152 * RED[1] + 0.0722 * RED[2]  # IEC 61966-2-1: luminance
    assert found.region.glow == pytest.approx(strength * share * glow.sum() / PAINT, rel=0.34)
    assert not found.doubtful


def test_bloom_all_round_is_no_leak() -> None:
    """What the lens lays round a lamp lies on all sides of it."""
    assert glow_of(wall()) is None


def test_a_mirrored_beacon_is_no_leak() -> None:
    """Its image in a glossy deck lies apart from it."""
    image = red(0.05 * bell(AT[0], AT[1] + 17, 2.5))
    assert glow_of(wall(image)) is None


def test_light_that_goes_on_over_a_wall_is_no_leak() -> None:
    """A lamp beside a wall lights it much farther than its clear part is wide."""
    cols = np.mgrid[: SHAPE[0], : SHAPE[1]][1]
    lit = np.where(cols > AT[0] + RADIUS + 1, 0.03 * bell(AT[0] + 14, AT[1], 14.0), 0)
    assert glow_of(wall(red(lit))) is None


def test_a_window_on_the_other_side_is_no_glow_of_the_beacon() -> None:
    """White light from above grows towards the window, not towards the beacon."""
    rows = np.mgrid[: SHAPE[0], : SHAPE[1]][0]
    spill = 0.08 * np.exp(-rows / 30.0)
    assert glow_of(wall(np.repeat(spill[..., None], 3, axis=2))) is None


def test_where_only_one_side_is_seen_no_side_can_be_told() -> None:
    """A lantern before a mast: the outline of the model leaves nothing but the mast."""
    cols = np.mgrid[: SHAPE[0], : SHAPE[1]][1]
    mast = np.abs(cols - (AT[0] + RADIUS + 4)) < 2.5
    lit = red(np.where(mast, 0.03 * bell(AT[0] + 9, AT[1], 5.0), 0))
    assert glow_of(wall(lit), inside=mast | (away(*AT) < RADIUS + 1)) is None


def test_of_noise_alone_nothing_is_made() -> None:
    """Eighty beacons without any glow; the exact rate is not stated, so none may show."""
    rng = np.random.default_rng(9)
    drawn = wall()
    found = 0
    for _ in range(80):
        residual = residual_of(
            Drawn(drawn.unlit, drawn.lamps + rng.normal(0, NOISE, (*SHAPE, 3)), drawn.beacon)
        )
        found += len(side_glows(residual, ground_of(residual), {"port": drawn.beacon}))
    assert found == 0


def test_a_lamp_that_is_off_has_no_side_glow() -> None:
    """Nor does it stop the search."""
    drawn = wall()
    assert glow_of(Drawn(drawn.unlit, np.zeros_like(drawn.lamps), drawn.beacon)) is None
