"""Pictures that go inside a page, as small as they have to be."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import cv2
import numpy as np

from leakcheck.report.sheet import Rgb

# From hardly to be told from the original to plainly worse; then rather fewer pixels.
QUALITIES = (86, 80, 74, 66)
SHRINK = 0.8
LEAST_SIDE_PX = 64
BASE64_GROWTH = 4 / 3


@dataclass(frozen=True)
class Embedded:
    """A picture as a page holds it."""

    uri: str  # data:image/jpeg;base64,...
    width: int  # px
    height: int

    @property
    def page_bytes(self) -> int:
        """What it adds to the page."""
        return len(self.uri)


def embedded(picture: Rgb, *, most_bytes: int) -> Embedded:
    """A picture as a data URI.

    Args:
        picture: (rows, cols, 3), sRGB.
        most_bytes: of the URI: quality goes down first, then the number of pixels.
    """
    while True:
        for quality in QUALITIES:
            uri = _jpeg_uri(picture, quality)
            if len(uri) <= most_bytes:
                return Embedded(uri, picture.shape[1], picture.shape[0])
        if min(picture.shape[:2]) * SHRINK < LEAST_SIDE_PX:
            return Embedded(uri, picture.shape[1], picture.shape[0])
        picture = within(picture, int(max(picture.shape[:2]) * SHRINK))


def within(picture: Rgb, longer_side_px: int) -> Rgb:
    """The picture, made smaller where its longer side is above this."""
    rows, cols = picture.shape[:2]
    shrink = longer_side_px / max(rows, cols)
    if shrink >= 1:
        return picture
    size = (max(1, round(cols * shrink)), max(1, round(rows * shrink)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def _jpeg_uri(picture: Rgb, quality: int) -> str:
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    bgr = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, options)
    assert done, "OpenCV always has a JPEG encoder"
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def png_uri(png: bytes) -> str:
    """A PNG file as a data URI: for plots, whose lines JPEG would smear."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
