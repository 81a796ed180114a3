"""Writers of small photo files and colour profiles for the tests, byte by byte where need be."""

from __future__ import annotations

import io
import itertools
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import tifffile
from PIL import Image
from PIL.ExifTags import IFD, Base

from leakcheck.photo import Photo, read_photo

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


def lzw_tiff(codes: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".tif", codes, [cv2.IMWRITE_TIFF_COMPRESSION, 5])[1])


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
        (50728, 5, 3, (1, 2, 1, 1, 1, 1), True),  # AsShotNeutral: white has half the red
        (50778, 3, 1, 21, True),  # CalibrationIlluminant1: D65
        (33434, 5, 1, (1, 8), True),  # ExposureTime
    ]
    return tiff(codes, photometric=32803, extratags=tags, metadata=None)


def grey_dng(codes: np.ndarray) -> bytes:
    """A minimal DNG 1.4 of a sensor without colours: LinearRaw with one sample."""
    tags = [
        (50706, 1, 4, (1, 4, 0, 0), True),  # DNGVersion
        (50708, 2, 0, "Heron", True),  # UniqueCameraModel
        (50714, 3, 1, 0, True),  # BlackLevel
        (50717, 3, 1, 4000, True),  # WhiteLevel
    ]
    data = tiff(codes, photometric="minisblack", extratags=tags, metadata=None)
    as_grey, as_raw = (struct.pack("<HHIHH", 262, 3, 1, value, 0) for value in (1, 34892))
    return data.replace(as_grey, as_raw)


def cmyk_picture() -> Image.Image:
    inks = np.zeros((ROWS, COLS, 4), np.uint8)
    inks[:48] = (0, 204, 102, 51)  # a red: 0, 80 %, 40 % and 20 % black
    return Image.fromarray(inks, "CMYK")


def without_adobe_segment(jpeg: bytes) -> bytes:
    at = jpeg.index(b"\xff\xee")
    return jpeg[:at] + jpeg[at + 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big") :]


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


def read(tmp_path: Path, data: bytes, name: str = "photo.bin") -> Photo:
    (tmp_path / name).write_bytes(data)
    return read_photo(tmp_path / name)
