"""A photo file becomes linear light: decoded, upright, its clipped pixels known."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL.ExifTags import Base

from leakcheck.colourspace import SRGB, linear_to_srgb
from leakcheck.decode import Decoded, decode, decode_unheard, in_silence
from leakcheck.errors import PhotoError, UsageError
from leakcheck.file_names import shown
from leakcheck.threads import both

Image: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]

# From here to the end of the scale a code value is no measurement: JPEG rings by a step or two.
CLIPPED_FROM = 253 / 255
# A frame for measuring: detail enough for a pinhole, and every step stays fast.
FRAME_PIXELS = 4_200_000
_MAX_BYTES = 2**31  # above any photo of 250 megapixels
_MOST_APEX = 30  # 2^-30 to 2^30: beyond, it is no camera's time, f-number or sensitivity
_STRIP_PIXELS = 1 << 17  # photo pixels worked on at once: 1.5 MB of float32, stays in the cache
_MAX_SCALE = 509  # largest block: of 255 in one pixel, a mean over 509 still rounds to 1, not 0


@dataclass(frozen=True)
class Exposure:
    """What the file says about how it was taken; each is None where the file does not say."""

    time_s: float | None
    iso: float | None
    fnumber: float | None
    taken: datetime | None
    camera: str | None


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photo, still as the file codes it: linear light is made by `linear_light`."""

    name: str  # the file's name, for messages
    path: Path | None  # None for a photo made in memory
    encoded: NDArray[np.uint8] | NDArray[np.uint16]  # (rows, cols, 3), RGB, upright
    decode: Image  # (3, 256 or 65536): code value -> linear light 0 to 1 in the file's primaries
    to_srgb: Image  # (3, 3): linear light in the file's primaries -> linear sRGB
    exposure: Exposure
    content_hash: str  # SHA-256 of the file's bytes, hexadecimal


@dataclass(frozen=True, eq=False)
class Frame:
    """A photo's light at the resolution it is measured at."""

    # (rows, cols, 3), linear sRGB primaries; 1.0 is the photo's white; a colour that sRGB cannot
    # hold has a channel below 0
    light: Image
    clipped: Mask  # (rows, cols, 3), True where any photo pixel inside is at the end of the scale
    scale: int  # photo pixels per frame pixel, along each side


def read_photo(path: str | Path) -> Photo:
    """Read a photo from JPEG, PNG, TIFF, WebP, HEIC or camera raw; the file is not changed.

    Code values stay as deep as the file holds them, 8 or 16 bit. Where a profile has tables
    instead of curves and a matrix (CMYK prints), they are converted to 8-bit sRGB.
    Raises: PhotoError if it is missing, no photo, damaged, cut off, too large or too small.
    """
    return _read(path, decode)


def read_pair(off: str | Path, on: str | Path) -> tuple[Photo, Photo]:
    """``read_photo(off), read_photo(on)``, both at once where that goes well.

    Raises: PhotoError as `read_photo`, of the first where neither can be read.
    """
    with suppress(PhotoError):
        with in_silence() as said:
            pair = both(lambda: _read(off, decode_unheard), lambda: _read(on, decode_unheard))
        if not said:
            return pair
    return read_photo(off), read_photo(on)  # one after the other it is known which is meant


def _read(path: str | Path, decoder: Callable[..., Decoded]) -> Photo:
    path = Path(path)
    data = _file_bytes(path)
    decoded = decoder(data, name=str(path), suffix=path.suffix.lower())
    return Photo(
        name=shown(path.name),
        path=path,
        encoded=decoded.encoded,
        decode=decoded.colour.decode_table(_codes(decoded.encoded)),
        to_srgb=decoded.colour.to_srgb,
        exposure=_exposure(decoded.tags),
        content_hash=hashlib.sha256(data).hexdigest(),
    )


def photo_from_array(
    encoded: NDArray[Any], *, name: str = "array", exposure: Exposure | None = None
) -> Photo:
    """A photo from sRGB code values in memory.

    Args:
        encoded: (rows, cols, 3), RGB, uint8 or uint16, upright. Not copied where contiguous.
    Raises: UsageError if it has another shape or type.
    """
    if encoded.ndim != 3 or encoded.shape[2] != 3 or encoded.dtype not in (np.uint8, np.uint16):
        raise UsageError(
            f"{name} must be an array of (rows, cols, 3) in uint8 or uint16, got "
            f"{encoded.shape} in {encoded.dtype}."
        )
    encoded = np.ascontiguousarray(encoded)
    return Photo(
        name=name,
        path=None,
        encoded=encoded,
        decode=SRGB.decode_table(_codes(encoded)),
        to_srgb=SRGB.to_srgb,
        exposure=exposure or Exposure(None, None, None, None, None),
        content_hash=hashlib.sha256(encoded.data).hexdigest(),
    )


def _codes(encoded: NDArray[Any]) -> int:
    """How many code values there are: 256 or 65536."""
    return int(np.iinfo(encoded.dtype).max) + 1


def _file_bytes(path: Path) -> bytes:
    """The whole file, or one sentence on why not."""
    try:
        if path.is_dir():
            raise PhotoError(f"{path} is a folder. Give the name of a photo in it.")
        if not path.exists():
            raise PhotoError(f"{path} does not exist. Check the name and the folder.")
        if not path.is_file():
            raise PhotoError(f"{path} is not an ordinary file. Give the name of a photo.")
        if path.stat().st_size > _MAX_BYTES:
            raise PhotoError(f"{path} is too large for a photo. Save it smaller.")
        data = path.read_bytes()
    except PermissionError as error:
        raise PhotoError(f"{path} may not be read. Change its permissions, or copy it.") from error
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        reason = getattr(error, "strerror", None) or error
        raise PhotoError(f"{path} cannot be read ({reason}). Copy it to this computer.") from error
    if not data:
        raise PhotoError(f"{path} is empty. Copy it from the camera again.")
    return data


def _exposure(tags: dict[int, Any]) -> Exposure:
    """Exposure from EXIF tags; what is absent or broken is None.

    Source: Exif 2.32 (CIPA DC-008), with the APEX shutter and aperture values as a fallback.
    """
    shutter, aperture = (
        _number(tags.get(tag), apex=True) for tag in (Base.ShutterSpeedValue, Base.ApertureValue)
    )
    return Exposure(
        time_s=_number(tags.get(Base.ExposureTime)) or _power_of_two(shutter, -1.0),
        iso=_iso(tags),
        fnumber=_number(tags.get(Base.FNumber)) or _power_of_two(aperture, 0.5),
        taken=_taken(tags),
        camera=_camera(tags),
    )


def _number(value: Any, *, apex: bool = False) -> float | None:
    """A tag's value, the first one where it holds several; None if it is no camera's number.

    Logarithms (APEX) may be zero or negative; all else is positive and within 2^-30 to 2^30.
    """
    try:
        number = float(value[0] if isinstance(value, tuple) else value)
    except (TypeError, ValueError, IndexError, ZeroDivisionError, OverflowError):
        return None
    magnitude = number if apex else math.log2(number) if number > 0 else math.inf
    return number if abs(magnitude) <= _MOST_APEX else None


def _power_of_two(apex: float | None, share: float) -> float | None:
    """APEX: time is 2^-Tv, the f-number 2^(Av / 2)."""
    return None if apex is None else float(2.0 ** (share * apex))


def _iso(tags: dict[int, Any]) -> float | None:
    """PhotographicSensitivity; it is 16 bit, and 65535 sends one to the tags with room for more."""
    iso = _number(tags.get(Base.ISOSpeedRatings))
    if iso != 65535:
        return iso
    wide = (Base.ISOSpeed, Base.RecommendedExposureIndex, Base.StandardOutputSensitivity)
    return next((value for tag in wide if (value := _number(tags.get(tag)))), None)


def _taken(tags: dict[int, Any]) -> datetime | None:
    """DateTimeOriginal with its fraction and, where the file states it, its offset from UTC."""
    text, fraction, offset = (
        str(tags.get(tag, "")).strip("\0 ")
        for tag in (Base.DateTimeOriginal, Base.SubsecTimeOriginal, Base.OffsetTimeOriginal)
    )
    try:
        taken = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if fraction.isascii() and fraction.isdigit():
        taken = taken.replace(microsecond=int(fraction[:6].ljust(6, "0")))
    try:
        zone = datetime.strptime(offset, "%z").tzinfo
    except ValueError:
        zone = None
    return taken.replace(tzinfo=zone)


def _camera(tags: dict[int, Any]) -> str | None:
    """Maker and model, the maker once."""
    maker, model = (str(tags.get(tag) or "").strip("\0 ") for tag in (Base.Make, Base.Model))
    named = model.lower().startswith(maker.lower())
    return (model if named else f"{maker} {model}").strip() or None


def relative_exposure(exposure: Exposure) -> float | None:
    """Light that reached the sensor, up to a constant: t * ISO / N^2; None if one is unknown.

    Source: APEX in Exif (CIPA DC-008) annex C; the ratio of two photos is what counts.
    """
    if exposure.time_s is None or exposure.iso is None or exposure.fnumber is None:
        return None
    return exposure.time_s * exposure.iso / exposure.fnumber**2


def frame_scale(rows: int, cols: int, *, max_pixels: int = FRAME_PIXELS) -> int:
    """The smallest whole factor that bins a photo of rows x cols to at most `max_pixels`."""
    scale = max(1, math.isqrt(rows * cols // max_pixels))
    while rows * cols > max_pixels * scale**2:
        scale += 1
    return scale


def linear_light(photo: Photo, *, scale: int = 1) -> Frame:
    """The photo's light, averaged over blocks of scale x scale photo pixels.

    Averaged after decoding, as light adds up; in strips of rows, so that the photo is never
    held as float32 at full size when scale > 1.

    Args:
        scale: photo pixels per frame pixel; rows and columns that fill no block are cut off.
    Returns: (rows // scale, cols // scale) of light, and where any photo pixel of a block is
        clipped: that channel, or all three where the file's primaries are not sRGB's.
    Raises: UsageError if a block is larger than the photo.
    """
    if not 1 <= scale <= min(_MAX_SCALE, *photo.encoded.shape[:2]):
        raise UsageError(f"scale must be 1 to {_MAX_SCALE} and fit into {photo.name}, got {scale}")
    rows, cols = (side // scale for side in photo.encoded.shape[:2])
    light = np.empty((rows, cols, 3), np.float32)
    clipped = np.empty((rows, cols, 3), np.bool_)
    step = max(1, _STRIP_PIXELS // (cols * scale * scale))
    for top in range(0, rows, step):
        here = slice(top, min(top + step, rows))
        codes = photo.encoded[here.start * scale : here.stop * scale, : cols * scale]
        light[here] = _mean_light(photo, codes, scale)
        clipped[here] = _any_clipped(codes, scale)
    if not np.array_equal(photo.to_srgb, np.eye(3)):
        red, green, blue = (clipped[..., i] for i in range(3))  # faster than any() over 3 values
        clipped[:] = (red | green | blue)[..., None]
    return Frame(light=light, clipped=clipped, scale=scale)


def _mean_light(photo: Photo, codes: NDArray[Any], scale: int) -> Image:
    """Linear sRGB light of a strip, averaged over blocks."""
    if codes.dtype == np.uint8:
        table = photo.decode
        alike = bool((table == table[0]).all())  # one table for all channels is twice as fast
        light = (
            cv2.LUT(codes.reshape(len(codes), -1), table[:1]).reshape(codes.shape)
            if alike
            else cv2.LUT(codes, np.ascontiguousarray(table.T)[None])
        )
    else:
        light = np.stack([photo.decode[i][codes[..., i]] for i in range(3)], axis=2)
    if scale > 1:
        size = (codes.shape[1] // scale, codes.shape[0] // scale)
        light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    if not np.array_equal(photo.to_srgb, np.eye(3)):
        light = cv2.transform(light, photo.to_srgb)
    return np.asarray(light, np.float32)


def _any_clipped(codes: NDArray[Any], scale: int) -> Mask:
    """True where any pixel of a block is at the end of the scale, channel by channel."""
    limit = CLIPPED_FROM * np.iinfo(codes.dtype).max
    rows, cols = (side // scale for side in codes.shape[:2])
    if codes.max() < limit:
        return np.zeros((rows, cols, 3), np.bool_)
    highest = codes if scale == 1 else codes.reshape(rows, scale, cols * scale, 3).max(axis=1)
    clipped: Mask = highest >= math.ceil(limit)
    if scale == 1 or not clipped.any():
        return clipped[:, ::scale]
    share = cv2.resize(clipped * np.uint8(255), (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(share > 0)


def display_image(photo: Photo, *, max_side: int | None = None) -> NDArray[np.uint8]:
    """The photo as 8-bit sRGB for people to see, its longer side at most `max_side` pixels.

    Returns: (rows, cols, 3), RGB, uint8, a copy; colours outside sRGB are cut off.
    """
    picture = _srgb_codes(photo)
    rows, cols = picture.shape[:2]
    if max_side is None or max(rows, cols) <= max_side:
        return picture
    shrink = max_side / max(rows, cols)
    size = (max(1, round(cols * shrink)), max(1, round(rows * shrink)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def crop_srgb(photo: Photo, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.uint8]:
    """A part of the photo as 8-bit sRGB: columns x0 to x1, rows y0 to y1, the ends not included.

    What lies outside the photo is left away.
    Raises: UsageError if nothing is left.
    """
    rows, cols = photo.encoded.shape[:2]
    part = photo.encoded[max(y0, 0) : max(min(y1, rows), 0), max(x0, 0) : max(min(x1, cols), 0)]
    if not part.size:
        raise UsageError(f"{photo.name} has no pixels in x {x0} to {x1}, y {y0} to {y1}.")
    return _srgb_codes(replace(photo, encoded=part))


def _srgb_codes(photo: Photo) -> NDArray[np.uint8]:
    """A copy of the photo as 8-bit sRGB code values, (rows, cols, 3)."""
    encoded = photo.encoded
    is_srgb = np.array_equal(photo.to_srgb, np.eye(3)) and np.array_equal(
        photo.decode, SRGB.decode_table(_codes(encoded))
    )
    if is_srgb and encoded.dtype == np.uint8:
        return np.array(encoded, np.uint8)
    # Linear light in 65536 steps is finer than any 8-bit sRGB code: 1 / (255 * 12.92) at black.
    table = np.rint(255 * linear_to_srgb(np.linspace(0, 1, 65536))).astype(np.uint8)
    picture = np.empty(encoded.shape, np.uint8)
    step = max(1, _STRIP_PIXELS // encoded.shape[1])
    for top in range(0, encoded.shape[0], step):
        light = _mean_light(photo, encoded[top : top + step], 1)
        steps = np.clip(light * 65535 + 0.5, 0, 65535).astype(np.uint16)
        picture[top : top + step] = table[steps]
    return picture


def frame_to_photo_px(xy: NDArray[np.float64], scale: int) -> NDArray[np.float64]:
    """Positions in a frame as positions in its photo; both count from a pixel's centre.

    Args:
        xy: (n, 2), x and y in frame pixels.
        scale: photo pixels per frame pixel.
    Returns: (n, 2), x and y in photo pixels.
    """
    return (np.asarray(xy, float) + 0.5) * scale - 0.5


def photo_to_frame_px(xy: NDArray[np.float64], scale: int) -> NDArray[np.float64]:
    """The inverse of `frame_to_photo_px`."""
    return (np.asarray(xy, float) + 0.5) / scale - 0.5
