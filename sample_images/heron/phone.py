"""A phone's camera: linear light on its lens to a photo file with exposure data."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime

import cv2
import numpy as np
import pillow_heif
from PIL import ExifTags
from PIL import Image as PilImage

Image = np.ndarray  # (rows, cols, 3) float32

# A lens scatters with a tail far wider than its blur: widths as a share of the longer side.
FLARE_WIDTHS = (0.008, 0.025, 0.08, 0.25)
FLARE_WEIGHTS = (0.35, 0.30, 0.20, 0.15)
FLARE, BLOOM, BLOOM_PX = 0.006, 0.012, 4.0
BLUR_PX, VIGNETTE = 0.55, 0.22
SLOPE, READ = 3.0e-5, 5.0e-4  # variance = SLOPE x light + READ^2 (EMVA 1288), linear light
SMOOTH_SHARE = 0.75  # of the noise reduction's picture in the result, as phones mix it
SHARPEN, SHARPEN_PX = 0.45, 1.1
TONE = 0.22  # share of an S curve on top of sRGB
QUALITY = 91


@dataclass(frozen=True)
class Shot:
    """What goes into a file besides the picture."""

    time_s: float
    iso: int
    taken: datetime
    orientation: int = 1
    suffix: str = "jpg"


def blurred(image: Image, sigma: float) -> Image:
    """Gaussian blur of any width; wide ones on a smaller copy."""
    factor = max(1, int(sigma / 6))
    rows, cols = image.shape[:2]
    if factor == 1:
        return cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    small = cv2.resize(image, (cols // factor, rows // factor), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR)


def through_lens(light: Image) -> Image:
    """Light on the sensor: blurred, with halo and flare, darker in the corners."""
    rows, cols = light.shape[:2]
    out = blurred(light, BLUR_PX) * (1 - FLARE - BLOOM) + BLOOM * blurred(light, BLOOM_PX)
    for width, weight in zip(FLARE_WIDTHS, FLARE_WEIGHTS, strict=True):
        out += FLARE * weight * blurred(light, width * max(rows, cols))
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    return np.asarray(out * (1 - VIGNETTE * (x * x + y * y) / 2)[..., None], np.float32)


def developed(light: Image, balance: tuple[float, float, float], seed: int) -> np.ndarray:
    """8-bit sRGB of light on the lens, white balance in gains of red, green, blue.

    Noise, balance, clipping, noise reduction, curve, sharpening: in a phone's order.
    """
    rng = np.random.default_rng(seed)
    light = through_lens(light)
    light += rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(SLOPE * light + READ**2)
    light = np.clip(light * np.array(balance, np.float32), 0, 1)
    code = np.where(
        light <= 0.0031308,
        12.92 * light,
        1.055 * np.power(np.maximum(light, 1e-6), 1 / 2.4) - 0.055,
    ).astype(np.float32)
    code = _smoothed(code)
    code += TONE * (code * code * (3 - 2 * code) - code)
    code += SHARPEN * (code - cv2.GaussianBlur(code, (0, 0), SHARPEN_PX))
    return np.clip(code * 255 + 0.5, 0, 255).astype(np.uint8)


def _smoothed(code: Image) -> Image:
    """Noise reduction: brightness by an edge-keeping filter, colour by a wider one."""
    ycc = cv2.cvtColor(code, cv2.COLOR_RGB2YCrCb)
    y = cv2.bilateralFilter(ycc[..., 0], 5, 0.045, 1.6)
    chroma = [cv2.bilateralFilter(ycc[..., k], 9, 0.06, 3.0) for k in (1, 2)]
    smooth = cv2.cvtColor(np.stack([y, *chroma], -1), cv2.COLOR_YCrCb2RGB)
    return np.asarray(code + SMOOTH_SHARE * (smooth - code), np.float32)


def file_of(pixels: np.ndarray, shot: Shot) -> bytes:
    """The photo as a JPEG or HEIC file; pixels as they should be seen."""
    exif = PilImage.Exif()
    exif[ExifTags.Base.Make] = "Rendered"
    exif[ExifTags.Base.Model] = "Phone model"
    exif[ExifTags.Base.Orientation] = shot.orientation
    details = exif.get_ifd(ExifTags.IFD.Exif)
    details[ExifTags.Base.ExposureTime] = shot.time_s
    details[ExifTags.Base.FNumber] = 1.8
    details[ExifTags.Base.ISOSpeedRatings] = shot.iso
    details[ExifTags.Base.DateTimeOriginal] = f"{shot.taken:%Y:%m:%d %H:%M:%S}"
    if shot.orientation == 6:  # stored lying, to be turned a quarter clockwise
        pixels = np.ascontiguousarray(np.rot90(pixels, 1))
    out = io.BytesIO()
    if shot.suffix == "heic":
        pillow_heif.from_pillow(PilImage.fromarray(pixels)).save(
            out, quality=82, exif=exif.tobytes()
        )
    else:
        PilImage.fromarray(pixels).save(out, "JPEG", quality=QUALITY, subsampling=2, exif=exif)
    return out.getvalue()
