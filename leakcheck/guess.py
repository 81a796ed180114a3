"""Openings guessed from the pair alone: bright, with a crisp edge."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.exposure import rough_gain
from leakcheck.light import blurred, luminance
from leakcheck.photo import Image, Mask
from leakcheck.regions import Ground, Region, region_of_mask
from leakcheck.residual import Residual

BRIGHT_QUANTILE = 0.9995  # of added light: something of the brightest openings
BRIGHT_SHARE = 0.3  # of that; a leak is usually fainter
MIN_AREA_PX = 9  # frame px
CRISP_SHARE = 0.5  # of its light must be gone this many pixels outside its edge
CRISP_PX = 4
LEAST_ADDED = 0.02  # linear light; a pair with less new light has no lit opening


def guess_labels(unlit: Image, lit: Image, *, lit_clipped: Mask, usable: Mask) -> NDArray[np.int32]:
    """Areas that look like lit openings.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        lit_clipped: (rows, cols), True at the end of the lit frame's scale.
        usable: (rows, cols), True where the unlit frame was measured.
    Returns: (rows, cols), 0 outside, 1 to n inside the n areas.
    """
    gain = rough_gain(unlit, lit, usable & ~lit_clipped).astype(np.float32)
    added = np.where(usable, luminance(np.maximum(lit - unlit * gain, 0)), 0).astype(np.float32)
    strongest = (added + lit.max(axis=2) * (added > LEAST_ADDED)) / 2
    top = float(np.quantile(strongest[::2, ::2], BRIGHT_QUANTILE))
    bright = (strongest > max(BRIGHT_SHARE * top, LEAST_ADDED)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(bright, connectivity=4)
    kept = np.zeros(count, np.int32)
    number = 0
    for k in range(1, count):
        left, top_row, cols, rows, area = stats[k]
        if area < MIN_AREA_PX:
            continue
        pad = CRISP_PX + 2
        window = (
            slice(max(top_row - pad, 0), top_row + rows + pad),
            slice(max(left - pad, 0), left + cols + pad),
        )
        if _crisp(strongest[window], labels[window] == k):
            number += 1
            kept[k] = number
    return np.asarray(kept[labels], np.int32)


def _crisp(light: Image, inside: Mask) -> bool:
    """Whether an area's light ends within a few pixels of its edge."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * CRISP_PX + 1,) * 2)
    wide = cv2.dilate(inside.astype(np.uint8), disc) > 0
    close = cv2.dilate(inside.astype(np.uint8), np.ones((5, 5))) > 0
    ring = wide & ~close
    if not ring.any():
        return False
    return float(np.median(light[ring])) < CRISP_SHARE * float(np.median(light[inside]))


def regions_of_labels(
    labels: NDArray[np.int32], residual: Residual, ground: Ground
) -> list[Region]:
    """Guessed openings as measured regions, strongest first."""
    fine = blurred(luminance(residual.added), 1.0)
    regions = []
    for k in range(1, int(labels.max(initial=0)) + 1):
        rows, cols = np.nonzero(labels == k)
        top, left = int(rows.min()), int(cols.min())
        mask = labels[top : rows.max() + 1, left : cols.max() + 1] == k
        regions.append(region_of_mask(mask, top, left, residual, ground, fine))
    return sorted(regions, key=lambda region: -region.glow)
