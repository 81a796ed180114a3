"""Code values become the light that standards, published matrices and other libraries say."""

from __future__ import annotations

import io
import struct

import colour
import numpy as np
import pytest
from photo_files import (
    ADOBE,
    ADOBE_TO_SRGB,
    P3,
    P3_TO_SRGB,
    ROMM,
    ROMM_TO_SRGB,
    SRGB_FORMULA,
    formula_tag,
    gamma_tag,
    matrix_profile,
    noise,
)
from PIL import Image, ImageCms

from leakcheck import photo as module
from leakcheck.colourspace import ADOBE_RGB, DISPLAY_P3, REC_2020, read_profile
from leakcheck.photo import Exposure, display_image, linear_light, photo_from_array


def test_srgb_decodes_as_the_standard_says() -> None:
    """IEC 61966-2-1: 10/255 is on the straight part, 10/255/12.92 = 0.00303527; the rest by hand:
    ((64/255+0.055)/1.055)^2.4 = 0.0512695, ((128/255+0.055)/1.055)^2.4 = 0.2158605,
    ((188/255+0.055)/1.055)^2.4 = 0.5028865.
    """
    codes = np.zeros((64, 64, 3), np.uint8)
    codes[0, :6] = np.array([0, 10, 64, 128, 188, 255])[:, None]
    light = linear_light(photo_from_array(codes)).light
    expected = [0.0, 0.00303527, 0.0512695, 0.2158605, 0.5028865, 1.0]
    assert light.dtype == np.float32
    np.testing.assert_allclose(light[0, :6, 1], expected, rtol=2e-6)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_srgb_decodes_as_colour_science_does(dtype: type) -> None:
    """Every code value against colour-science's inverse sRGB curve; float32 keeps 6e-8."""
    codes = np.iinfo(dtype).max + 1
    table = photo_from_array(np.zeros((64, 64, 3), dtype)).decode
    truth = colour.models.eotf_sRGB(np.linspace(0, 1, codes))
    assert table.shape == (3, codes)
    np.testing.assert_allclose(table, np.broadcast_to(truth, table.shape), rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize(
    ("columns", "curve", "expected", "name"),
    [
        (P3, SRGB_FORMULA, P3_TO_SRGB, "Display P3"),
        (ADOBE, gamma_tag(563 / 256), ADOBE_TO_SRGB, "Adobe RGB (1998)"),
        (ROMM, gamma_tag(1.8), ROMM_TO_SRGB, "ProPhoto RGB"),
    ],
)
def test_profile_becomes_published_matrix(columns, curve, expected, name) -> None:
    """Published matrices (see above) and colour-science's Bradford-adapted ones.

    Profiles state their columns to 5 decimals, and whites of D50 differ in the fourth (ICC's
    0.9642, 0.8249 against the chromaticity's 0.96422, 0.82521): 1e-3 of a channel.
    """
    space = read_profile(matrix_profile(columns, curve))
    assert space is not None
    np.testing.assert_allclose(space.to_srgb, expected, atol=1e-3)
    theirs = colour.matrix_RGB_to_RGB(name, "sRGB", "Bradford")
    np.testing.assert_allclose(space.to_srgb, theirs, atol=1e-3)
    # The photo's white stays white, so that 1.0 means white in every file.
    np.testing.assert_allclose(space.to_srgb.sum(axis=1), 1.0, atol=1e-3)


@pytest.mark.parametrize(
    ("space", "name"),
    [(DISPLAY_P3, "Display P3"), (ADOBE_RGB, "Adobe RGB (1998)"), (REC_2020, "ITU-R BT.2020")],
)
def test_spaces_without_profile_match_colour_science(space, name) -> None:
    """All are D65 spaces: no adaptation, so only colour-science's rounding is left."""
    theirs = colour.matrix_RGB_to_RGB(name, "sRGB", None)
    np.testing.assert_allclose(space.to_srgb, theirs, atol=2e-4)


def test_profile_agrees_with_littlecms_inside_srgb() -> None:
    """Colours of P3 that sRGB can hold, against Pillow's LittleCMS (16-bit inside, 8-bit out)."""
    profile = matrix_profile(P3, SRGB_FORMULA)
    codes = (noise() // 4 + 90).astype(np.uint8)  # not saturated
    theirs = ImageCms.profileToProfile(
        Image.fromarray(codes), ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"), renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )  # fmt: skip
    space = read_profile(profile)
    ours = module.Photo(
        "p3", None, codes, space.decode_table(256), space.to_srgb, Exposure(*[None] * 5), ""
    )
    difference = display_image(ours).astype(int) - np.asarray(theirs)
    assert np.abs(difference).max() <= 1  # one code: rounding
    assert abs(difference.mean()) < 0.02


@pytest.mark.parametrize(
    ("curve", "value", "light"),
    [
        (gamma_tag(2.0), 0.5, 0.25),
        (b"curv\0\0\0\0" + struct.pack(">I", 0), 0.3, 0.3),
        (b"curv\0\0\0\0" + struct.pack(">I3H", 3, 0, 13107, 65535), 0.25, 0.1),
        (formula_tag(0, 2.0), 0.5, 0.25),
        (formula_tag(1, 2.0, 2.0, -0.5), 0.5, 0.25),
        (formula_tag(1, 2.0, 2.0, -0.5), 0.2, 0.0),
        (formula_tag(2, 2.0, 2.0, -0.5, 0.125), 0.5, 0.375),
        (formula_tag(2, 2.0, 2.0, -0.5, 0.125), 0.2, 0.125),
        (SRGB_FORMULA, 0.02, 0.02 / 12.92),
        (SRGB_FORMULA, 0.5, 0.214041),
        (formula_tag(4, 2.0, 0.5, 0.25, 0.25, 0.5, 0.0625, 0.03125), 0.75, 0.453125),
        (formula_tag(4, 2.0, 0.5, 0.25, 0.25, 0.5, 0.0625, 0.03125), 0.25, 0.09375),
        (formula_tag(1, 30000.0, 2.0, 0.0), 0.9, 1.0),  # damaged: what leaves the range is clipped
        (formula_tag(1, -30000.0, 0.5, 0.0), 0.0, 1.0),
    ],
)
def test_every_kind_of_profile_curve(curve, value, light) -> None:
    """Light worked out by hand from ICC.1:2022 sections 10.6 and 10.18; s15Fixed16 keeps 8e-6."""
    space = read_profile(matrix_profile(P3, curve))
    assert space is not None
    np.testing.assert_allclose(space.curves[0](np.array([value])), light, atol=2e-5)
