"""Every kind of photo file gives its pixels upright, as deep and as colourful as it holds them."""

from __future__ import annotations

import io
import struct
import sys

import numpy as np
import pillow_heif
import pytest
import tifffile
from photo_files import (
    ADOBE_TO_SRGB,
    COLS,
    LOSSY,
    P3,
    ROWS,
    SRGB_FORMULA,
    big_endian_tiff,
    cmyk_picture,
    corners,
    dng,
    exif_bytes,
    file_of,
    gamma_tag,
    grey_dng,
    icc_profile,
    matrix_profile,
    noise,
    png,
    read,
    table_profile,
    tiff,
    without_adobe_segment,
    zipped_tiff,
)
from PIL import Image, ImageCms

from leakcheck.errors import PhotoError
from leakcheck.photo import linear_light, photo_from_array

ORIENTATIONS = {  # Exif (CIPA DC-008) tag 274: where the stored row 0 and column 0 are to be seen
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "webp", "heif"])
def test_saturated_p3_red_is_not_cut_to_srgb(tmp_path, kind) -> None:
    """P3's pure red is (1.225, -0.042, -0.020) in linear sRGB (CSS Color 4).

    Tolerance: 4 codes at the end of the curve are 4/255 * 2.4 = 4 % of full light.
    """
    red = np.zeros((ROWS, COLS, 3), np.uint8)
    red[..., 0] = 255
    image = Image.fromarray(red)
    image.info["icc_profile"] = matrix_profile(P3, SRGB_FORMULA)
    photo = read(tmp_path, file_of(image, kind, icc_profile=image.info["icc_profile"]))
    light = linear_light(photo).light.mean(axis=(0, 1))
    tolerance = 0.04 if kind in ("jpeg", "heif") else 1e-3
    np.testing.assert_allclose(light, [1.2249, -0.0421, -0.0196], atol=tolerance)


def test_srgb_profile_needs_no_matrix(tmp_path) -> None:
    """LittleCMS's own sRGB profile changes nothing: its curve is IEC 61966-2-1 to 2e-5."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = read(tmp_path, file_of(noise(), "png", icc_profile=profile))
    np.testing.assert_array_equal(photo.to_srgb, np.eye(3))
    np.testing.assert_allclose(photo.decode, photo_from_array(noise()).decode, atol=2e-5)


def test_grey_profile(tmp_path) -> None:
    """A grey curve of exponent 2: code 51 is (51/255)^2 = 0.04 in all channels."""
    profile = icc_profile({b"kTRC": gamma_tag(2.0)}, kind=b"GRAY")
    grey = Image.fromarray(np.full((ROWS, COLS), 51, np.uint8))
    photo = read(tmp_path, file_of(grey, "png", icc_profile=profile))
    np.testing.assert_allclose(linear_light(photo).light, 0.04, rtol=1e-5)


def test_table_profile_of_rgb(tmp_path) -> None:
    """Blue of L* = 128/255*100 is Y = ((50.196+16)/116)^3 = 0.18584 (CIE 15); 8-bit codes: 1 %."""
    blue = np.zeros((ROWS, COLS, 3), np.uint8)
    blue[..., 2] = 255
    profile = table_profile(b"RGB ", 3, {(0, 0, 0): 0, (0, 0, 1): 128})
    photo = read(tmp_path, file_of(blue, "png", icc_profile=profile))
    np.testing.assert_allclose(linear_light(photo).light, 0.18584, rtol=0.01)


@pytest.mark.parametrize("profile", [b"broken", matrix_profile(P3, b"junk" * 4)])
def test_broken_profile_means_srgb(tmp_path, profile) -> None:
    photo = read(tmp_path, file_of(noise(), "png", icc_profile=profile))
    np.testing.assert_array_equal(photo.encoded, noise())
    np.testing.assert_array_equal(photo.decode, photo_from_array(noise()).decode)


@pytest.mark.parametrize(("interop", "is_adobe"), [(b"R03\0", True), (b"R98\0", False)])
def test_adobe_rgb_told_by_exif_alone(tmp_path, interop, is_adobe) -> None:
    """DCF 2.0: ColorSpace 65535 with interoperability index R03. Pillow writes no such EXIF."""
    exif = b"Exif\0\0II*\0" + struct.pack("<I", 8)
    exif += struct.pack("<HHHIII", 1, 0x8769, 4, 1, 26, 0)
    exif += struct.pack("<HHHIHHHHIII", 2, 0xA001, 3, 1, 0xFFFF, 0, 0xA005, 4, 1, 56, 0)
    exif += struct.pack("<HHHI4sI", 1, 1, 2, 4, interop, 0)
    photo = read(tmp_path, file_of(noise(), "jpeg", exif=exif))
    expected = ADOBE_TO_SRGB if is_adobe else np.eye(3)
    np.testing.assert_allclose(photo.to_srgb, expected, atol=1e-4)


def stored(upright: np.ndarray, orientation: int) -> np.ndarray:
    """The pixels as the file stores them, so that they are seen upright."""
    row_0, column_0 = ORIENTATIONS[orientation]
    turned = upright if row_0 in ("top", "bottom") else upright.transpose(1, 0, 2)
    turned = turned[::-1] if row_0 in ("bottom", "right") else turned
    turned = turned[:, ::-1] if column_0 in ("bottom", "right") else turned
    return np.ascontiguousarray(turned)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff", "webp", "heif", "png 16", "tiff 16"])
def test_each_orientation_is_applied_once(tmp_path, kind, orientation) -> None:
    """Pillow and libheif write both the EXIF tag and, for HEIC, the boxes that phones write."""
    pixels = stored(corners(), orientation)
    exif = exif_bytes(Orientation=orientation)
    if kind == "tiff 16":
        tag = (274, 3, 1, orientation, True)
        buffer = io.BytesIO()
        tifffile.imwrite(buffer, pixels.astype(np.uint16) * 257, photometric="rgb", extratags=[tag])
        data = buffer.getvalue()
    elif kind == "png 16":
        data = png(
            pixels.astype(np.uint16) * 257, chunks=((b"eXIf", exif.removeprefix(b"Exif\0\0")),)
        )
    else:
        data = file_of(pixels, kind, exif=exif)
    photo = read(tmp_path, data)
    seen = photo.encoded / (257 if photo.encoded.dtype == np.uint16 else 1)
    assert seen.shape == (ROWS, COLS, 3)
    inner = np.s_[8:24, 8:24], np.s_[8:24, -24:-8], np.s_[-24:-8, 8:24], np.s_[-24:-8, -24:-8]
    for part in inner:
        np.testing.assert_allclose(seen[part], corners()[part], atol=LOSSY)


def test_heic_is_turned_by_its_boxes_and_not_by_exif(tmp_path) -> None:
    """ISO/IEC 23008-12: only `irot` and `imir` count; an EXIF tag alone turns nothing."""
    exif = exif_bytes(Orientation=1)
    data = file_of(corners(), "heif", exif=exif)
    entry = struct.pack(">HHIH", 274, 3, 1, 1)
    assert data.count(entry) == 1
    photo = read(tmp_path, data.replace(entry, struct.pack(">HHIH", 274, 3, 1, 6)))
    np.testing.assert_allclose(photo.encoded[16, 16], corners()[16, 16], atol=LOSSY)
    assert photo.encoded.shape == (ROWS, COLS, 3)


@pytest.mark.parametrize("write", [png, tiff, zipped_tiff, big_endian_tiff])
def test_16_bit_is_kept_to_the_last_bit(tmp_path, write) -> None:
    codes = noise(dtype=np.uint16)
    photo = read(tmp_path, write(codes))
    assert photo.encoded.dtype == np.uint16
    np.testing.assert_array_equal(photo.encoded, codes)


@pytest.mark.parametrize("full", [255, 65535])
@pytest.mark.parametrize("write", [png, tiff])
def test_alpha_lies_over_black(tmp_path, write, full) -> None:
    """By hand: opaque stays, clear is 0, and alpha 2/5 leaves 2/5 of the code value."""
    codes = np.full((ROWS, COLS, 4), full // 5 * 4, np.uint8 if full == 255 else np.uint16)
    codes[..., 3] = full
    codes[:32, :, 3] = 0
    codes[32:64, :, 3] = full // 5 * 2
    options = {"extrasamples": ["unassalpha"]} if write is tiff else {}
    photo = read(tmp_path, write(codes, **options))
    assert photo.encoded.shape == (ROWS, COLS, 3)
    opaque = full // 5 * 4
    assert [int(v) for v in photo.encoded[(10, 40, 80), 5, 1]] == [0, round(opaque * 0.4), opaque]


def test_premultiplied_and_meaningless_fourth_channels_are_left_alone(tmp_path) -> None:
    codes = np.dstack([noise(dtype=np.uint16), np.full((ROWS, COLS), 30000, np.uint16)])
    for extra in ("assocalpha", "unspecified"):
        photo = read(tmp_path, tiff(codes, extrasamples=[extra]))
        np.testing.assert_array_equal(photo.encoded, codes[..., :3])


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (file_of(noise()[..., 0], "png"), noise()[..., 0]),
        (file_of(noise()[..., 0], "tiff"), noise()[..., 0]),
        (png(noise(dtype=np.uint16)[..., 0]), noise(dtype=np.uint16)[..., 0]),
        (png(np.dstack([noise()[..., 0], np.full((ROWS, COLS), 255, np.uint8)])), noise()[..., 0]),
        (tiff(noise()[..., 0], photometric="miniswhite"), 255 - noise()[..., 0]),
        (
            tiff(noise(dtype=np.uint16)[..., 0], photometric="miniswhite"),
            65535 - noise(dtype=np.uint16)[..., 0],
        ),
    ],
    ids=["png", "tiff", "png 16", "png with alpha", "white is zero", "white is zero, 16"],
)
def test_grey_is_the_same_in_all_channels(tmp_path, data, expected) -> None:
    """TIFF 6.0 photometric 0: white is zero."""
    photo = read(tmp_path, data)
    np.testing.assert_array_equal(photo.encoded, np.repeat(expected[..., None], 3, axis=2))


def test_grey_jpeg(tmp_path) -> None:
    photo = read(tmp_path, file_of(np.full((ROWS, COLS), 77, np.uint8), "jpeg"))
    np.testing.assert_allclose(photo.encoded, 77, atol=1)
    assert photo.encoded.shape == (ROWS, COLS, 3)


def test_palette(tmp_path) -> None:
    """Also with a clear colour in the palette: that is black, no light."""
    indexed = Image.fromarray(corners()).convert("P", palette=Image.Palette.ADAPTIVE, colors=4)
    rgb = np.asarray(indexed.convert("RGB"))
    np.testing.assert_array_equal(read(tmp_path, file_of(indexed, "png")).encoded, rgb)
    clear = int(np.asarray(indexed)[0, 0])
    photo = read(tmp_path, file_of(indexed, "png", transparency=clear))
    assert photo.encoded[0, 0].max() == 0
    np.testing.assert_array_equal(photo.encoded[0, -1], rgb[0, -1])


@pytest.mark.parametrize("form", ["adobe jpeg", "plain jpeg", "tiff", "tiff 16"])
def test_cmyk_with_ideal_inks(tmp_path, form) -> None:
    """By hand: red = (1 - 0)(1 - 0.2) * 255 = 204, green 0.2 * 0.8 = 41, blue 0.6 * 0.8 = 122.

    Adobe's JPEGs store 255 - ink and say so in a segment; without it ink is stored as it is.
    """
    picture = cmyk_picture()
    if form == "plain jpeg":
        inverted = Image.fromarray(255 - np.asarray(picture), "CMYK")
        data = without_adobe_segment(file_of(inverted, "jpeg"))
    elif form == "tiff 16":
        data = tiff(np.asarray(picture).astype(np.uint16) * 257, photometric="separated")
    else:
        data = file_of(picture, form.split()[-1])
    photo = read(tmp_path, data)
    np.testing.assert_allclose(photo.encoded[20, 60], (204, 41, 122), atol=LOSSY)
    np.testing.assert_allclose(photo.encoded[80, 60], 255, atol=LOSSY)


@pytest.mark.parametrize("kind", ["jpeg", "tiff"])
def test_cmyk_by_its_profile(tmp_path, kind) -> None:
    """Black ink of L* = 128/255*100, so Y = 0.18584 (CIE 15), where ideal ink would give 0."""
    inks = np.zeros((ROWS, COLS, 4), np.uint8)
    inks[..., 3] = 255
    profile = table_profile(b"CMYK", 4, {(0, 0, 0, 1): 128})
    photo = read(tmp_path, file_of(Image.fromarray(inks, "CMYK"), kind, icc_profile=profile))
    np.testing.assert_allclose(linear_light(photo).light, 0.18584, rtol=0.02)


def test_mpo_gives_its_first_picture(tmp_path) -> None:
    other = Image.fromarray(np.zeros((ROWS, COLS, 3), np.uint8))
    data = file_of(corners(), "MPO", save_all=True, append_images=[other], quality=98)
    assert data.count(b"\xff\xd8\xff") == 2
    photo = read(tmp_path, data)
    np.testing.assert_allclose(photo.encoded[16, 16], (250, 10, 10), atol=3 * LOSSY)


@pytest.mark.parametrize("progressive", [False, True])
def test_motion_photo_gives_its_still(tmp_path, progressive) -> None:
    """Phones append a film to the JPEG; even a cut-off film leaves the photo whole."""
    jpeg = file_of(noise(), "jpeg", progressive=progressive)
    whole = read(tmp_path, jpeg)
    trailed = read(tmp_path, jpeg + b"\0\0\0\x18ftypmp42" + bytes(5000))
    np.testing.assert_array_equal(trailed.encoded, whole.encoded)
    theirs = np.asarray(Image.open(io.BytesIO(jpeg))).astype(int)
    assert np.abs(whole.encoded - theirs).max() <= LOSSY  # two builds of libjpeg


@pytest.mark.parametrize("kind", ["png", "tiff", "webp"])
def test_lossless_files_are_exact(tmp_path, kind) -> None:
    np.testing.assert_array_equal(read(tmp_path, file_of(noise(), kind)).encoded, noise())


def test_10_bit_heic(tmp_path) -> None:
    """Values keep more than 8 bits, and white is the end of the 16-bit scale."""
    ramp = np.linspace(0, 65535, 256).astype(np.uint16)
    picture = np.ascontiguousarray(np.broadcast_to(ramp[None, :, None], (64, 256, 3)))
    buffer = io.BytesIO()
    image = pillow_heif.from_bytes("RGB;16", (256, 64), picture.tobytes())
    image.save(buffer, quality=-1, chroma=444)  # -1: lossless
    photo = read(tmp_path, buffer.getvalue())
    assert photo.encoded.dtype == np.uint16
    assert photo.encoded.max() == 65535
    # Lossless in 10-bit YCbCr: a few of its 1023 steps are lost on the way from and to RGB.
    assert np.abs(photo.encoded.astype(int) - picture).max() <= 3 * 64


def test_camera_raw_is_linear(tmp_path) -> None:
    """A grey of 1000 among 0 to 4000 is a quarter of white, at any exposure of the rest.

    The camera says that its red is half as sensitive. 1 %: rounding to 16 bit and of the matrix.
    """
    pytest.importorskip("rawpy")
    codes = np.full((ROWS, COLS), 1000, np.uint16)
    codes[:, 96:] = 4000
    codes[::2, ::2] //= 2
    photo = read(tmp_path, dng(codes), "photo.dng")
    frame = linear_light(photo)
    np.testing.assert_allclose(frame.light[20:-20, 20:70], 0.25, rtol=0.01)
    assert frame.clipped[20:-20, 104:-8].all()
    assert not frame.clipped[:, :80].any()
    assert photo.exposure.time_s == 0.125
    # White is not set from the photo's own maximum: 7/8 of the light reads as 7/8.
    dimmer = linear_light(read(tmp_path, dng(codes // 8 * 7), "dimmer.dng"))
    np.testing.assert_allclose(dimmer.light[20:-20, 20:70], 0.25 * 7 / 8, rtol=0.01)
    assert not dimmer.clipped.any()


def test_camera_raw_of_a_sensor_without_colours(tmp_path) -> None:
    """A grey of 1000 among 0 to 4000 is a quarter of white, alike in all three channels."""
    pytest.importorskip("rawpy")
    light = linear_light(read(tmp_path, grey_dng(np.full((ROWS, COLS), 1000, np.uint16)), "g.dng"))
    np.testing.assert_allclose(light.light[20:-20, 20:-20], 0.25, rtol=0.01)


def test_camera_raw_without_rawpy_says_what_to_install(tmp_path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match=r'photo\.NEF.*pip install "leakcheck\[raw\]"'):
        read(tmp_path, b"II*\0" + bytes(100), "photo.NEF")
