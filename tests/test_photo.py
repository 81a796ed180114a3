"""Photos become frames of light, pictures for people and exposures; missing files say so."""

from __future__ import annotations

import hashlib
import struct
from datetime import datetime, timedelta, timezone
from pathlib import Path

import colour
import numpy as np
import pytest
from photo_files import (
    COLS,
    P3,
    ROWS,
    SRGB_FORMULA,
    exif_bytes,
    file_of,
    matrix_profile,
    noise,
    read,
)
from PIL.ExifTags import Base
from PIL.TiffImagePlugin import IFDRational

from leakcheck import photo as module
from leakcheck.errors import PhotoError, UsageError
from leakcheck.photo import (
    Exposure,
    crop_srgb,
    display_image,
    frame_scale,
    linear_light,
    photo_from_array,
    read_photo,
    relative_exposure,
)


def test_file_is_not_changed(tmp_path) -> None:
    """The file keeps its bytes, and `content_hash` is their SHA-256 by hashlib."""
    data = file_of(noise(), "jpeg", exif=exif_bytes(Orientation=6))
    photo = read(tmp_path, data, "Fähre é.jpg")
    assert photo.path == tmp_path / "Fähre é.jpg"
    assert photo.path.read_bytes() == data
    assert photo.name == "Fähre é.jpg"
    assert photo.content_hash == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("scale", [1, 2, 3, 7])
@pytest.mark.parametrize("strip", [1, 1 << 17])
def test_frame_is_the_plain_mean_of_light(monkeypatch, dtype, scale, strip) -> None:
    """Against numpy: decode all, cut, mean over blocks, any pixel over 253/255; whatever strips."""
    monkeypatch.setattr(module, "_STRIP_PIXELS", strip)
    codes = noise(101, 75, dtype)
    codes[:40] //= 2
    frame = linear_light(photo_from_array(codes), scale=scale)
    rows, cols = 101 // scale, 75 // scale
    blocks = codes[: rows * scale, : cols * scale].reshape(rows, scale, cols, scale, 3)
    full = np.iinfo(dtype).max
    truth = colour.models.eotf_sRGB(blocks / full).mean(axis=(1, 3))
    np.testing.assert_allclose(frame.light, truth, rtol=1e-5)
    np.testing.assert_array_equal(frame.clipped, (blocks >= full * 253 / 255).any(axis=(1, 3)))
    assert frame.scale == scale
    assert frame.clipped.any()
    assert not frame.clipped.all()


def test_one_clipped_pixel_is_not_averaged_away() -> None:
    codes = np.zeros((600, 600, 3), np.uint8)
    codes[333, 77, 2] = 253
    clipped = linear_light(photo_from_array(codes), scale=509).clipped
    np.testing.assert_array_equal(clipped, [[[False, False, True]]])


def test_clipped_spreads_over_channels_where_primaries_are_mixed(tmp_path) -> None:
    codes = np.full((ROWS, COLS, 3), 100, np.uint8)
    codes[10, 10, 0] = 255
    plain = linear_light(photo_from_array(codes), scale=2).clipped
    profile = matrix_profile(P3, SRGB_FORMULA)
    mixed = linear_light(read(tmp_path, file_of(codes, "png", icc_profile=profile)), scale=2)
    assert plain[5, 5].tolist() == [True, False, False]
    assert mixed.clipped[5, 5].tolist() == [True, True, True]
    assert plain.sum() == 1
    assert mixed.clipped.sum() == 3


@pytest.mark.parametrize("scale", [0, 510, 601])
def test_scale_that_does_not_fit(scale) -> None:
    with pytest.raises(UsageError, match="scale"):
        linear_light(photo_from_array(noise(600, 700)), scale=scale)


@pytest.mark.parametrize(
    ("rows", "cols", "expected"),
    [(1000, 1000, 1), (2000, 2100, 1), (2000, 2101, 2), (3000, 4000, 2), (6000, 8000, 4)],
)
def test_frame_scale(rows, cols, expected) -> None:
    """By hand: 4.2, 4.202, 12 and 48 megapixels; 48 / 3^2 = 5.3 is too much, 48 / 4^2 = 3."""
    assert frame_scale(rows, cols) == expected


@pytest.mark.parametrize("bad", [np.zeros((70, 70), np.uint8), np.zeros((70, 70, 3), np.float32)])
def test_array_of_another_kind(bad) -> None:
    with pytest.raises(UsageError, match="ferry"):
        photo_from_array(bad, name="ferry")


def test_display_of_an_srgb_photo_is_its_own_copy() -> None:
    photo = photo_from_array(noise())
    picture = display_image(photo, max_side=None)
    np.testing.assert_array_equal(picture, noise())
    picture[:] = 0
    np.testing.assert_array_equal(photo.encoded, noise())
    assert display_image(photo, max_side=64).shape == (48, 64, 3)


def test_display_of_16_bit_rounds_to_8() -> None:
    """sRGB to sRGB: only the depth changes, code / 257.

    Rounding is a half; linear light in 65536 steps adds half of 255 * 12.92 / 65535 at black.
    """
    codes = noise(dtype=np.uint16)
    np.testing.assert_allclose(display_image(photo_from_array(codes)), codes / 257, atol=0.53)


def test_crop() -> None:
    photo = photo_from_array(noise())
    np.testing.assert_array_equal(crop_srgb(photo, -5, 10, 20, 500), noise()[10:, :20])
    with pytest.raises(UsageError, match="array"):
        crop_srgb(photo, 200, 0, 300, 10)
    with pytest.raises(UsageError, match="array"):
        crop_srgb(photo, -9, -9, -3, -3)


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "webp", "heif"])
def test_exposure_from_exif(tmp_path, kind) -> None:
    tags = {
        Base.ExposureTime: IFDRational(1, 50), Base.FNumber: IFDRational(9, 5),
        Base.ISOSpeedRatings: 125,
        Base.DateTimeOriginal: "2024:03:09 21:14:05", Base.SubsecTimeOriginal: "25",
        Base.OffsetTimeOriginal: "-03:30",
    }  # fmt: skip
    exif = exif_bytes(tags, Make="Heron Optics", Model="H1")
    exposure = read(tmp_path, file_of(noise(), kind, exif=exif)).exposure
    zone = timezone(-timedelta(hours=3, minutes=30))
    assert exposure.time_s == pytest.approx(0.02)
    assert exposure.fnumber == pytest.approx(1.8)
    assert exposure.iso == 125
    assert exposure.taken == datetime(2024, 3, 9, 21, 14, 5, 250_000, tzinfo=zone)
    assert exposure.camera == "Heron Optics H1"


@pytest.mark.parametrize(
    ("tags", "field", "expected"),
    [
        ({Base.ExposureTime: IFDRational(0, 0)}, "time_s", None),
        ({Base.FNumber: IFDRational(0, 1)}, "fnumber", None),
        ({Base.FNumber: IFDRational(1, 2**31)}, "fnumber", None),  # no camera's; its square is 0
        ({Base.ExposureTime: IFDRational(2**32 - 1, 1)}, "time_s", None),
        ({Base.ISOSpeedRatings: (200, 0)}, "iso", 200),
        ({Base.ISOSpeedRatings: 0}, "iso", None),
        ({Base.ISOSpeedRatings: 65535, Base.RecommendedExposureIndex: 102400}, "iso", 102400),
        ({Base.ShutterSpeedValue: IFDRational(3, 1)}, "time_s", 0.125),  # APEX: 2^-3
        ({Base.ApertureValue: IFDRational(4, 1)}, "fnumber", 4.0),  # APEX: 2^(4/2)
        ({Base.ShutterSpeedValue: IFDRational(0, 0)}, "time_s", None),
        ({Base.DateTimeOriginal: "0000:00:00 00:00:00"}, "taken", None),
        ({Base.DateTimeOriginal: "2024:03:09 21:14:05"}, "taken", datetime(2024, 3, 9, 21, 14, 5)),
        ({}, "camera", None),
    ],
)
def test_odd_and_broken_exposure_tags(tmp_path, tags, field, expected) -> None:
    """Exif (CIPA DC-008): rationals with 0 below mean unknown; 65535 sends to the wide tags."""
    photo = read(tmp_path, file_of(noise(), "jpeg", exif=exif_bytes(tags)))
    assert getattr(photo.exposure, field) == expected


def test_maker_is_named_once(tmp_path) -> None:
    exif = exif_bytes(Make="Heron", Model="HERON H1")
    assert read(tmp_path, file_of(noise(), "jpeg", exif=exif)).exposure.camera == "HERON H1"


def test_broken_exif_is_no_reason_to_refuse(tmp_path, capfd) -> None:
    exif = b"Exif\0\0II*\0" + struct.pack("<IHHHII", 8, 900, 0x8769, 4, 1, 99_999_999)
    photo = read(tmp_path, file_of(noise(), "jpeg", exif=exif))
    assert photo.exposure == Exposure(None, None, None, None, None)
    assert capfd.readouterr() == ("", "")


def test_relative_exposure() -> None:
    """By hand: 1/50 s at ISO 100 and f/2 gives 0.5; a stop is a factor of 2 in each."""
    exposure = Exposure(time_s=1 / 50, iso=100, fnumber=2.0, taken=None, camera=None)
    assert relative_exposure(exposure) == pytest.approx(0.5)
    assert relative_exposure(Exposure(1 / 50, None, 2.0, None, None)) is None


def test_paths_that_are_no_file(tmp_path) -> None:
    with pytest.raises(PhotoError, match=r"gone\.jpg does not exist"):
        read_photo(tmp_path / "gone.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        read_photo(str(tmp_path))
    with pytest.raises(PhotoError, match="cannot be read"):
        read_photo(tmp_path / ("x" * 300 + ".jpg"))
    with pytest.raises(PhotoError):
        read_photo("bad\0name.jpg")


def test_no_permission(tmp_path, monkeypatch) -> None:
    """Set off by hand: tests may run as root, who may read everything."""

    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(path))

    (tmp_path / "locked.jpg").write_bytes(b"x")
    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(PhotoError, match=r"locked\.jpg may not be read"):
        read_photo(tmp_path / "locked.jpg")
