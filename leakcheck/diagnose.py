"""A measured spot becomes a kind of leak, with words for where it is and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

LeakKind = Literal["pinhole", "seam leak", "show-through", "side glow", "open hole"]
SpotKind = Literal["pinhole", "seam leak", "show-through", "side glow", "open hole", "spill"]


@dataclass(frozen=True, eq=False)
class Leak:
    """One place where light shows, in pixels of the lights-on photo."""

    number: int  # 1 for the strongest
    kind: SpotKind
    x: float  # centroid of the added light, px
    y: float
    outline: NDArray[np.float64]  # (n, 2) x, y: closed polygon round it, px
    area_px: float  # photo pixels above a tenth of its own peak
    glow_px: float  # added luminance / unlit luminance of the same surface, summed over its pixels
    contrast: float  # the same, mean over its pixels
    level: float | None  # peak added luminance / median window; None where no window is lit
    level_at_most: bool  # True where the windows are clipped: the true level is lower
    significance: float  # strength / the spread without any leak
    colour: str  # plain word: warm white, cool white, red, amber, green, blue
    rgb: tuple[float, float, float]  # added light, linear sRGB, brightest channel 1
    length_px: float  # along it
    width_px: float  # across it
    noticeable: bool  # would a person notice it in this room light
    doubtful: bool  # may be spill: cover the openings with tape and photograph again
    where: str  # nearest opening, direction, distance
    advice: str  # what to do
    caution: str  # what to mind while doing it
