"""The openings as they lie in the lit frame: whose pixel is whose, and what the model covers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakcheck.openings import Opening, Openings, geometry_warnings, label_map, model_mask
from leakcheck.photo import Mask

LAMPS = ("window", "beacon")


@dataclass(frozen=True, eq=False)
class OpeningsMap:
    """The lit frame with what is known of its openings; nothing at all without a drawing."""

    shape: tuple[int, int]  # rows, cols of the frame
    scale: int  # photo px per frame px
    labels: NDArray[np.int32]  # (rows, cols), 1 in the first of `shapes` and so on; else 0
    outline: Mask | None  # (rows, cols), True inside the model; None: not drawn
    shapes: tuple[Opening, ...]  # in photo px
    warnings: tuple[str, ...]  # sentences for the user
    photo_size: tuple[int, int]  # columns, rows of the photo

    @property
    def has_lamps(self) -> bool:
        """True where a window or beacon is drawn."""
        return any(shape.kind in LAMPS for shape in self.shapes)

    def lamp_areas(self) -> Mask:
        """True inside windows and beacons, (rows, cols) of the frame."""
        lamps = [k + 1 for k, shape in enumerate(self.shapes) if shape.kind in LAMPS]
        return np.isin(self.labels, lamps)

    def beacons(self) -> dict[str, Mask]:
        """True inside each beacon, (rows, cols) of the frame, by name."""
        return {
            shape.name: self.labels == k
            for k, shape in enumerate(self.shapes, start=1)
            if shape.kind == "beacon"
        }

    def walls(self, labels: NDArray[np.int32]) -> Mask:
        """The model less these openings; the whole frame less them where no outline is drawn."""
        closed: Mask = labels == 0
        return closed if self.outline is None else closed & self.outline

    def mm_per_px(self, length_mm: float | None) -> float | None:
        """Size of a photo pixel on a model whose longer side is `length_mm`; None: not known."""
        if length_mm is None:
            return None
        (left, top), (right, bottom) = model_box(self.shapes, self.photo_size)
        return length_mm / float(max(right - left, bottom - top, 1.0))


def model_box(shapes: tuple[Opening, ...], photo_size: tuple[int, int]) -> NDArray[np.float64]:
    """Corners (x, y) of the model, or of the photo where no outline is drawn, photo px."""
    rings = [ring for shape in shapes if shape.kind == "model" for ring in shape.rings]
    if not rings:
        return np.array([[0.0, 0.0], photo_size])
    points = np.vstack(rings)
    return np.stack([points.min(axis=0), points.max(axis=0)])


def openings_map(
    openings: Openings | None, *, shape: tuple[int, int], scale: int, photo_size: tuple[int, int]
) -> OpeningsMap:
    """Lay drawn openings into a frame.

    Args:
        openings: in photo px; None: nothing is known.
        shape: rows and columns of the frame.
        scale: photo px per frame px.
        photo_size: columns and rows of the photo.
    """
    if openings is None:
        return OpeningsMap(shape, scale, np.zeros(shape, np.int32), None, (), (), photo_size)
    return OpeningsMap(
        shape,
        scale,
        label_map(openings, shape=shape, scale=scale),
        model_mask(openings, shape=shape, scale=scale),
        openings.shapes,
        geometry_warnings(openings, size=photo_size),
        photo_size,
    )
