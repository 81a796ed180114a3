"""Where light may leave the model: windows, beacons, areas to ignore and the model's outline."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

OpeningKind = Literal["window", "beacon", "ignore", "model"]


@dataclass(frozen=True, eq=False)
class Opening:
    """One shape of the openings file, in pixels of the photo; a pixel's centre is at (i, j)."""

    name: str
    kind: OpeningKind
    rings: tuple[NDArray[np.float64], ...]  # closed polygons (n, 2) of x, y; filled by even-odd
    colour: str | None = None  # expected colour, as the file asks for it


@dataclass(frozen=True, eq=False)
class Openings:
    """All shapes of one openings file, fitted to one photo."""

    shapes: tuple[Opening, ...]
    photo: Path | None = None  # the photo they were drawn on, where the file links one
    warnings: tuple[str, ...] = ()  # sentences for the user, each naming its shape
