"""A photo file becomes linear light: decoded, upright, its clipped pixels known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Image: TypeAlias = NDArray[np.float32]
Mask: TypeAlias = NDArray[np.bool_]


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

    light: Image  # (rows, cols, 3), linear sRGB primaries; 1.0 is the photo's white
    clipped: Mask  # (rows, cols, 3), True where any photo pixel inside is at the end of the scale
    scale: int  # photo pixels per frame pixel, along each side


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
