"""Exposure against APEX as Exif (CIPA DC-008, annex C) has it, by logarithms and on drawn pairs.

Ev = Av + Tv = Bv + Sv with Av = 2 log2 N, Tv = -log2 t, Sv = log2(ISO / 3.125).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scene import plain_field, render

from leakcheck import Exposure, check
from leakcheck.openings import Openings
from leakcheck.photo import photo_from_array, relative_exposure

TIMES, ISOS, APERTURES = (1 / 1000, 1 / 60, 0.5, 4.0), (50, 100, 3200), (1.8, 4.0, 22.0)


def apex(exposure: Exposure) -> float:
    """Sv - Av - Tv: stops of light on the file's scale for a scene of Bv 0."""
    assert exposure.time_s
    assert exposure.iso
    assert exposure.fnumber
    aperture, time = 2 * np.log2(exposure.fnumber), -np.log2(exposure.time_s)
    return float(np.log2(exposure.iso / 3.125) - aperture - time)


def taken(time: float, iso: float, fnumber: float) -> Exposure:
    return Exposure(time, iso, fnumber, None, None)


def test_ratios_are_those_of_apex():
    """Every pair of 36 exposures: exact but for rounding of logarithms."""
    every = [taken(*how) for how in itertools.product(TIMES, ISOS, APERTURES)]
    stops = np.log2([relative_exposure(exposure) for exposure in every])
    expected = np.array([apex(exposure) for exposure in every])
    assert np.subtract.outer(stops, stops) == pytest.approx(
        np.subtract.outer(expected, expected), abs=1e-9
    )


@pytest.mark.parametrize(
    ("off", "on", "stops"),
    [
        (taken(1 / 60, 200, 1.8), taken(1 / 120, 200, 1.8), -1),
        (taken(1 / 60, 200, 1.8), taken(1 / 60, 800, 1.8), 2),
        (taken(1 / 60, 200, 2.0), taken(1 / 60, 200, 4.0), -2),
        (taken(1 / 30, 100, 2.8), taken(1 / 30, 100, 2.8), 0),
    ],
)
def test_stops_that_photographers_count(off, on, stops):
    """Half the time is one stop less, four times the ISO two more, twice the f-number two less."""
    assert np.log2(relative_exposure(on) / relative_exposure(off)) == pytest.approx(stops)


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.6])
def test_the_measured_gain_is_the_ratio_of_exposures(ratio):
    """A pair without lamps whose exposures differ by this: 1 %, from surfaces and from Exif."""
    pair = render(plain_field(3, texture=0.05, light=0.2, exposure_ratio=ratio))
    exposures = taken(0.05, 200, 1.8), taken(0.05 * ratio, 200, 1.8)
    photos = (
        photo_from_array(pair.off, name="off", exposure=exposures[0]),
        photo_from_array(pair.on, name="on", exposure=exposures[1]),
    )
    match = check(*photos, Openings(())).exposure
    assert match.gain == pytest.approx((ratio,) * 3, rel=0.01)
    assert match.exif_gain == pytest.approx(ratio)
