"""Parts of a photo as another camera position would have shown them, for pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.report.sheet import Polygon, Rgb

Moved: TypeAlias = Callable[[Polygon], Polygon]  # px of the photo shown -> px of the photo laid on

GRID_PX = 16  # px of the picture between points whose place is found exactly


@dataclass(frozen=True)
class View:
    """A part of a photo as a picture of it shows it."""

    left: int  # photo px
    top: int
    size: tuple[int, int]  # columns and rows, photo px
    scale: float = 1.0  # picture px per photo px

    @property
    def picture_size(self) -> tuple[int, int]:
        """Columns and rows of the picture."""
        cols, rows = self.size
        return max(1, round(cols * self.scale)), max(1, round(rows * self.scale))

    def to_picture(self, xy: Polygon) -> Polygon:
        """Photo px to picture px; both count from a pixel's centre."""
        corner = np.array([self.left, self.top])
        return np.asarray((np.asarray(xy, float) - corner + 0.5) * self.scale - 0.5)

    def to_photo(self, xy: Polygon) -> Polygon:
        """The inverse of `to_picture`."""
        return np.asarray((xy + 0.5) / self.scale - 0.5 + np.array([self.left, self.top]))


def seen_from(source: Rgb, view: View, *, moved: Moved | None = None) -> Rgb:
    """A photo as another one's camera saw the same things; black where it does not reach.

    Args:
        source: (rows, cols, 3), the photo to be laid on, 8 bits.
        view: the part of the photo that stays.
        moved: px of the photo that stays -> px of `source`; None where they are the same.
    Returns: (rows, cols, 3) of `view.picture_size`.
    """
    # A coarse grid of exact places; between them the map is as good as straight.
    size = view.picture_size
    cols, rows = -(-size[0] // GRID_PX) + 1, -(-size[1] // GRID_PX) + 1
    y, x = np.mgrid[0:rows, 0:cols].astype(float) * GRID_PX
    at = view.to_photo(np.column_stack([x.ravel(), y.ravel()]))
    at = at if moved is None else np.asarray(moved(at), float)
    part, corner = _needed(source, at)
    shrink = min(1.0, view.scale)
    if shrink < 1:
        part = np.asarray(
            cv2.resize(part, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8
        )
    grid = ((at - corner + 0.5) * shrink - 0.5).astype(np.float32).reshape(rows, cols, 2)
    place = np.array([[1 / GRID_PX, 0, 0], [0, 1 / GRID_PX, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    full = cv2.warpAffine(grid, place, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.remap(part, full[..., 0], full[..., 1], cv2.INTER_CUBIC), np.uint8)


def _needed(source: Rgb, at: NDArray[np.float64]) -> tuple[Rgb, NDArray[np.float64]]:
    """The part of a photo that holds these places, with a margin, and its top left corner."""
    end = np.array([source.shape[1], source.shape[0]])
    low = np.clip(np.floor(at.min(axis=0)) - 8, 0, end - 1).astype(int)
    high = np.clip(np.ceil(at.max(axis=0)) + 9, low + 1, end).astype(int)
    return source[low[1] : high[1], low[0] : high[0]], low.astype(float)
