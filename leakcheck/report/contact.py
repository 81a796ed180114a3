"""The lights-on photo at the size of a contact sheet, leaks outlined: no room for numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from PIL import ImageColor

from leakcheck.report.picture import (
    LEAK,
    OPENING,
    lit_shapes,
    photo_picture,
    ring_round,
    to_picture,
)
from leakcheck.report.sheet import DARK, Polygon, Rgb

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.photo import Photo

SIDE_PX = 480  # the longer one
LINE_PX, CASING_PX = 2, 4
GAP_PX = 3.0  # from a leak's outline to the line round it: the leak stays visible
SHIFT = 4  # bits of a pixel's fraction in OpenCV's drawing
QUALITY = 85


def contact_picture(photo: Photo, check: Check) -> bytes:
    """A small JPEG picture: leaks outlined in blue, openings that are not as they should in yellow.

    Args:
        photo: the lights-on photo.
        check: what was found in it.
    """
    rows, cols = photo.encoded.shape[:2]
    scale = min(1.0, SIDE_PX / max(rows, cols))
    picture = photo_picture(photo, width_px=max(1, round(cols * scale)))
    openings = [
        to_picture(ring, scale)
        # A check has a lamp for each window and beacon, in the same order.
        for shape, lamp in zip(lit_shapes(check), check.lamps, strict=False)
        if lamp.fault
        for ring in shape.rings
    ]
    leaks = [ring_round(to_picture(leak.outline, scale), GAP_PX) for leak in check.leaks]
    _draw(picture, openings, OPENING.colour)
    _draw(picture, leaks, LEAK.colour)
    bgr = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    return cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()


def _draw(picture: Rgb, rings: list[Polygon], colour: str) -> None:
    """Closed lines, first all their dark edges."""
    points = [np.round(ring * 2**SHIFT).astype(np.int32).reshape(-1, 1, 2) for ring in rings]
    for paint, width in ((DARK, CASING_PX), (colour, LINE_PX)):
        rgb = ImageColor.getrgb(paint)
        cv2.polylines(picture, points, True, rgb, width, cv2.LINE_AA, SHIFT)
