"""Density of a coat and coats still needed: ISO 5 step tablets, Beer-Lambert, hand calculation."""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
import pytest

from leakcheck.cli import main
from leakcheck.coats import coats_needed, density, measure_strip, robust_mean, stays
from leakcheck.colourspace import linear_to_srgb
from leakcheck.errors import ExposureError, OpeningsError
from leakcheck.openings import Opening
from leakcheck.photo import linear_light, photo_from_array
from leakcheck.report.compare_strip import coats_in, read_strip, strip_text

STEP = 0.15  # density of a step of a photographic step tablet, ISO 5-2
STEPS = 21
FIELD = 40  # px


def tablet(densities, *, brightest=0.8, noise=0.002, bits=8, stray=0.0, seed=0):
    """A photo of fields of these densities in a row, lit from behind, as sRGB code values."""
    light = brightest * 10.0 ** -np.asarray(densities, float) + stray
    rows = np.repeat(np.repeat(light[None], FIELD, axis=0), FIELD, axis=1)
    rng = np.random.default_rng(seed)
    # EMVA 1288: variance grows linearly with the light, plus a constant.
    spread = noise * np.sqrt(rows + 0.02)
    seen = np.clip(rows + spread * rng.standard_normal(rows.shape), 0, 1)
    top = 2**bits - 1
    codes = np.rint(top * linear_to_srgb(seen)).astype(np.uint8 if bits == 8 else np.uint16)
    return np.repeat(codes[..., None], 3, axis=2)


def fields(count: int, *, first: int = 0):
    """A square on every field, called by its number of coats."""
    squares = []
    for k in range(count):
        left, right, bottom = FIELD * k + 2, FIELD * (k + 1) - 3, FIELD - 3
        ring = np.array([[left, 2], [right, 2], [right, bottom], [left, bottom]], float)
        squares.append((Opening(f"coat-{first + k}", "window", (ring,)), first + k))
    return squares


def strip_of(codes, patches, **options):
    return measure_strip(linear_light(photo_from_array(codes)), patches, **options)


@pytest.mark.parametrize("bits", [8, 16])
def test_step_tablet_of_iso_5(bits):
    """Published: 21 steps of 0.15. Each within 0.02 where neither clipped nor under the limit.

    Under the limit is what 8 bits show by fewer than three code values; 16 bits show every step.
    """
    true = STEP * np.arange(STEPS)
    strip = strip_of(tablet(true, bits=bits), fields(STEPS))
    measured = [patch for patch in strip.patches if patch.density is not None]
    # 0.8 x 10^-D is above two and a half codes of 255 / 12.92 until D = 3.02.
    assert len(measured) == STEPS
    for patch in measured:
        assert patch.density == pytest.approx(STEP * patch.coats, abs=0.02)
    assert strip.per_coat == pytest.approx(STEP, abs=0.002)
    assert strip.straight


def test_clipped_and_black_steps_are_left_out():
    """At four times the light the first steps are full white, at a quarter the last are black."""
    true = STEP * np.arange(STEPS)
    over = strip_of(tablet(true, brightest=3.2), fields(STEPS))
    # 3.2 x 10^(-0.15 k) passes 1 until k = 3.
    assert [p.coats for p in over.patches if p.problem == "clipped"] == [0, 1, 2, 3]
    under = strip_of(tablet(true, brightest=0.2), fields(STEPS))
    dark = [p.coats for p in under.patches if p.problem == "too dark"]
    assert dark
    assert dark == list(range(dark[0], STEPS))
    for strip in (over, under):
        first = min(p.coats for p in strip.patches if p.density is not None)
        for patch in strip.patches:
            if patch.density is not None:
                assert patch.density == pytest.approx(STEP * (patch.coats - first), abs=0.02)


def test_densities_of_layers_add():
    """Beer-Lambert: light through two layers is the product, so densities add."""
    first, second = 0.31, 0.47
    through = 10**-first, 10**-second
    assert density(1.0, through[0] * through[1]) == pytest.approx(first + second)
    assert density(1.0, 0.5) == pytest.approx(0.30103, abs=1e-5)  # log10(2)


def test_confidence_covers_the_truth():
    """Of 200 strips the 95 % interval must hold the true density in 90 to 99 %.

    Binomial: with 200 draws at 0.95 the share lies in 0.90 to 0.99 all but once in 500 times.
    """
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        # Coats of one paint differ: 0.01 of density from field to field.
        true = 0.25 * np.arange(5) + 0.01 * rng.standard_normal(5)
        strip = strip_of(tablet(true, seed=seed, bits=16), fields(5))
        held += strip.per_coat_low <= 0.25 <= strip.per_coat_high
    assert 0.90 <= held / 200 <= 0.99


def test_coats_of_unlike_thickness_are_not_straight():
    strip = strip_of(tablet([0.0, 0.1, 0.45, 0.5, 1.1]), fields(5))
    assert strip.straight is False


def test_stray_light_bends_and_the_dark_field_straightens():
    """Room light of 0.01 on every field; the dark one shows nothing else."""
    true = [0.0, 0.5, 1.0, 1.5, 9.0]
    codes = tablet(true, stray=0.01, bits=16)
    patches = fields(5)
    dark = patches[-1][0]
    bent = strip_of(codes, patches[:-1])
    assert bent.straight is False
    mended = strip_of(codes, patches[:-1], dark=dark)
    assert mended.straight
    assert mended.per_coat == pytest.approx(0.5, abs=0.01)
    assert mended.dark == pytest.approx(0.01, abs=0.0005)


def test_first_coat_by_itself():
    """Paint that covers bare plastic worse: 0.1, then 0.3 each."""
    strip = strip_of(tablet([0.0, 0.1, 0.4, 0.7]), fields(4))
    assert strip.first_coat == pytest.approx(0.1, abs=0.01)


def test_one_number_of_coats_is_refused():
    with pytest.raises(OpeningsError, match="fewer than two different numbers"):
        strip_of(tablet([0.0, 0.1]), [(fields(2)[0][0], 1), (fields(2)[1][0], 1)])


def test_strip_that_is_white_is_refused():
    with pytest.raises(ExposureError, match="clipped"):
        strip_of(tablet([0.0, 0.1, 0.2], brightest=4.0), fields(3))


def test_field_too_small_is_named():
    tiny = Opening("coat-1", "window", (np.array([[42.0, 2.0], [45, 2], [45, 5], [42, 5]]),))
    with pytest.raises(OpeningsError, match="'coat-1' covers too little"):
        strip_of(tablet([0.0, 0.1]), [fields(2)[0], (tiny, 1)])


@pytest.mark.parametrize(
    ("name", "coats"),
    [
        ("coat-0", 0),
        ("coat-12", 12),
        ("2 coats", 2),
        ("Coats_3 left", 3),
        ("coat 3-2", 3),
        ("window-1", None),
        ("coat-1234", None),
    ],
)
def test_number_of_coats_in_a_name(name, coats):
    assert coats_in(name) == coats


def test_coats_needed_by_hand():
    """From 20 % to 2 % is a density of 1.0; at 0.3 a coat that takes four coats."""
    needed = coats_needed(0.2, 0.3, 0.03, noticeable=0.02)
    assert (needed.likely, needed.least, needed.most) == (4, 3, 5)  # 1 / 0.36, 1 / 0.24
    assert coats_needed(0.019, 0.3, 0.03, noticeable=0.02).likely == 0
    # Exactly one coat's worth is one coat, not two by rounding.
    assert coats_needed(0.2, 1.0, 0.0, noticeable=0.02).likely == 1


def test_coats_needed_is_open_ended_where_the_density_may_be_none():
    needed = coats_needed(0.2, 0.1, 0.06, noticeable=0.02)
    assert needed.likely == 10
    assert needed.most is None
    assert coats_needed(0.2, 0.0, 0.05, noticeable=0.02) is None
    assert coats_needed(0.2, 0.001, 0.0, noticeable=0.02) is None


def test_paint_will_not_close_a_hole():
    """A leak at 0.01 +- 0.01 while others lose 0.4 each; not where no other falls either."""
    assert stays(0.01, 0.01, [0.4, 0.45])
    assert not stays(0.3, 0.02, [0.4, 0.45])
    assert not stays(0.01, 0.2, [0.4, 0.45])  # not known well enough
    assert not stays(0.01, 0.01, [0.02, 0.03])
    assert not stays(0.01, 0.01, [0.4])


def test_mean_forgets_a_hole():
    """Five leaks at 0.3 and one that paint does not close: the mean stays at 0.3."""
    mean = robust_mean([0.28, 0.31, 0.30, 0.32, 0.29, 0.0], [0.02] * 6)
    assert mean.value == pytest.approx(0.30, abs=0.01)
    assert mean.error < 0.02


def test_error_of_the_mean_covers_the_scatter():
    """Of 300 models with eight leaks, two stated errors hold the truth in 88 % or more.

    Student's t with 7 degrees of freedom gives 91.4 %, less two standard errors of 300 draws.
    """
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(300):
        values = 0.3 + 0.05 * rng.standard_normal(8)
        mean = robust_mean(values, [0.03] * 8)
        held += abs(mean.value - 0.3) < 2 * mean.error
    assert held / 300 >= 0.88


def test_mean_of_nothing():
    assert robust_mean([], []) is None


ENLARGED = 4  # so that it counts as a photo
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}">{}</svg>'


def saved_strip(folder, densities, *, names=None):
    """Photo and drawing of a strip on the disk."""
    codes = tablet(densities).repeat(ENLARGED, axis=0).repeat(ENLARGED, axis=1)
    cv2.imwrite(str(folder / "strip.png"), codes[..., ::-1])
    shapes = "".join(
        f'<rect id="{name}" x="{FIELD * k + 2}" y="2" width="{FIELD - 4}" height="{FIELD - 4}"/>'
        for k, name in enumerate(names or [f"coat-{k}" for k in range(len(densities))])
    )
    drawing = SVG.replace("{}", shapes).format(w=FIELD * len(densities), h=FIELD)
    (folder / "fields.svg").write_text(drawing, encoding="utf-8")
    return folder / "strip.png", folder / "fields.svg"


def test_strip_on_the_command_line(tmp_path, capfd):
    photo, drawing = saved_strip(tmp_path, [0.0, 0.2, 0.4, 0.6])
    result = tmp_path / "strip.json"
    assert main(["coats", str(photo), "--patches", str(drawing), "--json", str(result)]) == 0
    assert "One coat: density 0.200" in capfd.readouterr().out
    content = json.loads(result.read_text("ascii"))
    assert content["format"] == "leakcheck coats"
    assert content["per_coat"] == pytest.approx(0.2, abs=0.005)
    assert [patch["coats"] for patch in content["patches"]] == [0, 1, 2, 3]
    assert math.isfinite(content["per_coat_low"])


def test_strip_never_overwrites_its_photo(tmp_path, capfd):
    photo, drawing = saved_strip(tmp_path, [0.0, 0.2])
    assert main(["coats", str(photo), "--patches", str(drawing), "--json", str(photo)]) == 2
    assert "never overwritten" in capfd.readouterr().err


def test_unnamed_fields_are_refused(tmp_path, capfd):
    photo, drawing = saved_strip(tmp_path, [0.0, 0.2], names=["left", "right"])
    assert main(["coats", str(photo), "--patches", str(drawing)]) == 2
    error = capfd.readouterr().err
    assert "fields.svg" in error
    assert "coat-0" in error


def test_strip_in_words_says_what_is_left_out(tmp_path):
    strip = read_strip(*saved_strip(tmp_path, [0.0, 0.4, 3.6]))
    text = strip_text(strip)
    assert "too dark" in text
    assert any("coat-2" in warning for warning in strip.warnings)
