"""The bytes of a photo file become upright RGB code values, one function for each kind of file.

Each decoder applies the file's orientation exactly once. Who does it differs: for JPEG, PNG and
WebP we do; Pillow and OpenCV turn TIFF themselves; libheif and LibRaw turn HEIC and raw, whose
EXIF tag only repeats what was done.
"""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from io import BytesIO
from typing import Any, TypeAlias

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageChops, ImageCms
from PIL.ExifTags import IFD, Base
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile
from PIL.WebPImagePlugin import WebPImageFile

from leakcheck.colourspace import (
    ADOBE_RGB,
    DISPLAY_P3,
    LINEAR_SRGB,
    REC_2020,
    SRGB,
    ColourSpace,
    profile_kind,
    read_profile,
)
from leakcheck.errors import PhotoError
from leakcheck.mutterings import caught_mutterings

Codes: TypeAlias = NDArray[np.uint8] | NDArray[np.uint16]

MIN_SIDE_PX = 64  # a smaller picture has no room for an opening and its surroundings
MAX_PIXELS = 250_000_000  # above the largest phone sensors (200 MP); 750 MB once decoded
_RAW_SUFFIX = re.compile(
    r"\.(3fr|arw|cr[23w]|dcr|dng|erf|fff|iiq|kdc|mef|mos|mrw|nef|nrw|orf|pef|raf|raw|rw[2l]"
    r"|sr[2fw]|x3f)"
)
_RAW_MAGIC = re.compile(rb"FUJIFILMCCD-RAW|IIR[OS]|MMOR|IIU\0|FOVb|....ftypcrx ", re.DOTALL)
_HEIF_BRANDS = re.compile(rb"....ftyp(hei[cxms]|hev[cxms]|mif1|msf1)", re.DOTALL)
# JPEG: FF and anything but a stuffed zero, a restart or another FF ends the coded picture data.
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
# What libjpeg says where picture data is lost; bytes too many between markers do no harm.
_SPOILT_JPEG = re.compile(r"(Corrupt JPEG data: (?!\d+ extraneous)|Premature end of JPEG)")
# TIFF 6.0 tags and values.
_BITS, _PHOTOMETRIC, _PLANES, _EXTRA = 258, 262, 284, 338
_WHITE_IS_ZERO, _PLANES_APART, _PREMULTIPLIED, _ALPHA = 0, 2, 1, 2
# HEIC transfer curves that are no photograph of relative light: ITU-T H.273 PQ and HLG.
_HDR_CURVES = (16, 18)
_HEIF_PRIMARIES = {9: REC_2020, 12: DISPLAY_P3}
_ROTATIONS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
_FLIPS = {2: 1, 4: 0, 7: -1}  # OpenCV: 1 left and right, 0 top and bottom, -1 both

# What is wrong with a file is ours to say, once.
logging.getLogger("PIL").addHandler(logging.NullHandler())
if hasattr(cv2.utils, "logging"):  # OpenCV 5
    _set_log_level: Any = cv2.utils.logging.setLogLevel
else:
    _set_log_level = cv2.setLogLevel  # type: ignore[attr-defined, unused-ignore]


@dataclass(frozen=True, eq=False)
class Decoded:
    """What a photo file holds."""

    encoded: Codes  # (rows, cols, 3), RGB, upright
    colour: ColourSpace
    tags: dict[int, Any]  # EXIF: maker, model and how it was taken, as the file states them


@contextmanager
def in_silence() -> Iterator[list[str]]:
    """Nothing that libraries say of a photo gets out; the lines they wrote are in the list.

    It holds for the whole process: one file at a time, or it is not known which is meant.
    """
    with caught_mutterings() as said, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of bad tags, which here are "not stated"
        yield said


def decode(data: bytes, *, name: str, suffix: str) -> Decoded:
    """Decode the bytes of one photo file. Transparent parts are laid over black: no light.

    Args:
        data: the whole file.
        name: how messages call it.
        suffix: the name's ending in small letters: camera raw often looks like a plain TIFF.
    Raises: PhotoError if the file is no photo, damaged, cut off, too large or too small.
    """
    with in_silence() as said:
        decoded = decode_unheard(data, name=name, suffix=suffix)
    if any(_SPOILT_JPEG.match(line) for line in said):  # all below is made up or shifted
        raise _damaged(name, "JPEG")
    return decoded


def decode_unheard(data: bytes, *, name: str, suffix: str) -> Decoded:
    """`decode` for what is `in_silence` already; what the decoders say is for the caller."""
    kind, decoder = _decoder(data, name, suffix)
    try:
        return decoder(data, name)
    except PhotoError:
        raise
    except Image.DecompressionBombError as error:  # Pillow has a limit of its own for some kinds
        raise PhotoError(f"{name} is too large to measure. Save it smaller.") from error
    except MemoryError as error:
        raise PhotoError(
            f"{name} does not fit into this computer's memory. Save it at half its size."
        ) from error
    except Exception as error:  # decoders raise whatever they like on damaged files
        raise _damaged(name, kind) from error


def _decoder(data: bytes, name: str, suffix: str) -> tuple[str, Callable[[bytes, str], Decoded]]:
    """The kind of file, told by its first bytes, and the function that decodes it."""
    if _RAW_SUFFIX.fullmatch(suffix) or _RAW_MAGIC.match(data):
        return "camera raw", _decode_raw
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG", _decode_jpeg
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG", _decode_png
    if data.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")):
        return "TIFF", _decode_tiff
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WebP", _decode_webp
    if _HEIF_BRANDS.match(data):
        return "HEIC", _decode_heif
    raise PhotoError(
        f"{name} is not a photo that leakcheck can read. Save it as JPEG, PNG, TIFF, WebP or HEIC, "
        "or give the camera's raw file."
    )


def _damaged(name: str, kind: str) -> PhotoError:
    return PhotoError(
        f"{name} is a damaged or cut-off {kind} file. Copy it from the camera again, or retake it."
    )


def _unsupported(name: str, what: str) -> PhotoError:
    return PhotoError(f"{name} holds {what}. Save it as 8-bit or 16-bit RGB, or as a JPEG.")


def _check_size(name: str, size: tuple[int, int]) -> None:
    """Refuse by the declared size, before anything is decoded."""
    width, height = size
    if width * height > MAX_PIXELS:
        raise PhotoError(
            f"{name} is {width} x {height} pixels, too large to measure (limit "
            f"{MAX_PIXELS // 1_000_000} megapixels). Save it smaller."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"{name} is {width} x {height} pixels, too small to measure. Give the photo as the "
            f"camera saved it, at least {MIN_SIDE_PX} pixels on each side."
        )


def _decode_jpeg(data: bytes, name: str) -> Decoded:
    """JPEG, also MPO and motion photos: the first picture; what follows it is not looked at."""
    header = JpegImageFile(BytesIO(data))
    _check_size(name, header.size)
    if not _jpeg_is_complete(data):
        raise _damaged(name, "JPEG")
    if header.mode == "CMYK":
        return _from_pillow(header, name)
    # OpenCV is the fastest decoder here; Pillow has only read the header.
    encoded = _opencv(data, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
    return _with_colour(encoded, header.info.get("icc_profile"), header.getexif())


def _jpeg_is_complete(data: bytes) -> bool:
    """True if the first picture's end marker is there; decoders fill what is missing with grey.

    Source: ITU-T T.81 annex B. Embedded thumbnails sit inside segments and are stepped over.
    """
    at = 2
    while (found := _MARKER.search(data, at)) is not None:
        at = found.end()
        marker = data[at - 1]
        if marker == 0xD9:  # end of image
            return True
        if marker not in (0x01, 0xD8):  # all others state their length
            at += int.from_bytes(data[at : at + 2], "big")
    return False


def _decode_png(data: bytes, name: str) -> Decoded:
    header = PngImageFile(BytesIO(data))
    _check_size(name, header.size)
    bit_depth = data[24]  # PNG specification: the header chunk comes first
    if bit_depth <= 8:
        return _from_pillow(header, name)
    PngImageFile(BytesIO(data)).verify()  # OpenCV would say on stderr what is wrong
    encoded = _over_black(_decode_16_bit(data), premultiplied=False)
    return _with_colour(encoded, header.info.get("icc_profile"), header.getexif())


def _decode_tiff(data: bytes, name: str) -> Decoded:
    """The first page of a TIFF."""
    header = TiffImageFile(BytesIO(data))
    _check_size(name, header.size)
    tags = header.tag_v2
    bits = tags.get(_BITS, (1,))
    if max(bits) <= 8 or header.mode == "CMYK":  # Pillow reads 16-bit CMYK as 8-bit
        return _from_pillow(header, name)
    if set(bits) != {16} or not header.mode.startswith(("I;16", "RGB")):
        raise _unsupported(name, f"{max(bits)}-bit values of a kind that leakcheck cannot measure")
    if tags.get(_PLANES) == _PLANES_APART and len(bits) > 1:
        raise _unsupported(name, "red, green and blue one after the other")
    exif, profile = header.getexif(), header.info.get("icc_profile")
    exif.get_ifd(IFD.Exif)
    exif[Base.Orientation] = 1  # OpenCV turns TIFF itself
    encoded: Any = _decode_16_bit(data)
    if tags.get(_PHOTOMETRIC) == _WHITE_IS_ZERO:
        encoded = ~encoded
    extra = (*tags.get(_EXTRA, ()), 0)[0]
    if extra not in (_PREMULTIPLIED, _ALPHA) and encoded.ndim == 3:
        encoded = encoded[..., :3]  # a fourth channel that is not transparency
    encoded = _over_black(encoded, premultiplied=extra == _PREMULTIPLIED)
    return _with_colour(encoded, profile, exif)


def _opencv(data: bytes, flags: int) -> Any:
    level = _set_log_level(0)  # silent
    try:
        encoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    finally:
        _set_log_level(level)
    if encoded is None:
        raise ValueError("OpenCV cannot decode it")
    return encoded


def _decode_16_bit(data: bytes) -> NDArray[np.uint16]:
    """16-bit PNG or TIFF as grey (rows, cols) or RGB(A) (rows, cols, 3 or 4)."""
    encoded = _opencv(data, cv2.IMREAD_UNCHANGED)
    if encoded.dtype != np.uint16:
        raise ValueError("not decoded as 16 bit")
    if encoded.ndim == 3:
        order = cv2.COLOR_BGRA2RGBA if encoded.shape[2] == 4 else cv2.COLOR_BGR2RGB
        encoded = cv2.cvtColor(encoded, order)
    return np.asarray(encoded, np.uint16)


def _decode_webp(data: bytes, name: str) -> Decoded:
    header = WebPImageFile(BytesIO(data))
    _check_size(name, header.size)
    return _from_pillow(header, name)


def _decode_heif(data: bytes, name: str) -> Decoded:
    """HEIC. libheif has turned it already; by ISO/IEC 23008-12 the EXIF tag does not count."""
    heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=False)
    _check_size(name, heif.size)
    nclx = heif.info.get("nclx_profile") or {}
    curve = nclx.get("transfer_characteristics")
    profile = heif.info.get("icc_profile")
    if curve in _HDR_CURVES and not profile:
        raise _unsupported(name, "an HDR picture")
    # A copy: some versions free the pixels with the object that decoded them.
    encoded: Any = np.array(heif)[:, : heif.size[0]]
    bits = heif.info.get("bit_depth", 8)
    if encoded.dtype == np.uint16 and bits < 16:  # left-aligned: repeat the top bits below
        encoded = encoded | (encoded >> bits)
    exif = Image.Exif()
    if heif.info.get("exif"):
        exif = _exif_or_empty(heif.info["exif"])
    exif[Base.Orientation] = 1
    colour = None if profile else _HEIF_PRIMARIES.get(nclx.get("color_primaries", 0), SRGB)
    encoded = _over_black(encoded, premultiplied="a" in heif.mode)
    return _with_colour(encoded, profile, exif, colour=colour)


def _decode_raw(data: bytes, name: str) -> Decoded:
    """Camera raw: linear, the camera's white balance, white where the sensor is full."""
    try:
        import rawpy
    except ImportError as error:
        raise PhotoError(
            f'{name} is a camera raw file. Run `pip install "leakcheck[raw]"` to read it, '
            "or save it as a 16-bit TIFF."
        ) from error
    with rawpy.imread(BytesIO(data)) as raw:
        _check_size(name, (raw.sizes.width, raw.sizes.height))
        encoded = raw.postprocess(
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,  # else LibRaw sets white by each photo's own maximum
            use_camera_wb=True,
            output_bps=16,
            output_color=rawpy.ColorSpace.sRGB,
        )
        said = _tags_by_libraw(getattr(raw, "other", None))
    exif = _exif_or_empty(data)  # most raw files are a TIFF inside
    exif[Base.Orientation] = 1
    encoded = _over_black(encoded, premultiplied=False)  # a sensor without colours has one channel
    decoded = _with_colour(encoded, None, exif, colour=LINEAR_SRGB)
    return replace(decoded, tags=said | decoded.tags)


def _tags_by_libraw(other: Any) -> dict[int, Any]:
    """What LibRaw found out (rawpy 0.27 and newer), for raw files whose EXIF we do not find."""
    fields = {
        Base.ExposureTime: "shutter_speed",
        Base.FNumber: "aperture",
        Base.ISOSpeedRatings: "iso_speed",
    }
    return {tag: getattr(other, field, None) for tag, field in fields.items()}


def _exif_or_empty(data: bytes) -> Image.Exif:
    exif = Image.Exif()
    try:
        exif.load(data)
        exif.get_ifd(IFD.Exif)
    except Exception:  # Pillow raises many kinds on bad tags; a photo can do without them
        return Image.Exif()
    return exif


def _tags(exif: Image.Exif) -> dict[int, Any]:
    """The tags of the Exif directory, and maker and model from the one above it."""
    try:
        return {tag: exif.get(tag) for tag in (Base.Make, Base.Model)} | exif.get_ifd(IFD.Exif)
    except Exception:  # Pillow raises many kinds on bad tags; a photo can do without them
        return {}


def _from_pillow(image: Image.Image, name: str) -> Decoded:
    """Let Pillow decode an 8-bit file that it has opened."""
    image.load()
    exif, profile = image.getexif(), image.info.get("icc_profile")  # now without TIFF's own turn
    rgb: Any
    if image.mode == "CMYK":
        rgb, profile = _cmyk_to_srgb(image, profile), None
    elif image.mode in ("La", "LA", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        if image.mode == "La":
            image = image.convert("LA")
        rgb = _over_black(np.asarray(image.convert("RGBA")), premultiplied=False)
    elif image.mode in ("1", "L", "P", "RGB", "RGBX", "YCbCr"):
        rgb = np.asarray(image.convert("RGB"))
    else:
        raise _unsupported(name, f"colours of a kind that leakcheck cannot measure ({image.mode})")
    return _with_colour(rgb, profile, exif)


def _cmyk_to_srgb(image: Image.Image, profile: bytes | None) -> NDArray[np.uint8]:
    """By the file's printing profile; without one as if the inks were ideal."""
    if image.format == "JPEG" and "adobe" not in image.info:
        image = ImageChops.invert(image)  # Pillow takes every CMYK JPEG for Adobe's, 255 - ink
    if profile and profile_kind(profile) == "CMYK":
        with suppress(ImageCms.PyCMSError):  # a broken profile is no reason to refuse the photo
            return _by_table(image, profile)
    return np.asarray(image.convert("RGB"))


def _by_table(image: Image.Image, profile: bytes) -> NDArray[np.uint8]:
    """8-bit sRGB by LittleCMS, for profiles that are no curves and matrix."""
    converted = ImageCms.profileToProfile(
        image,
        ImageCms.ImageCmsProfile(BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    return np.asarray(converted)


def _over_black(encoded: Any, *, premultiplied: bool) -> Any:
    """Grey or RGB with or without alpha -> RGB; alpha scales the codes, as picture editors do."""
    if encoded.ndim == 2 or encoded.shape[2] <= 2:
        grey = encoded.reshape(*encoded.shape[:2], -1)
        encoded = np.concatenate([grey[..., :1]] * 3 + [grey[..., 1:]], axis=2)
    if encoded.shape[2] == 3:
        return encoded
    alpha = encoded[..., 3:]
    full = np.iinfo(encoded.dtype).max
    if premultiplied or alpha.min() == full:
        return np.ascontiguousarray(encoded[..., :3])
    product = encoded[..., :3].astype(np.uint32) * alpha  # 65535 x 65535 just fits
    return np.rint(product / full).astype(encoded.dtype)


def _with_colour(
    encoded: Any, profile: bytes | None, exif: Image.Exif, *, colour: ColourSpace | None = None
) -> Decoded:
    """Turn upright and settle the colour space: profile, else EXIF, else sRGB."""
    if colour is None:
        colour = read_profile(profile) if profile else _colour_by_exif(exif)
    if colour is None and profile and profile_kind(profile) == "RGB" and encoded.dtype == np.uint8:
        with suppress(ImageCms.PyCMSError):  # a broken profile is no reason to refuse the photo
            encoded = _by_table(Image.fromarray(encoded), profile)
    upright = _upright(encoded, exif.get(Base.Orientation, 1))
    return Decoded(np.ascontiguousarray(upright), colour or SRGB, _tags(exif))


def _colour_by_exif(exif: Image.Exif) -> ColourSpace:
    """DCF 2.0: "uncalibrated" with interoperability "R03" is Adobe RGB; all else is sRGB."""
    try:
        uncalibrated = exif.get_ifd(IFD.Exif).get(Base.ColorSpace) == 0xFFFF
        adobe = str(exif.get_ifd(IFD.Interop).get(1, "")).startswith("R03")
    except Exception:  # Pillow raises many kinds on bad tags
        return SRGB
    return ADOBE_RGB if uncalibrated and adobe else SRGB


def _upright(encoded: Any, orientation: Any) -> Any:
    """Undo the camera's turn. Source: Exif (CIPA DC-008), tag 274; other values mean 1."""
    if orientation in _ROTATIONS:
        return cv2.rotate(encoded, _ROTATIONS[orientation])
    if orientation in (5, 7):
        encoded = cv2.transpose(encoded)
    return cv2.flip(encoded, _FLIPS[orientation]) if orientation in _FLIPS else encoded
