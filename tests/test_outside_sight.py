"""Seeing: Weber's contrast, and evenness as EN 12464-1 defines it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from quiet_scenes import CLEAR
from scene import Leak, plain_field, render

from leakcheck import Settings, check
from leakcheck.lampinside import evenness, place_of
from leakcheck.openings import Openings
from leakcheck.photo import photo_from_array

PEAK = 0.5  # of a glow, added / room light
GLOW = Leak(1, "show-through", ((320.0, 240.0),), PEAK / 8, "cool white", (20.0, 15.0))
AMBIENT = 8.0  # room light is an eighth of a window: a level of PEAK / 8 is a contrast of PEAK


def checked(noticeable: float):
    scene = replace(plain_field(1, texture=0.05), ambient=AMBIENT, leaks=(GLOW,), lens=CLEAR)
    pair = render(scene)
    photos = photo_from_array(pair.off, name="off"), photo_from_array(pair.on, name="on")
    found = check(*photos, Openings(()), settings=Settings(noticeable_contrast=noticeable))
    x, y = GLOW.points[0]
    every = (*found.leaks, *found.spill)
    return pair, min(every, key=lambda leak: np.hypot(leak.x - x, leak.y - y))


def test_contrast_is_webers():
    """(L_spot - L_surround) / L_surround from the two photos' own pixels, by hand: lit over unlit
    luminance less 1, mean over the leak's outline. 0.03: the light just outside, which is taken
    off as the glow's ground, is a tenth of its peak of 0.5 at most."""
    pair, leak = checked(0.02)
    on, off = (
        np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
        @ [0.2126, 0.7152, 0.0722]
        for codes in (pair.on / 255, pair.off / 255)
    )
    inside = np.zeros(on.shape, np.uint8)
    cv2.fillPoly(inside, [np.rint(leak.outline).astype(np.int32)], 1)
    spot, surround = on[inside > 0].mean(), off[inside > 0].mean()
    assert leak.contrast == pytest.approx((spot - surround) / surround, abs=0.03)


def test_people_notice_one_to_two_percent():
    """Weber: in good light 1 to 2 % are noticed; the default is 2 %, and says so of each leak."""
    assert 0.01 <= Settings().noticeable_contrast <= 0.02
    for threshold, noticed in ((0.02, True), (PEAK, False)):
        _, leak = checked(threshold)
        assert leak.noticeable is noticed


@pytest.mark.parametrize("cells", [(1.0, 1.0), (0.5, 1.0), (0.3, 0.9), (0.2, 0.4)])
def test_uniformity_is_minimum_over_mean(cells):
    """EN 12464-1: U0 = minimum / average, here of two halves of a window, by hand.

    0.02: a cell at the far end of the darker half still holds noise.
    """
    light = np.zeros((80, 120, 3), np.float32)
    light[20:60, 30:60], light[20:60, 60:90] = cells
    light *= 0.5
    rng = np.random.default_rng(5)
    labels = np.zeros((80, 120), np.int32)
    labels[20:60, 30:90] = 1
    place = place_of(
        light + rng.normal(0, 1e-3, light.shape).astype(np.float32),
        lit_clipped=np.zeros(light.shape, bool),
        labels=labels,
        usable=np.ones(labels.shape, bool),
        noise_sigma=1e-3,
        label=1,
        box=(slice(20, 60), slice(30, 90)),
    )
    assert place is not None
    assert evenness(place) == pytest.approx(min(cells) / np.mean(cells), abs=0.02)
