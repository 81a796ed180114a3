"""Leak or spill, rule by rule: what one sign more does to a place that is a leak without it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from made_checks import circle

from leakcheck.diagnose import LeakKind, Surroundings
from leakcheck.extent import Extent
from leakcheck.openings import Opening
from leakcheck.regions import Region
from leakcheck.spill import evidence, sort_out
from leakcheck.spots import Spot

BEACON = Opening("port-light", "beacon", (circle(100, 100, 8),))


def glow(x: int, y: int, **changes: Any) -> Region:
    """A round glow of 12 px that outshines its surroundings by half a decade: a leak."""
    mask = np.ones((12, 12), bool)
    ones = np.ones((12, 12), np.float32)
    spot = Spot(10.0, y, x, 4.0, "luminance", 0.1, 0.0, y - 6, x - 6, mask)
    region = Region(
        spot=spot,
        extent=Extent(mask, y - 6, x - 6, ones, ones, ones),
        x=float(x),
        y=float(y),
        area=144.0,
        glow=144.0,
        contrast=1.0,
        peak=0.1,
        length=13.9,
        width=13.9,
        rgb=(0.1, 0.1, 0.1),
        isolation=1.2,
        edge_share=0.0,
        step=0.0,
        dark_line=0.0,
        standing=0.0,
        halo_ratio=0.0,
        to_lamp_px=60.0,
        falling=0.0,
        growth=3.3,
    )
    return replace(region, **changes)


def around(*openings: Opening) -> Surroundings:
    """A photo with these openings, its windows ten times as bright as the glow."""
    return Surroundings(
        openings=openings,
        scale=1,
        window_level=1.0,
        window_clipped=False,
        noticeable_contrast=0.02,
        mm_per_px=None,
        model=np.array([[0.0, 0.0], [400.0, 300.0]]),
    )


@pytest.mark.parametrize(
    ("kind", "signs"),
    [
        ("show-through", {"to_lamp_px": 4.0, "falling": 0.8}),
        ("show-through", {"growth": 60.0}),
        ("show-through", {"edge_share": 1.0}),
        ("seam leak", {"edge_share": 1.0, "step": 0.5}),
        ("pinhole", {"edge_share": 1.0}),
        ("open hole", {"dark_line": 0.4}),
        ("side glow", {"isolation": 0.0}),
    ],
    ids=[
        "brightest at a window and falling off from it",
        "goes on round about",
        "ends where the surface ends",
        "a thing of its own that is lit",
        "a lit edge",
        "in a crevice that is dark without it",
        "no brighter than what lies round about",
    ],
)
def test_one_sign_of_spill_outweighs_what_made_it_a_leak(
    kind: LeakKind, signs: dict[str, float]
) -> None:
    """Common practice, no source: a leak is alone and has a shape of its own."""
    assert evidence(glow(200, 200), kind) > 0
    assert evidence(glow(200, 200, **signs), kind) < 0


def test_light_that_falls_off_from_a_far_window_is_a_leak_still() -> None:
    """A glow has two slopes; one of them always falls away from the nearest window."""
    assert evidence(glow(200, 200, falling=0.8, to_lamp_px=40.0), "show-through") > 0


@pytest.mark.parametrize("kind", ["open hole", "pinhole", "show-through"])
def test_a_hole_is_dark_without_light_and_a_leak_with_it(kind: LeakKind) -> None:
    """What falls into a dark hole from outside comes back darker than from the skin round it.

    A hole through the skin, three times as dark as the skin with the lamps off, that outshines all
    round about with them on is the plainest leak there is.
    """
    assert evidence(glow(200, 200, isolation=4.0, dark_line=0.67, standing=3.0), kind) > 0
    assert evidence(glow(200, 200, isolation=1.2, dark_line=0.67, standing=0.0), kind) < 0


def test_a_side_glow_that_a_rail_cuts_up_is_one_leak() -> None:
    """Two pieces beside one beacon are its clear part; a piece far off is another leak."""
    pieces = [glow(88, 100), glow(112, 100), glow(300, 200)]
    leaks, _ = sort_out(pieces, around(BEACON), glows={})
    assert [leak.region.pieces for leak in leaks] == [2, 1]
    assert leaks[0].region.x == pytest.approx(99.5)
