"""Openings drawn with known light: what is found in them must be what was drawn."""

from __future__ import annotations

from dataclasses import dataclass, field

import colour
import numpy as np
import pytest
from scipy import ndimage

from leakcheck.lamps import class_level, expected_colour, measure_lamps
from leakcheck.lampwords import verdict
from leakcheck.openings import Opening

SHAPE = (160, 400)  # not square
ROOM = 0.05  # linear light of the hull with the lamps off
NOISE = 0.002  # standard deviation of one pixel, linear light


@dataclass
class Scene:
    """Rectangular openings on a dark hull; light is added light, in linear sRGB."""

    shape: tuple[int, int] = SHAPE
    openings: list[Opening] = field(default_factory=list)

    def __post_init__(self):
        self.light = np.zeros((*self.shape, 3))
        self.labels = np.zeros(self.shape, np.int32)

    def add(self, name, x, y, width, height, light, *, kind="window", colour=None):
        """A light is a number, an RGB, or an array (height, width) or (height, width, 3)."""
        light = np.asarray(light, float)
        if light.ndim == 2:
            light = light[..., None]
        area = (slice(y, y + height), slice(x, x + width))
        corners = [(x, y), (x + width - 1, y), (x + width - 1, y + height - 1), (x, y + height - 1)]
        self.openings.append(Opening(name, kind, (np.array(corners, float),), colour))
        self.light[area] = light
        self.labels[area] = len(self.openings)
        return self

    def measure(self, *, exposure=1.0, blur=0.0, noise=NOISE, scale=1, seed=3, usable=None):
        """As a photo shows it: blurred, noisy, clipped at 1."""
        light = ndimage.gaussian_filter(self.light * exposure, (blur, blur, 0))
        lit = light + ROOM + np.random.default_rng(seed).normal(0, noise, light.shape)
        added = (np.minimum(lit, 1.0) - ROOM).astype(np.float32)
        lamps = measure_lamps(
            added,
            lit_clipped=lit >= 1.0,
            labels=self.labels,
            openings=tuple(self.openings),
            usable=np.ones(self.shape, bool) if usable is None else usable,
            scale=scale,
            noise_sigma=noise,
        )
        return {lamp.name: lamp for lamp in lamps}


def row_of_windows(levels, *, y=20, size=24, colours=None):
    scene = Scene()
    for i, level in enumerate(levels):
        rgb = level * np.asarray((1.0, 1.0, 1.0) if colours is None else colours[i])
        scene.add(f"w{i}", 10 + 40 * i, y, size, size, rgb)
    return scene


def rgb_of(kelvin):
    """Linear sRGB of a black body with luminance 1, by colour-science."""
    xy = colour.XYZ_to_xy(colour.sd_to_XYZ(colour.sd_blackbody(kelvin), method="Integration"))
    return np.linalg.solve(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ, colour.xy_to_XYZ(xy))


def test_level_and_stops_by_hand():
    """0.2 0.2 0.2 0.4 0.1: the median is 0.2, so a stop above and a stop below."""
    lamps = row_of_windows([0.2, 0.2, 0.2, 0.4, 0.1]).measure()
    assert lamps["w0"].level == pytest.approx(0.2, abs=0.002)  # noise: 0.002 / 20 px
    assert lamps["w3"].stops_class == pytest.approx(1.0, abs=0.02)
    assert lamps["w4"].stops_class == pytest.approx(-1.0, abs=0.02)
    assert all(lamp.lit and lamp.stops_class_bound == "" for lamp in lamps.values())


def test_position_and_area_are_in_photo_pixels():
    """A 24 x 24 opening from (10, 20) in a frame of 2 x 2 binned pixels covers 48 x 48 photo
    pixels from (20, 40): its centre is at 20 + 47 / 2."""
    lamp = row_of_windows([0.3]).measure(scale=2)["w0"]
    assert (lamp.x, lamp.y) == pytest.approx((43.5, 63.5))
    assert lamp.area_px == 48 * 48


@pytest.mark.parametrize("blur", [0.6, 0.9])
def test_level_survives_lens_blur_in_small_openings(blur):
    """All openings shine alike, so whatever differs is blur at their edges. A fifth of a stop is
    a fifth of what counts as dim."""
    scene = Scene()
    sizes = (5, 6, 8, 12, 20, 30, 40)
    for i, size in enumerate(sizes):
        scene.add(f"w{size}", 10 + 50 * i, 40, size, size, 0.4)
    lamps = scene.measure(blur=blur)
    for size in sizes:
        assert lamps[f"w{size}"].stops_class == pytest.approx(0.0, abs=0.2), size


def test_same_stops_one_stop_apart():
    """Twice the light on everything changes no ratio; the photos are coded in 8 bits as sRGB."""
    light = [0.1, 0.2, 0.25, 0.3, 0.4]
    scene = row_of_windows(light)
    rng = np.random.default_rng(11)

    def photo(linear):
        noisy = linear + rng.normal(0, 0.002, linear.shape)
        code = np.round(255 * colour.cctf_encoding(np.clip(noisy, 0, 1)))
        return colour.cctf_decoding(code / 255)

    found = []
    for exposure in (1.0, 2.0):
        room = np.full((*SHAPE, 3), ROOM * exposure)
        on = photo(room + ndimage.gaussian_filter(scene.light, (0.7, 0.7, 0)) * exposure)
        lamps = measure_lamps(
            (on - photo(room)).astype(np.float32),
            lit_clipped=on >= 1.0,
            labels=scene.labels,
            openings=tuple(scene.openings),
            usable=np.ones(SHAPE, bool),
            scale=1,
            noise_sigma=0.004,
        )
        found.append([lamp.stops_class for lamp in lamps])
    truth = np.log2(np.array(light) / 0.25)
    assert found[0] == pytest.approx(found[1], abs=0.05)
    assert found[0] == pytest.approx(truth, abs=0.05)


def test_dark_opening_is_found_under_flare():
    """Bloom of 8 % of the windows' light lies evenly over the picture: more than noise and more
    than a dim window, but in the dark opening as well as round it."""
    scene = row_of_windows([0.5, 0.5, 0.0, 0.5, 0.5])
    scene.light += 0.08 * 0.5
    lamps = scene.measure(blur=0.7)
    assert [name for name, lamp in lamps.items() if not lamp.lit] == ["w2"]
    assert lamps["w2"].findings == ("dark",)
    assert lamps["w2"].stops_class is None
    assert lamps["w2"].colour is None


def test_a_weak_window_is_lit_but_dim():
    """Two stops below its row: dim. Noise of 0.002 hides nothing of 0.1."""
    lamps = row_of_windows([0.4, 0.4, 0.1, 0.4]).measure()
    assert lamps["w2"].lit
    assert lamps["w2"].findings == ("dim",)
    assert "resistor" in lamps["w2"].advice
    assert "rated" in lamps["w2"].caution
    assert "power off" in lamps["w2"].caution


def test_a_window_seen_edge_on_is_not_called_dim():
    """All shine alike: blur of 0.9 px leaves less than half of it in a window 1 px wide; in one of
    6 px a quarter of the light is still dim."""
    scene = row_of_windows([0.4, 0.4, 0.4]).add("edge-on", 200, 100, 1, 24, 0.4)
    lamps = scene.add("weak", 300, 100, 6, 24, 0.1).measure(blur=0.9)
    assert lamps["edge-on"].stops_class < -1
    assert lamps["edge-on"].findings == ()
    assert lamps["weak"].findings == ("dim",)


def test_nothing_is_lit_in_the_same_photo_twice():
    """Noise alone, over 200 openings: 5 sigma leave 3e-5 false ones."""
    dark = [
        lamp for seed in range(40) for lamp in row_of_windows([0.0] * 5).measure(seed=seed).values()
    ]
    assert len(dark) == 200
    assert not any(lamp.lit for lamp in dark)


def test_outshining():
    lamps = row_of_windows([0.2, 0.2, 0.6, 0.2]).measure()
    assert lamps["w2"].findings == ("outshines",)
    assert not any(lamps[name].findings for name in ("w0", "w1", "w3"))


def test_a_row_counts_more_than_the_class():
    """Portholes below are meant to be weaker than the saloon above; within each row all agree."""
    scene = row_of_windows([0.6, 0.6, 0.6, 0.6, 0.6, 0.6])
    for i in range(5):
        scene.add(f"p{i}", 12 + 40 * i, 90, 14, 14, 0.2)
    lamps = scene.measure()
    assert lamps["p0"].stops_class == pytest.approx(np.log2(0.2 / 0.6), abs=0.02)
    assert lamps["p0"].stops_row == pytest.approx(0.0, abs=0.02)
    assert {lamp.row for lamp in lamps.values()} == {"window row 1", "window row 2"}
    assert not any(lamp.findings for lamp in lamps.values())


def test_clipped_says_at_least():
    """Drawn at 2.0, the photo ends at 1.0: no number may be given for it."""
    lamps = row_of_windows([0.3, 0.3, 2.0]).measure()
    lamp = lamps["w2"]
    assert lamp.level_at_least
    assert lamp.clipped_share == pytest.approx(1.0)
    assert lamp.stops_class_bound == "at least"
    assert lamp.stops_class < np.log2(2.0 / 0.3)
    assert lamp.findings == ("outshines", "clipped")
    assert "2 stops less exposure" in lamp.advice
    assert lamp.evenness is None
    assert lamp.colour is None


def test_against_a_clipped_median_it_is_at_most():
    """Most windows are clipped: the weak one is at most so bright beside them, and a clipped one
    cannot be compared at all."""
    lamps = row_of_windows([2.0, 2.0, 2.0, 0.2]).measure()
    assert lamps["w3"].stops_class_bound == "at most"
    assert lamps["w3"].findings == ("dim",)
    assert lamps["w0"].stops_class is None
    assert lamps["w0"].findings == ("clipped",)
    assert class_level(tuple(lamps.values()), "window") == (pytest.approx(0.95, abs=0.01), True)


def test_stops_less_exposure_of_a_ramp_by_hand():
    """A ramp from 0.4 to 1.4 with a median of 0.9 is clipped in its brightest part. Its end needs
    log2(1.4 / 0.8) = 0.81 stops to come below 0.8, rounded up to half stops: 1."""
    ramp = np.tile(np.linspace(0.4, 1.4, 60), (40, 1))
    lamp = Scene().add("w", 50, 50, 60, 40, ramp).measure()["w"]
    assert 0.2 < lamp.clipped_share < 0.5
    assert lamp.stops_less_exposure == 1.0
    assert lamp.colour is None  # what is left unclipped is not its colour
    assert "1 stop less" in lamp.advice


def test_evenness_of_a_uniform_window():
    """U0 is 1; noise of 1 % of the light in a pixel is averaged over a cell of 8 x 8 pixels."""
    lamp = Scene().add("w", 50, 50, 60, 40, 0.2).measure(blur=0.7)["w"]
    assert lamp.evenness == pytest.approx(1.0, abs=0.01)
    assert not lamp.hot_spot
    assert lamp.stops_class is None  # a single one has no like


def test_evenness_of_a_ramp_by_hand():
    """0.2 at x = 0 to 0.6 at x = 60, mean 0.4. The edge left out is a fifth of the half width of
    20: 4 px. The cell there is 8 px wide, so its light is that of x between 4 and 12, 0.253 in
    its middle: U0 = 0.633; at its outer end, where ours is weighted to, 0.227 / 0.4 = 0.567."""
    ramp = np.tile(0.2 + 0.4 * (np.arange(60) + 0.5) / 60, (40, 1))
    lamp = Scene().add("w", 50, 50, 60, 40, ramp).measure(blur=0.7)["w"]
    assert 0.567 < lamp.evenness < 0.633
    assert not lamp.hot_spot
    assert lamp.findings == ()


def test_hot_spot_by_hand():
    """0.1 everywhere and in the middle a Gaussian of peak 0.6 and sigma 3 px. Its light is
    0.6 x 2 pi x 9 = 33.9, over the 52 x 32 px of the inside (4 px of edge left out) 0.020:
    U0 = 0.1 / 0.120 = 0.83, even by number, but the LED shows."""
    rows, cols = np.mgrid[0:40, 0:60]
    spot = 0.1 + 0.6 * np.exp(-((rows - 19.5) ** 2 + (cols - 29.5) ** 2) / 18)
    lamp = Scene().add("w", 50, 50, 60, 40, spot).measure()["w"]
    assert lamp.evenness == pytest.approx(0.1 / 0.120, abs=0.02)
    assert lamp.hot_spot
    assert lamp.findings == ("hot spot",)
    assert "diffuser" in lamp.advice


def test_patchy_window():
    """Half of it at 0.05, half at 0.45: mean 0.25, U0 = 0.2."""
    halves = np.full((40, 60), 0.05)
    halves[:, 30:] = 0.45
    lamp = Scene().add("w", 50, 50, 60, 40, halves).measure()["w"]
    assert lamp.evenness == pytest.approx(0.2, abs=0.02)
    assert lamp.findings == ("uneven",)


def test_no_evenness_from_too_little():
    """Six pixels have no cells; light of five times the noise has no minimum."""
    small = Scene().add("w", 20, 20, 6, 6, 0.4).measure()["w"]
    weak = Scene().add("w", 60, 20, 20, 20, 0.01).measure()["w"]
    assert small.lit
    assert weak.lit
    assert small.evenness is None
    assert weak.evenness is None


@pytest.mark.parametrize("kelvin", [2400, 2856, 4000, 6504])
def test_colour_temperature_of_black_bodies(kelvin):
    """Black bodies by colour-science, 2856 K being illuminant A; 1 % and Duv 0."""
    lamp = Scene().add("w", 50, 50, 60, 40, 0.3 * rgb_of(kelvin)).measure(noise=0.001)["w"]
    assert lamp.colour is not None
    assert lamp.colour.cct_k == pytest.approx(kelvin, rel=0.01)
    assert lamp.colour.cct_mccamy_k == pytest.approx(kelvin, rel=0.02)
    assert lamp.colour.duv == pytest.approx(0.0, abs=0.001)


def test_one_cold_window_among_warm_ones():
    """4000 K is 250 mired, 3000 K is 333: 83 mired colder than the median window."""
    colours = [rgb_of(k) for k in (3000, 3000, 4000, 3000, 3000)]
    lamps = row_of_windows([0.3] * 5, colours=colours).measure(blur=0.7)
    assert lamps["w2"].mired_from_median == pytest.approx(-83.3, abs=3)
    assert lamps["w2"].cct_from_median_k == pytest.approx(1000, abs=40)
    assert lamps["w2"].findings == ("off-colour",)
    assert lamps["w0"].mired_from_median == pytest.approx(0, abs=3)
    assert not lamps["w0"].findings


def test_windows_are_held_against_those_of_which_the_same_is_asked():
    """A cool galley among warm cabins is no fault where the file asks for it."""
    scene = Scene()
    for i, asked in enumerate(["warm white"] * 4 + ["cool white"] * 3):
        rgb = 0.3 * rgb_of(2900 if asked == "warm white" else 6500)
        scene.add(f"w{i}", 10 + 40 * i, 20, 24, 24, rgb, colour=asked)
    lamps = scene.measure()
    assert not any(lamp.findings for lamp in lamps.values())
    assert all(lamp.expected_met for lamp in lamps.values())


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("port-sidelight", "red"),
        ("Port light", "red"),
        ("starboard_light", "green"),
        ("StarboardLamp2", "green"),
        ("STARBOARD", "green"),
        ("masthead-1", "white"),
        ("stern", "white"),
        ("port masthead", "white"),
        ("porthole-3", None),
        ("b7", None),
    ],
)
def test_names_say_colours(name, expected):
    """COLREGs 1972 rule 21: sidelights red to port, green to starboard, the others white."""
    assert expected_colour(Opening(name, "beacon", ())) == expected
    assert expected_colour(Opening(name, "window", ())) is None
    assert expected_colour(Opening(name, "beacon", (), "blue")) == "blue"


RED, GREEN, WHITE = (0.8, 0.03, 0.02), (0.03, 0.6, 0.15), (0.5, 0.5, 0.5)


def test_sidelights_swapped():
    """Red to starboard and green to port: both wrong; the masthead light is right."""
    scene = Scene()
    scene.add("port-sidelight", 40, 40, 8, 8, GREEN, kind="beacon")
    scene.add("starboard-sidelight", 120, 40, 8, 8, RED, kind="beacon")
    scene.add("masthead", 200, 40, 8, 8, WHITE, kind="beacon")
    lamps = scene.measure(blur=0.7)
    assert lamps["port-sidelight"].findings == ("wrong colour",)
    assert lamps["starboard-sidelight"].findings == ("wrong colour",)
    assert lamps["port-sidelight"].advice.startswith("Red is asked for, but it reads as green")
    assert lamps["masthead"].expected_met is True
    assert not lamps["masthead"].findings


def test_sidelights_right():
    scene = Scene()
    scene.add("port-sidelight", 40, 40, 8, 8, RED, kind="beacon")
    scene.add("starboard-sidelight", 120, 40, 8, 8, GREEN, kind="beacon")
    lamps = scene.measure(blur=0.7)
    assert [lamp.colour.reads_as for lamp in lamps.values()] == ["red", "green"]
    assert all(lamp.expected_met and not lamp.findings for lamp in lamps.values())


def test_clear_colour_too_thin():
    """A red LED so bright that even its little green and blue clip: white, with a red rim. A
    white one as bright has a white rim, whatever its name."""
    scene = Scene()
    scene.add("red", 40, 40, 10, 10, (60.0, 3.0, 2.5), kind="beacon")
    scene.add("white", 120, 40, 10, 10, (30.0, 30.0, 30.0), kind="beacon")
    scene.add("right", 200, 40, 10, 10, RED, kind="beacon")
    lamps = scene.measure(blur=1.0)
    assert lamps["red"].colour_too_thin
    assert lamps["red"].rim_colour.word == "red"
    assert "colour too thin" in lamps["red"].findings
    assert "clear colour" in lamps["red"].advice
    assert "stare" in lamps["red"].caution
    assert not lamps["white"].colour_too_thin
    assert not lamps["right"].colour_too_thin


def test_a_clipped_red_is_neither_dim_nor_too_thin():
    """A red lamp three times too bright for its channel has the luminance 0.21 of a clipped red,
    2.1 stops below the white ones beside it. It shines at least so much, and it is not white."""
    scene = Scene()
    scene.add("red", 40, 40, 10, 10, (3.0, 0.01, 0.01), kind="beacon")
    for i in range(3):
        scene.add(f"white{i}", 120 + 80 * i, 40, 10, 10, (0.93, 0.93, 0.93), kind="beacon")
    lamp = scene.measure(blur=1.2, noise=0.0005)["red"]
    assert lamp.stops_class < -2.0
    assert not lamp.colour_too_thin
    assert lamp.stops_class_bound == "at least"
    assert lamp.findings == ("clipped",)


def test_white_lamp_on_a_red_wall():
    """Its light on the paint round it is red, but a masthead light is to be white."""
    scene = Scene()
    scene.light[30:60, 110:140] = (0.5, 0.02, 0.02)
    scene.add("masthead", 120, 40, 10, 10, (30.0, 30.0, 30.0), kind="beacon")
    assert scene.measure()["masthead"].findings == ("clipped",)


def test_opening_outside_of_the_photo_and_other_shapes():
    """An opening that a photo does not show is no dark one, and areas to ignore are no lamps."""
    scene = row_of_windows([0.3, 0.3])
    outside = np.array([(-50.0, 10.0), (-40.0, 10.0), (-40.0, 20.0)])
    scene.openings += [
        Opening("é", "window", (outside,)),
        Opening("bench", "ignore", (outside,)),
        Opening("hull", "model", (outside,)),
    ]
    usable = np.ones(SHAPE, bool)
    usable[:, :40] = False  # the lights-off photo does not reach w0
    lamps = scene.measure(usable=usable)
    assert list(lamps) == ["w0", "w1", "é"]
    for name in ("w0", "é"):
        assert lamps[name].findings == ("not measured",)
        assert lamps[name].level is None
        assert not lamps[name].fault
    assert lamps["w1"].lit


def test_no_openings():
    assert Scene().measure() == {}
    assert class_level((), "window") is None
    assert verdict([]) == "No openings to judge."


def test_inputs_stay_as_they_are():
    added = np.full((*SHAPE, 3), 0.1, np.float32)
    scene = row_of_windows([0.3, 0.3])
    clipped, usable = np.zeros(added.shape, bool), np.ones(SHAPE, bool)
    before = [a.copy() for a in (added, clipped, usable, scene.labels)]
    measure_lamps(
        added,
        lit_clipped=clipped,
        labels=scene.labels,
        openings=tuple(scene.openings),
        usable=usable,
        scale=1,
        noise_sigma=np.full(SHAPE, 0.002, np.float32),
    )
    for now, then in zip((added, clipped, usable, scene.labels), before, strict=True):
        assert np.array_equal(now, then)
