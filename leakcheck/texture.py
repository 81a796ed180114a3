"""What two photos of one thing have in common when its lamps come on: the texture of a frame.

Light from inside the model changes the picture that is to be matched. Texture is the square root
of luminance, less the local mean, over the local spread: exposure, white balance, smooth spill
and veiling flare leave it alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import cv2 as opencv
import numpy as np
from numpy.typing import NDArray

from leakcheck.light import median
from leakcheck.photo import Frame, Image, Mask
from leakcheck.threads import side_by_side

cv2: Any = opencv  # its type hints know no images of floats

Texture: TypeAlias = NDArray[np.uint8]  # (rows, cols): 128 is the local mean

LUMINANCE = np.array([[0.2126, 0.7152, 0.0722]], np.float32)  # IEC 61966-2-1, linear sRGB
COARSE_PX = 1024  # long side at which features are looked for: enough of them, in little time
WINDOW_PX = 21  # coarse px: wider than an edge's profile, narrower than a halo or spill
FINE_WINDOW_PX = 11  # coarse px: the least that holds an edge
TEXTURE_GAIN = 40.0  # code values per local spread: 3 spreads fit into 8 bits
SPREAD_FLOOR_SIGMA = 2.0  # plain surfaces must not be blown up into noise
DARK = 0.1  # square root of luminance: below a hundredth of white, noise rules
CELL_PX = 24  # coarse px: side of the cells in which textures are compared
CELL_SPREAD = 10.0  # texture codes: a cell with less has nothing to compare


@dataclass(frozen=True, eq=False)
class View:
    """What is matched of one frame."""

    light: Image  # (rows, cols): square root of luminance, lightly smoothed
    small: Image  # the same at coarse size
    usable: Mask  # at coarse size: neither clipped nor an opening
    step: int  # frame px per coarse px
    noise: float  # spread of `small` where nothing is to be seen
    texture: Texture  # (rows, cols)
    coarse: Texture  # at coarse size

    @property
    def dark(self) -> bool:
        """True where so little light is left that it is hardly a photo."""
        return float((self.small < DARK).mean()) > 0.9


def view_of(frame: Frame, ignore: Mask | None) -> View:
    """Prepare a frame for matching.

    Args:
        frame: linear light.
        ignore: (rows, cols), True where its look changes for other reasons; None: nowhere.
    """
    rows, cols = frame.light.shape[:2]
    step = max(1, -(-max(rows, cols) // COARSE_PX))
    size = (max(1, cols // step), max(1, rows // step))
    light = cv2.transform(frame.light, LUMINANCE)
    light = cv2.sqrt(cv2.max(light, 0.0, dst=light), dst=light)
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), 1.0), np.float32)
    blocked = any_channel(frame.clipped)
    if ignore is not None:
        blocked = blocked | ignore.astype(np.uint8)
    bins = (slice(0, size[1] * step), slice(0, size[0] * step))  # what whole bins cover
    small = np.asarray(cv2.resize(light[bins], size, interpolation=cv2.INTER_AREA), np.float32)
    share = cv2.resize(blocked[bins] * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    usable = cv2.dilate(share, np.ones((3, 3), np.uint8)) == 0
    rough = np.abs(small - cv2.GaussianBlur(small, (0, 0), 1.5))
    noise = 1.4826 * median(rough)
    texture, coarse = _textures(light, small, usable, noise, WINDOW_PX)
    return View(light, small, usable, step, noise, texture, coarse)


def fine_texture(view: View) -> Texture:
    """Texture of a frame that shows more of what is weak, and more of the noise with it."""
    return _textures(view.light, view.small, view.usable, view.noise, FINE_WINDOW_PX)[0]


def _textures(
    light: Image, small: Image, usable: Mask, noise: float, window: int
) -> tuple[Texture, Texture]:
    """Textures at full and at coarse size from the mean and spread in windows, coarse px."""
    mean, spread = _local(small, usable.astype(np.float32), window)
    gain = np.float32(TEXTURE_GAIN) / (spread + np.float32(SPREAD_FLOOR_SIGMA * noise + 1e-4))
    return _normalised(light, mean, gain), _normalised(small, mean, gain)


def _local(image: Image, weight: Image, window: int) -> tuple[Image, Image]:
    """Mean and spread in windows, (rows, cols) each, of the pixels that have weight.

    The spread is the square of the mean root deviation (as a deviation of a normal law): one
    bright edge in the window must not press the fine texture beside it flat.
    """
    size = (window, window)
    total = cv2.boxFilter(weight, -1, size) + 1e-3
    # Where nothing is usable the plain mean keeps the texture finite.
    mean = (cv2.boxFilter(image * weight, -1, size) + 1e-3 * cv2.boxFilter(image, -1, size)) / total
    root = np.sqrt(np.abs(image - mean))
    whole = cv2.boxFilter(root, -1, size)
    spread = ((cv2.boxFilter(root * weight, -1, size) + 1e-3 * whole) / total) ** 2
    return mean, spread / np.float32(0.676)  # (E sqrt|x|)^2 of a standard normal x


def _normalised(image: Image, mean: Image, gain: Image) -> Texture:
    """Image less mean, times gain, in 8 bits round 128; mean and gain may be smaller."""
    size = (image.shape[1], image.shape[0])
    out = cv2.subtract(image, cv2.resize(mean, size, interpolation=cv2.INTER_LINEAR))
    cv2.multiply(out, cv2.resize(gain, size, interpolation=cv2.INTER_LINEAR), dst=out)
    return np.asarray(cv2.add(out, (128.0, 0, 0, 0), dtype=cv2.CV_8U), np.uint8)


def agreement(a: Texture, others: Sequence[Texture], counts: Mask) -> list[NDArray[np.float32]]:
    """Correlation of a texture with each of others, in every cell that has texture.

    Returns: for each of them (n,), -1 to 1.
    """
    size = (max(1, a.shape[1] // CELL_PX), max(1, a.shape[0] // CELL_PX))

    def mean(image: Image) -> Image:
        return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)

    def counted(image: Texture) -> Image:
        return np.asarray(cv2.multiply(image, weight, dtype=cv2.CV_32F), np.float32)

    weight = counts.view(np.uint8)
    share = mean(weight.astype(np.float32)) + np.float32(1e-6)
    p = counted(a)
    mean_p = mean(p) / share
    var_p = mean(p * p) / share - mean_p**2

    def with_(b: Texture) -> NDArray[np.float32]:
        q = counted(b)
        mean_q = mean(q) / share
        var_q = mean(q * q) / share - mean_q**2
        both = mean(p * q) / share - mean_p * mean_q
        textured = (share > 0.5) & (var_p > CELL_SPREAD**2) & (var_q > CELL_SPREAD**2 / 4)
        spread = np.sqrt(var_p[textured] * var_q[textured])
        return np.asarray(both[textured] / spread, np.float32)

    return side_by_side(with_, others)


def any_channel(mask: Mask) -> NDArray[np.uint8]:
    """1 where any channel of a (rows, cols, 3) mask is True; far faster than `any(axis=2)`."""
    first, second, third = cv2.split(np.ascontiguousarray(mask).view(np.uint8))
    return np.asarray(first | second | third, np.uint8)


def resized(mask: Mask, shape: tuple[int, ...]) -> Mask:
    """A mask at another size, (rows, cols)."""
    size = (shape[1], shape[0])
    small = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(small > 0)
