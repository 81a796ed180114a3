"""Colorimetry against CIE, COLREGs and colour-science, which share no code with ours."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from matplotlib.path import Path

from leakcheck.colour import (
    COLREGS,
    D65,
    cct_duv,
    cct_mccamy,
    colour_matching,
    colour_word,
    dominant_wavelength,
    in_polygon,
    measure_colour,
    meets,
    planckian_xy,
    reads_as,
    uv_from_xy,
    xy_from_rgb,
)

CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def test_colour_matching_functions_are_those_of_cie():
    """colour-science carries the CIE table by 1 nm; ours is every fifth value and a spline."""
    nm, ours = colour_matching()
    theirs = np.array([CMFS[float(w)] for w in nm])
    assert np.abs(ours[::5] - theirs[::5]).max() < 1.1e-6  # the 5 nm table has six digits
    assert np.abs(ours - theirs).max() < 2e-3  # the spline between; 0.1 % of the peak of 1.78


def test_srgb_primaries_and_white():
    """IEC 61966-2-1 states them to two digits, D65 to four."""
    primaries = xy_from_rgb(np.eye(3))
    assert primaries == pytest.approx(
        np.array([(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)]), abs=5e-4
    )
    assert xy_from_rgb([1.0, 1.0, 1.0]) == pytest.approx(D65, abs=1e-4)


@pytest.mark.parametrize(
    ("xy", "kelvin"), [((0.44757, 0.40745), 2856.0), ((0.31272, 0.32903), 6504.0)]
)
def test_temperature_of_standard_illuminants(xy, kelvin):
    """CIE 015: illuminant A and D65. 1 % is far below what a camera can tell."""
    found = cct_duv(xy)
    assert found is not None
    assert found[0] == pytest.approx(kelvin, rel=0.01)
    assert cct_mccamy(xy) == pytest.approx(kelvin, rel=0.01)


@pytest.mark.parametrize("kelvin", [1500, 2000, 2700, 3000, 4000, 5000, 6500, 10000, 15000])
def test_black_bodies(kelvin):
    """colour-science integrates Planck's law with the CIE functions by 1 nm from 360 to 830 nm."""
    xyz = colour.sd_to_XYZ(colour.sd_blackbody(kelvin, CMFS.shape), CMFS, method="Integration")
    xy = colour.XYZ_to_xy(xyz)
    assert planckian_xy([kelvin])[0] == pytest.approx(xy, abs=2e-4)
    found = cct_duv(xy)
    assert found is not None
    assert found[0] == pytest.approx(kelvin, rel=0.01)
    assert found[1] == pytest.approx(0.0, abs=2e-4)


@pytest.mark.parametrize("duv", [-0.04, -0.01, -0.003, -0.001, 0.0, 0.001, 0.003, 0.01, 0.04])
def test_temperature_and_duv_on_a_grid(duv):
    """colour-science's own Ohno 2013, 1500 to 15000 K, on both sides of triangle and parabola."""
    for kelvin in np.geomspace(1500, 15000, 20):
        uv = colour.temperature.CCT_to_uv_Ohno2013(np.array([kelvin, duv]))
        theirs = colour.temperature.uv_to_CCT_Ohno2013(uv)
        ours = cct_duv(colour.UCS_uv_to_xy(uv))
        assert ours is not None
        assert ours[0] == pytest.approx(theirs[0], rel=0.004)
        assert ours[1] == pytest.approx(theirs[1], abs=1e-4)


@pytest.mark.parametrize("duv", [-0.045, -0.01, -0.003, 0.003, 0.01, 0.045])
def test_a_point_set_off_the_locus_by_hand(duv):
    """By definition the temperature of a point at a distance along the locus's normal is that of
    the foot; 0.01 % is what the parabola leaves, the triangle alone leaves five times that."""
    for kelvin in np.geomspace(1100, 19000, 12):
        step = kelvin * np.array([1 - 1e-4, 1, 1 + 1e-4])
        before, foot, after = uv_from_xy(planckian_xy(step))
        along = (after - before) / np.hypot(*(after - before))
        up = np.array([along[1], -along[0]]) * np.sign(-along[0])
        found = cct_duv(colour.UCS_uv_to_xy(foot + duv * up))
        assert found is not None
        assert found[0] == pytest.approx(kelvin, rel=1e-4)
        assert found[1] == pytest.approx(duv, abs=1e-6)


def test_mccamy_on_a_grid():
    """colour-science's McCamy 1992."""
    for kelvin in np.geomspace(2000, 12000, 15):
        xy = planckian_xy([kelvin])[0]
        assert cct_mccamy(xy) == pytest.approx(float(colour.temperature.xy_to_CCT_McCamy1992(xy)))


@pytest.mark.parametrize("xy", [(0.3, 0.6), (0.15, 0.06), (0.35, 0.2), (0.23, 0.23)])
def test_no_temperature_far_from_the_locus(xy):
    """CIE 015 gives none beyond Duv 0.05, Ohno's range ends at 20000 K: sRGB green and blue, a
    pink, and a sky of more than 20000 K."""
    assert cct_duv(xy) is None


def _grid():
    """Chromaticities all over the diagram, inside the spectral locus (as matplotlib says)."""
    locus = Path([colour.XYZ_to_xy(CMFS[float(w)]) for w in range(380, 701)])
    points = [(x, y) for x in np.arange(0.1, 0.72, 0.04) for y in np.arange(0.06, 0.8, 0.04)]
    return [np.array(p) for p in points if locus.contains_point(p)]


def test_dominant_wavelength_and_purity_on_a_grid():
    """colour-science gives whole nanometres, so half of one is its own rounding. It closes the
    purple line at 360 and 830 nm, we at 400 and 700: 0.002 in purity."""
    grid = _grid()
    assert len(grid) > 100
    for xy in grid:
        nm, purity = dominant_wavelength(xy)
        assert nm == pytest.approx(float(colour.dominant_wavelength(xy, D65)[0]), abs=0.6), xy
        assert purity == pytest.approx(float(colour.excitation_purity(xy, D65)), abs=0.003), xy


def test_white_has_no_hue():
    assert dominant_wavelength(D65) == (None, 0.0)


def test_colregs_corners():
    """COLREGs 1972, Annex I section 7 (d), x and y as the rule prints them."""
    published = {
        "white": ".525 .525 .452 .310 .310 .443 / .382 .440 .440 .348 .283 .382",
        "green": ".028 .009 .300 .203 / .385 .723 .511 .356",
        "red": ".680 .660 .735 .721 / .320 .320 .265 .259",
        "yellow": ".612 .618 .575 .575 / .382 .382 .425 .406",
    }
    for signal, text in published.items():
        x, y = (part.split() for part in text.split("/"))
        corners = {(float(a), float(b)) for a, b in zip(x, y, strict=True)}
        assert {tuple(corner) for corner in COLREGS[signal].tolist()} == corners


@pytest.mark.parametrize("signal", list(COLREGS))
def test_colregs_limits(signal):
    """The corners are those of the rule and belong to the area; matplotlib says for 2000 points
    about it, none nearer to an edge than it can tell, which are inside."""
    corners = COLREGS[signal]
    for corner, following in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        assert in_polygon(corner, corners)
        assert in_polygon((corner + following) / 2, corners)
    low, high = corners.min(axis=0) - 0.02, corners.max(axis=0) + 0.02
    points = np.random.default_rng(7).uniform(low, high, (2000, 2))
    area = Path(np.vstack([corners, corners[:1]]), closed=True)
    inside = area.contains_points(points)
    assert [in_polygon(p, corners) for p in points] == inside.tolist()
    assert 0.02 < inside.mean() < 0.98


@pytest.mark.parametrize("signal", ["red", "green", "yellow", "white"])
def test_a_light_within_the_limits_reads_as_its_colour(signal):
    """The middle of each area of COLREGs Annex I section 7 is that colour by law."""
    corners = COLREGS[signal]
    middle = corners.mean(axis=0)
    assert in_polygon(middle, corners)
    assert reads_as(middle) == signal


@pytest.mark.parametrize(
    ("hex_code", "signal", "word"),
    [
        ("ff0000", "red", "red"),
        ("dc143c", "red", "red"),  # crimson
        ("00ff00", "green", "green"),
        ("00c957", "green", "green"),  # emerald
        ("ffbf00", "yellow", "amber"),  # amber
        ("ffffff", "white", "cool white"),
        ("0000ff", None, "blue"),
        ("800080", None, "purple"),
    ],
)
def test_colour_names_of_common_use(hex_code, signal, word):
    """The names are those of CSS and of everyday use for these sRGB codes."""
    rgb = colour.cctf_decoding(np.array([int(hex_code[i : i + 2], 16) for i in (0, 2, 4)]) / 255)
    found = measure_colour(rgb)
    assert found is not None
    assert (found.reads_as, found.word) == (signal, word)


@pytest.mark.parametrize(
    ("kelvin", "word"),
    [(2700, "warm white"), (4000, "neutral white"), (6500, "cool white"), (1600, "amber")],
)
def test_whites_are_called_as_lamp_makers_call_them(kelvin, word):
    """EN 12464-1: warm below 3300 K, cool above 5300 K; 1600 K is redder than a candle."""
    assert colour_word(planckian_xy([kelvin])[0]) == word


def test_srgb_cannot_be_within_the_red_limits_yet_reads_red():
    """The sRGB red primary has x = 0.64, the rule asks for 0.66 at least."""
    found = measure_colour([1.0, 0.0, 0.0])
    assert found is not None
    assert found.reads_as == "red"
    assert not found.within_limits


def test_black_has_no_colour():
    assert measure_colour([0.0, 0.0, 0.0]) is None
    assert measure_colour([-0.1, -0.1, 0.05]) is None


@pytest.mark.parametrize(
    ("asked", "rgb", "met"),
    [
        ("red", (1.0, 0.02, 0.02), True),
        ("Red", (0.02, 1.0, 0.1), False),
        ("green", (0.02, 1.0, 0.3), True),
        ("white", (1.0, 1.0, 1.0), True),
        ("white", (1.0, 0.02, 0.02), False),
        ("warm white", (1.0, 0.5, 0.15), True),
        ("warm white", (0.9, 1.0, 1.2), False),
        ("cool white", (0.9, 1.0, 1.2), True),
        ("cool white", (1.0, 0.5, 0.15), False),
        ("amber", (1.0, 0.4, 0.0), True),
        ("amber", (0.0, 1.0, 0.0), False),
        ("blue", (0.05, 0.1, 1.0), True),
        ("mauve", (1.0, 1.0, 1.0), None),
    ],
)
def test_what_was_asked(asked, rgb, met):
    """What anybody would call these lights."""
    found = measure_colour(rgb)
    assert found is not None
    assert meets(asked, found) is met
