"""Photo files become the right light: depth, colours, orientation, exposure; bad files say why."""

from __future__ import annotations

import io
import itertools
import struct
import sys
import zlib
from datetime import datetime, timedelta, timezone
from pathlib import Path

import colour
import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageCms
from PIL.ExifTags import IFD, Base
from PIL.TiffImagePlugin import IFDRational

from leakcheck import decode
from leakcheck import photo as module
from leakcheck.colourspace import ADOBE_RGB, DISPLAY_P3, REC_2020, read_profile
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

ROWS, COLS = 96, 128
# What lossy formats may change in a flat patch, in 8-bit code values.
LOSSY = 4


def corners() -> np.ndarray:
    """A picture that looks different turned each of the eight ways."""
    picture = np.full((ROWS, COLS, 3), 90, np.uint8)
    picture[:32, :32] = (250, 10, 10)
    picture[:32, -32:] = (10, 250, 10)
    picture[-32:, :32] = (10, 10, 250)
    return picture


def noise(rows: int = ROWS, cols: int = COLS, dtype: type = np.uint8) -> np.ndarray:
    return np.random.default_rng(5).integers(0, np.iinfo(dtype).max, (rows, cols, 3), dtype, True)


def file_of(picture: np.ndarray | Image.Image, kind: str, **options: object) -> bytes:
    """Encode with Pillow, lossless where the format can."""
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    buffer = io.BytesIO()
    if kind == "heif":
        pillow_heif.from_pillow(image).save(buffer, **({"quality": 95, "chroma": 444} | options))
    else:
        better = {"jpeg": {"quality": 98, "subsampling": 0}, "webp": {"lossless": True}}
        image.save(buffer, kind, **(better.get(kind, {}) | options))
    return buffer.getvalue()


def read(tmp_path: Path, data: bytes, name: str = "photo.bin") -> module.Photo:
    (tmp_path / name).write_bytes(data)
    return read_photo(tmp_path / name)


def exif_bytes(tags: dict[int, object] | None = None, **top: object) -> bytes:
    """EXIF with `tags` in its Exif directory and named tags on top."""
    exif = Image.Exif()
    for name, value in top.items():
        exif[Base[name]] = value
    if tags:
        exif[IFD.Exif] = dict(tags)
    return exif.tobytes()


def icc_profile(tags: dict[bytes, bytes], *, kind: bytes = b"RGB ", pcs: bytes = b"XYZ ") -> bytes:
    """A small ICC profile, ICC.1:2022 section 7."""
    head = struct.pack(">12I", 0, 0, 0x02400000, 0, 0, 0, 2020 << 16 | 1, 1 << 16, 0, 0, 0, 0)
    head = bytearray(head + bytes(80))
    head[12:16], head[16:20], head[20:24], head[36:40] = b"scnr", kind, pcs, b"acsp"
    head[68:80] = struct.pack(">3i", 63190, 65536, 54061)  # D50
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, tag in tags.items():
        table += name + struct.pack(">II", start + len(body), len(tag))
        body += tag + bytes(-len(tag) % 4)
    head[:4] = struct.pack(">I", start + len(body))
    return bytes(head) + table + body


def xyz_tag(*xyz: float) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in xyz))


def gamma_tag(gamma: float) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def formula_tag(form: int, *values: float) -> bytes:
    packed = struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))
    return b"para\0\0\0\0" + struct.pack(">HH", form, 0) + packed


SRGB_FORMULA = formula_tag(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
# Red, green and blue columns as the makers' own profiles state them (relative to D50), and the
# matrix to linear sRGB: CSS Color 4 section 10.4 (P3), Adobe RGB (1998) 4.3 with IEC 61966-2-1,
# and for ROMM RGB the product of ISO 22028-2's matrix with Bradford and IEC 61966-2-1.
P3 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
ADOBE = ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))
ROMM = ((0.79767, 0.28804, 0.0), (0.13519, 0.71188, 0.0), (0.03134, 0.00009, 0.82491))
P3_TO_SRGB = [[1.22494, -0.22494, 0], [-0.04206, 1.04206, 0], [-0.01964, -0.07864, 1.09827]]
ADOBE_TO_SRGB = [[1.39836, -0.39836, 0], [0, 1, 0], [0, -0.04293, 1.04293]]
ROMM_TO_SRGB = [[2.0343, -0.7275, -0.3067], [-0.2288, 1.2317, -0.0029], [-0.0086, -0.1533, 1.1619]]


def matrix_profile(columns: tuple[tuple[float, ...], ...], curve: bytes) -> bytes:
    tags = {
        name: xyz_tag(*xyz) for name, xyz in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)
    }
    return icc_profile(tags | dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve))


def table_profile(kind: bytes, inks: int, lightness: dict[tuple[int, ...], int]) -> bytes:
    """A profile of 2^inks grid points (ICC.1:2022 lut8Type) that gives a neutral L* from 0 to 255.

    Corners of the grid that are not named are white.
    """
    ramp = bytes(range(256))
    grid = b"".join(
        bytes((lightness.get(corner, 255), 128, 128))
        for corner in itertools.product((0, 1), repeat=inks)
    )
    unit = struct.pack(">9i", *(65536 * v for v in (1, 0, 0, 0, 1, 0, 0, 0, 1)))
    tag = b"mft1\0\0\0\0" + bytes((inks, 3, 2, 0)) + unit + ramp * inks + grid + ramp * 3
    return icc_profile({b"A2B0": tag, b"wtpt": xyz_tag(0.9642, 1, 0.8249)}, kind=kind, pcs=b"Lab ")


# --- from code values to light ---------------------------------------------------------------


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
    ],
)
def test_every_kind_of_profile_curve(curve, value, light) -> None:
    """Light worked out by hand from ICC.1:2022 sections 10.6 and 10.18; s15Fixed16 keeps 8e-6."""
    space = read_profile(matrix_profile(P3, curve))
    assert space is not None
    np.testing.assert_allclose(space.curves[0](np.array([value])), light, atol=2e-5)


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


# --- kinds of files --------------------------------------------------------------------------

ORIENTATIONS = {  # Exif (CIPA DC-008) tag 274: where the stored row 0 and column 0 are to be seen
    1: ("top", "left"), 2: ("top", "right"), 3: ("bottom", "right"), 4: ("bottom", "left"),
    5: ("left", "top"), 6: ("right", "top"), 7: ("right", "bottom"), 8: ("left", "bottom"),
}  # fmt: skip


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


def png(
    codes: np.ndarray,
    *,
    size: tuple[int, int] | None = None,
    chunks: tuple[tuple[bytes, bytes], ...] = (),
) -> bytes:
    """A PNG of 8 or 16 bit by the PNG specification, with a declared size of its own choice."""
    rows, cols = codes.shape[:2]
    channels = 1 if codes.ndim == 2 else codes.shape[2]
    rows_of_bytes = codes.astype(f">u{codes.itemsize}").reshape(rows, -1)
    raw = b"".join(b"\0" + row.tobytes() for row in rows_of_bytes)
    width, height = size or (cols, rows)
    colour_type = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    header = struct.pack(">IIBBBBB", width, height, 8 * codes.itemsize, colour_type, 0, 0, 0)
    every = [(b"IHDR", header), *chunks, (b"IDAT", zlib.compress(raw)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in every
    )


def tiff(codes: np.ndarray, **options: object) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, codes, **({"photometric": "rgb"} | options))
    return buffer.getvalue()


def zipped_tiff(codes: np.ndarray) -> bytes:
    return tiff(codes, compression="zlib", predictor=True)


def big_endian_tiff(codes: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer, byteorder=">") as writer:
        writer.write(codes, photometric="rgb")
    return buffer.getvalue()


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


def cmyk_picture() -> Image.Image:
    inks = np.zeros((ROWS, COLS, 4), np.uint8)
    inks[:48] = (0, 204, 102, 51)  # a red: 0, 80 %, 40 % and 20 % black
    return Image.fromarray(inks, "CMYK")


def without_adobe_segment(jpeg: bytes) -> bytes:
    at = jpeg.index(b"\xff\xee")
    return jpeg[:at] + jpeg[at + 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big") :]


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


def dng(codes: np.ndarray) -> bytes:
    """A minimal colour-filter DNG 1.4 whose camera colours are linear sRGB at D65."""
    xyz_to_srgb = (3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570)
    matrix = [part for value in xyz_to_srgb for part in (round(value * 10000), 10000)]
    tags = [
        (50706, 1, 4, (1, 4, 0, 0), True),  # DNGVersion
        (50708, 2, 0, "Heron", True),  # UniqueCameraModel
        (33421, 3, 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, 1, 4, (0, 1, 1, 2), True),  # CFAPattern: red green, green blue
        (50714, 3, 1, 0, True),  # BlackLevel
        (50717, 3, 1, 4000, True),  # WhiteLevel
        (50721, 10, 9, tuple(matrix), True),  # ColorMatrix1
        (50728, 5, 3, (1, 1, 1, 1, 1, 1), True),  # AsShotNeutral
        (50778, 3, 1, 21, True),  # CalibrationIlluminant1: D65
        (33434, 5, 1, (1, 8), True),  # ExposureTime
    ]
    return tiff(codes, photometric=32803, extratags=tags, metadata=None)


def test_camera_raw_is_linear(tmp_path) -> None:
    """A grey of 1000 among 0 to 4000 is a quarter of white, at any exposure of the rest."""
    pytest.importorskip("rawpy")
    codes = np.full((ROWS, COLS), 1000, np.uint16)
    codes[:, 96:] = 4000
    photo = read(tmp_path, dng(codes), "photo.dng")
    frame = linear_light(photo)
    np.testing.assert_allclose(frame.light[20:-20, 20:70], 0.25, rtol=0.01)
    assert frame.clipped[20:-20, 104:-8].all()
    assert not frame.clipped[:, :80].any()
    # No white set from the photo's own maximum: half as bright reads half as bright.
    dim = read(tmp_path, dng(codes // 2), "dim.dng")
    np.testing.assert_allclose(linear_light(dim).light[20:-20, 20:70], 0.125, rtol=0.01)


def test_camera_raw_without_rawpy_says_what_to_install(tmp_path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(PhotoError, match=r'photo\.NEF.*pip install "leakcheck\[raw\]"'):
        read(tmp_path, b"II*\0" + bytes(100), "photo.NEF")


def test_file_is_not_changed(tmp_path) -> None:
    """SHA-256 by hashlib's own words: content_hash names the very bytes of the file."""
    data = file_of(noise(), "jpeg", exif=exif_bytes(Orientation=6))
    photo = read(tmp_path, data, "Fähre é.jpg")
    assert photo.path.read_bytes() == data
    assert photo.name == "Fähre é.jpg"
    assert read(tmp_path, data + b"\0", "other.jpg").content_hash != photo.content_hash
    assert len(photo.content_hash) == 64


# --- frames ----------------------------------------------------------------------------------


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


@pytest.mark.parametrize("scale", [0, 97, 510])
def test_scale_that_does_not_fit(scale) -> None:
    with pytest.raises(UsageError, match="scale"):
        linear_light(photo_from_array(noise()), scale=scale)


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


# --- pictures for people ---------------------------------------------------------------------


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


# --- exposure --------------------------------------------------------------------------------


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


# --- files that cannot be read ---------------------------------------------------------------


def jpeg_declared(width: int, height: int) -> bytes:
    data = file_of(noise(), "jpeg")
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", height, width) + data[at + 4 :]


def tiff_declared(width: int, height: int) -> bytes:
    data = file_of(noise(), "tiff")
    for tag, was, now in ((256, COLS, width), (257, ROWS, height)):
        entry = next(
            struct.pack("<HHI", tag, kind, 1) + struct.pack(form, was)
            for kind, form in ((3, "<H"), (4, "<I"))
            if struct.pack("<HHI", tag, kind, 1) + struct.pack(form, was) in data
        )
        form = "<H" if entry[2] == 3 else "<I"
        data = data.replace(entry, entry[:8] + struct.pack(form, now))
    return data


def cut(data: bytes, share: float = 0.5) -> bytes:
    return data[: int(len(data) * share)]


def lzw_tiff(codes: np.ndarray) -> bytes:
    """A TIFF whose directory comes first, so that cutting loses only picture data."""
    return bytes(cv2.imencode(".tif", codes, [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1])


DAMAGED = "damaged or cut-off"
WIDE = noise(dtype=np.uint16)
BAD_FILES = {
    "empty": (b"", "empty"),
    "text": (b"Shopping list: black paint, foil tape\n", "not a photo"),
    "pdf": (b"%PDF-1.7\n" + bytes(100), "not a photo"),
    "half JPEG": (cut(file_of(noise(), "jpeg")), DAMAGED),
    "JPEG without its last byte": (file_of(noise(), "jpeg")[:-1], DAMAGED),
    "progressive JPEG cut": (cut(file_of(noise(), "jpeg", progressive=True), 0.8), DAMAGED),
    "JPEG filled up with zeros": (cut(file_of(noise(), "jpeg")) + bytes(9000), DAMAGED),
    "JPEG cut in its header": (file_of(noise(), "jpeg")[:100], DAMAGED),
    "JPEG with only a whole thumbnail": (
        cut(file_of(noise(), "jpeg", exif=b"Exif\0\0" + file_of(noise(64, 64), "jpeg"))), DAMAGED,
    ),
    "CMYK JPEG cut": (cut(file_of(cmyk_picture(), "jpeg"), 0.7), DAMAGED),
    "half PNG": (cut(file_of(noise(), "png")), DAMAGED),
    "half 16-bit PNG": (cut(png(WIDE)), DAMAGED),
    "16-bit PNG with a flipped bit": (png(WIDE)[:500] + b"\x55" + png(WIDE)[501:], DAMAGED),
    "half TIFF": (cut(file_of(noise(), "tiff")), DAMAGED),
    "half 16-bit TIFF": (cut(tiff(WIDE)), DAMAGED),
    "16-bit TIFF with flipped bits": (
        zipped_tiff(WIDE)[:-9000] + b"\x55" * 4000 + zipped_tiff(WIDE)[-5000:], DAMAGED,
    ),
    "half LZW TIFF": (cut(lzw_tiff(noise())), DAMAGED),
    "TIFF of floats": (tiff(noise().astype(np.float32)), "photo.jpg"),
    "TIFF of 32 bit": (tiff(noise()[..., 0].astype(np.uint32), photometric="minisblack"), "32-bit"),
    "TIFF of planes": (
        tiff(WIDE.transpose(2, 0, 1), planarconfig="separate"), "one after the other",
    ),
    "half WebP": (cut(file_of(noise(), "webp")), DAMAGED),
    "half HEIC": (cut(file_of(noise(), "heif")), DAMAGED),
    "HEIC without its last bytes": (file_of(noise(), "heif")[:-20], DAMAGED),
    "1x1": (file_of(noise(1, 1), "png"), "1 x 1 pixels, too small"),
    "no width": (png(noise(), size=(0, 96)), "photo.jpg"),
    "narrow": (file_of(noise(500, 63), "jpeg"), "63 x 500 pixels, too small"),
    "PNG bomb": (png(noise(), size=(40_000, 40_000)), "40000 x 40000 pixels, too large"),
    "16-bit PNG bomb": (png(WIDE, size=(40_000, 40_000)), "40000 x 40000 pixels, too large"),
    "JPEG bomb": (jpeg_declared(40_000, 40_000), "40000 x 40000 pixels, too large"),
    "TIFF bomb": (tiff_declared(40_000, 40_000), "40000 x 40000 pixels, too large"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_FILES)
@pytest.mark.filterwarnings("error")
def test_bad_file_is_one_sentence_that_names_it(tmp_path, capfd, case) -> None:
    data, said = BAD_FILES[case]
    with pytest.raises(PhotoError) as caught:
        read(tmp_path, data, "photo.jpg")
    message = str(caught.value)
    assert said in message
    assert "photo.jpg" in message
    assert "\n" not in message
    assert message.endswith(".")
    assert caught.value.exit_code == 2
    assert capfd.readouterr() == ("", "")


def test_text_named_as_raw(tmp_path) -> None:
    pytest.importorskip("rawpy")
    with pytest.raises(PhotoError, match=r"photo\.dng is a damaged"):
        read(tmp_path, b"not raw at all", "photo.dng")


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


@pytest.mark.parametrize("kind", ["jpeg", "png"])
def test_pillows_own_limit_does_not_count(tmp_path, monkeypatch, kind) -> None:
    """Pillow's opener refuses from 179 megapixels on, but phones save JPEGs of 200."""
    data = file_of(noise(), kind)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", ROWS * COLS // 3)
    assert read(tmp_path, data).encoded.shape == (ROWS, COLS, 3)


def test_pillows_own_limit_inside_a_decoder(tmp_path, monkeypatch) -> None:
    """Some of Pillow's versions check inside WebP and TIFF as well: a sentence all the same."""

    def refuse(*_: object) -> None:
        raise Image.DecompressionBombError

    monkeypatch.setattr(decode, "WebPImageFile", refuse)
    with pytest.raises(PhotoError, match=r"photo\.bin is too large"):
        read(tmp_path, file_of(noise(), "webp"))
