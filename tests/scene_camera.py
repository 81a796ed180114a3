"""The camera of a drawn scene: lens, sensor and file, each step in linear light until the last.

A drawn photo goes through the same stations as a real one, in the same order: the lens blurs and
scatters, photons and the amplifier add noise, the white balance scales, the phone bends the tone
curve and sharpens, JPEG codes. Every number that a test may hold against a measurement is a field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[Any]  # float32 throughout; the stubs of OpenCV do not know it

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1

# A lens scatters with a tail far wider than its blur. Gaussians of these widths (share of the
# photo's longer side) and weights fall about as 1 / r^2.5 from 10 px to the edge of the photo.
FLARE_WIDTHS = (0.008, 0.025, 0.08, 0.25)
FLARE_WEIGHTS = (0.35, 0.30, 0.20, 0.15)


@dataclass(frozen=True)
class Lens:
    """What the lens does to light before it reaches the sensor."""

    blur_px: float = 0.6  # standard deviation of the core of the point spread
    flare: float = 0.008  # share of all light that goes into the wide tail
    bloom: float = 0.0  # share that goes into a narrow halo
    bloom_px: float = 5.0  # standard deviation of that halo
    vignette: float = 0.12  # light lost in the corners


@dataclass(frozen=True)
class Sensor:
    """Noise and coding. Variance = slope x light + read^2 (EMVA 1288), before white balance."""

    slope: float = 4e-5  # 1 / electrons at the end of the scale
    read: float = 6e-4  # linear light of the photo
    grain_px: float = 0.0  # blur of the noise, as after denoising; its variance stays as stated
    tone: float = 0.0  # 0: sRGB as the standard has it; 1: a full S curve on top
    sharpen: float = 0.0  # unsharp mask on code values, radius SHARPEN_PX
    quality: int | None = 92  # JPEG; None keeps the 8-bit values


SHARPEN_PX = 1.2  # standard deviation of the unsharp mask


def encode_srgb(linear: Image) -> Image:
    """Linear light 0 to 1 to code values 0 to 1 (IEC 61966-2-1), any shape."""
    low = linear * 12.92
    high = 1.055 * np.power(np.maximum(linear, 0.0031308), 1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, low, high).astype(np.float32)


# 16 bits of linear light resolve 0.05 of an 8-bit code at the steepest place, and a table is
# five times as fast as the power.
_CODES = encode_srgb(np.linspace(0, 1, 65536, dtype=np.float32))


def decode_srgb(codes: NDArray[np.uint8]) -> Image:
    """8-bit sRGB code values to linear light 0 to 1 (IEC 61966-2-1), any shape."""
    v = np.arange(256) / 255
    table = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return table[codes]


def blurred(image: Image, sigma_px: float) -> Image:
    """Gaussian blur of any width, the wide ones at reduced size; the edge is continued."""
    if sigma_px <= 0:
        return image
    factor = 1
    while sigma_px / factor > 8:  # 8 px at the reduced size leave linear enlargement no steps
        factor *= 2
    if factor == 1:
        return cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE)
    rows, cols = image.shape[:2]
    small_size = (max(1, round(cols / factor)), max(1, round(rows / factor)))
    small = cv2.resize(image, small_size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / factor, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR)


def core_blur(light: Image, lens: Lens) -> Image:
    """Light blurred by the core of the point spread alone, without tail or vignette."""
    if lens.blur_px <= 0:
        return light
    return cv2.GaussianBlur(light, (0, 0), lens.blur_px, borderType=cv2.BORDER_REPLICATE)


def vignetting(shape: tuple[int, int], lens: Lens) -> Image:
    """Share of the light that arrives, (rows, cols, 1): 1 in the middle, cos^4-like outwards."""
    rows, cols = shape
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2)[:, None]
    x = (np.arange(cols, dtype=np.float32) - (cols - 1) / 2)[None, :]
    r2 = (x * x + y * y) / ((rows * rows + cols * cols) / 4)
    return np.asarray(1 - lens.vignette * r2, np.float32)[..., None]


def through_lens(light: Image, lens: Lens) -> Image:
    """Scene light, (rows, cols, 3), to light on the sensor. No light is made, only moved."""
    rows, cols = light.shape[:2]
    out = core_blur(light, lens) * np.float32(1 - lens.flare - lens.bloom)
    if lens.bloom:
        out += lens.bloom * blurred(light, lens.bloom_px)
    if lens.flare:
        for width, weight in zip(FLARE_WIDTHS, FLARE_WEIGHTS, strict=True):
            out += lens.flare * weight * blurred(light, width * max(rows, cols))
    if lens.vignette:
        out *= vignetting((rows, cols), lens)
    return out


def exposed(
    light: Image, sensor: Sensor, *, white_balance: Image, rng: np.random.Generator
) -> Image:
    """Light on the sensor to what the camera holds: noise added, balanced, cut at 0 and 1.

    Photon noise is drawn as normal: above 20 electrons nobody can tell it from Poisson's law.
    """
    noise: Image = rng.standard_normal(light.shape, dtype=np.float32)
    if sensor.grain_px > 0:
        noise = cv2.GaussianBlur(noise, (0, 0), sensor.grain_px)
        noise = noise / noise.std()
    noise *= np.sqrt(sensor.slope * np.maximum(light, 0) + np.float32(sensor.read**2))
    noise += light
    noise *= white_balance
    return np.clip(noise, 0, 1, out=noise)


def coded(linear: Image, sensor: Sensor) -> tuple[NDArray[np.uint8], bytes | None]:
    """Linear light 0 to 1 to the photo as a viewer decodes it, and to the JPEG it comes from.

    Returns: (rows, cols, 3) uint8 sRGB; the file's bytes, None where the sensor asks for none.
    """
    code = _CODES[(linear * 65535 + 0.5).astype(np.uint16)]
    if sensor.tone:
        code += sensor.tone * (code * code * (3 - 2 * code) - code)
    if sensor.sharpen:
        code += sensor.sharpen * (code - cv2.GaussianBlur(code, (0, 0), SHARPEN_PX))
    pixels = np.clip(code * 255 + 0.5, 0, 255).astype(np.uint8)
    if sensor.quality is None:
        return pixels, None
    options = [cv2.IMWRITE_JPEG_QUALITY, sensor.quality]
    done, data = cv2.imencode(".jpg", pixels[..., ::-1], options)
    if not done:
        raise RuntimeError("OpenCV could not code the drawn photo as JPEG")
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(decoded[..., ::-1]), data.tobytes()


def luminance_noise(light: Image, sensor: Sensor, white_balance: Image) -> Image:
    """Standard deviation of the luminance of one photo, (rows, cols), before tone and JPEG."""
    variance = (sensor.slope * np.maximum(light, 0) + sensor.read**2) * white_balance**2
    return np.asarray(np.sqrt(variance @ LUMINANCE**2), np.float32)
