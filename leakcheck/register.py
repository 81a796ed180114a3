"""The unlit photo laid onto the lit one; where the two overlap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leakcheck.photo import Image


@dataclass(frozen=True, eq=False)
class Registration:
    """Where each point of the lights-on photo lies in the lights-off photo."""

    homography: NDArray[np.float64]  # (3, 3): ON photo px -> OFF photo px
    # Parallax that the homography leaves, sampled on a grid of ON photo pixels; None where
    # the homography is enough.
    shift_px: Image | None  # (grid rows, grid cols, 2): x and y to add in OFF photo px
    shift_step_px: float  # ON photo px between grid points; the first grid point is at (0, 0)
    residual_px: float  # 68th percentile of what is left at the points used, in ON photo px
    overlap: float  # share of the ON photo that the OFF photo covers
    points: int  # how many points agree
    how: str  # one sentence: what it rests on

    def on_to_off(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Positions in the lights-on photo as positions in the lights-off photo.

        Args:
            xy: (n, 2), x and y in ON photo pixels.
        Returns: (n, 2), x and y in OFF photo pixels.
        """
        raise NotImplementedError
