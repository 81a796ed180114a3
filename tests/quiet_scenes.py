"""Drawn scenes without noise, JPEG or lens, whose light can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import scene_camera
from numpy.typing import NDArray
from scene import (
    CameraMove,
    Lens,
    Scene,
    Sensor,
)

LIGHT = scene_camera.decode_srgb
QUIET = Sensor(slope=1e-9, read=0.0, quality=None)  # no noise, no JPEG: only rounding to 8 bits
CLEAR = Lens(blur_px=0.0, flare=0.0, vignette=0.0)


def quiet(scene: Scene, **changes: Any) -> Scene:
    """The scene without noise, JPEG, tone curve and sharpening."""
    return replace(scene, sensor_off=QUIET, sensor_on=QUIET, **changes)


def moved(shift: tuple[float, float]) -> CameraMove:
    """A camera that shifts all planes alike."""
    h = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    return CameraMove("nudge", (h, h, h))


def luminance(codes: NDArray[np.uint8]) -> NDArray[np.float64]:
    return np.asarray(LIGHT(codes), float) @ [0.2126, 0.7152, 0.0722]
