"""Close-ups: the same place of several pictures, cut out at the photo's full resolution."""

from __future__ import annotations

import numpy as np

from leakcheck.report.laid_on import View
from leakcheck.report.sheet import Polygon

LEAST_PX = (280, 210)  # photo px that a close-up shows at least: a pinhole with what is round it
MOST_PX = 720  # picture px along its longer side; what is larger is shown smaller
ROOM = 1.7  # of the leak's own size
WIDEST, TALLEST = 1.7, 1.0  # columns / rows
# All close-ups of a page together, bytes of its text, and the most for one picture.
ALL_BYTES = 1_450_000
ONE_BYTES = 70_000
LEAST_BYTES = 9_000  # what is smaller shows nothing


def closeup_view(outline: Polygon, photo_size: tuple[int, int]) -> View:
    """The part of the photo to show of a leak.

    Args:
        outline: (n, 2), photo px.
        photo_size: columns and rows.
    """
    low, high = outline.min(axis=0), outline.max(axis=0)
    cols, rows = np.maximum(ROOM * (high - low + 1), LEAST_PX)
    cols = max(cols, rows * TALLEST)
    rows = max(rows, cols / WIDEST)
    size = np.minimum(np.round([cols, rows]), photo_size).astype(int)
    corner = np.clip(np.round((low + high) / 2 - size / 2), 0, photo_size - size).astype(int)
    scale = min(1.0, MOST_PX / int(size.max()))
    return View(int(corner[0]), int(corner[1]), (int(size[0]), int(size[1])), scale)


def closeup_count(leaks: int, pictures: int) -> int:
    """How many leaks the page has room to show, with so many pictures of each."""
    return min(leaks, ALL_BYTES // (LEAST_BYTES * pictures))


def closeup_bytes(leaks: int, pictures: int) -> int:
    """The most that one picture may take."""
    return min(ONE_BYTES, ALL_BYTES // max(leaks * pictures, 1))
