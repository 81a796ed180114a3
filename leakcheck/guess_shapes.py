"""Guessed openings as shapes with names, ready to be written down and edited."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.colour import colour_word, xy_from_rgb
from leakcheck.guess_signs import Candidate
from leakcheck.lamprows import find_rows
from leakcheck.openings import Opening, OpeningKind
from leakcheck.photo import frame_to_photo_px

SIMPLER_PX = 0.7  # frame px by which an outline may lie off, so that few points are left to edit
COLOURED = ("red", "green", "blue", "amber", "purple")  # a lamp inside a model is white
PURE = 0.75  # 1 - weakest / strongest channel; warm white on camera has up to 0.7
ROUND = 1.4  # area / width squared; a disc has 0.8, a square 1, an oblong more
SMALL = 0.45  # area / usual window: a single light as small is a beacon


def guessed_openings(found: Sequence[Candidate], *, scale: int) -> tuple[Opening, ...]:
    """The shapes of guessed openings: rows of windows from top to bottom, other windows, beacons.

    Args:
        found: from `guess_openings`.
        scale: photo px per frame px.
    Returns: windows named by row and place in it (window-a1), or by number where they stand in
        none (window-1), beacons by colour (beacon-red-1); outlines in photo px.
    """
    rows = _rows(found)
    kinds = _kinds(found, in_row={k for row in rows for k in row})
    names = _names(found, rows, kinds)
    return tuple(Opening(name, kinds[k], (_ring(found[k], scale),)) for k, name in names.items())


def _names(
    found: Sequence[Candidate], rows: Sequence[Sequence[int]], kinds: Sequence[OpeningKind]
) -> dict[int, str]:
    """A name for each, in the order that they are to be listed in."""
    names: dict[int, str] = {}
    windows = [[k for k in row if kinds[k] == "window"] for row in rows]
    for letter, row in enumerate([row for row in windows if row]):
        names |= {k: f"window-{_letters(letter)}{nth}" for nth, k in enumerate(row, start=1)}
    counts: Counter[str] = Counter()
    rest = [k for k in range(len(found)) if k not in names]
    for k in sorted(rest, key=lambda k: (kinds[k] == "beacon", found[k].y, found[k].x)):
        stem = "window" if kinds[k] == "window" else f"beacon-{_colour(found[k]).split()[-1]}"
        counts[stem] += 1
        names[k] = f"{stem}-{counts[stem]}"
    return names


def _rows(found: Sequence[Candidate]) -> tuple[tuple[int, ...], ...]:
    centres = np.array([(candidate.x, candidate.y) for candidate in found]).reshape(-1, 2)
    return find_rows(centres, np.sqrt([candidate.size for candidate in found]))


def _kinds(found: Sequence[Candidate], *, in_row: set[int]) -> list[OpeningKind]:
    """Window or beacon: beacons are coloured, or small, round and by themselves."""
    coloured = [c.colourful > PURE and _colour(c) in COLOURED for c in found]
    sizes = [c.size for c, is_coloured in zip(found, coloured, strict=True) if not is_coloured]
    usual = float(np.median(sizes)) if sizes else 0.0
    small = [
        k not in in_row and c.size < min(SMALL * usual, ROUND * c.width**2)
        for k, c in enumerate(found)
    ]
    return ["beacon" if a or b else "window" for a, b in zip(coloured, small, strict=True)]


def _colour(candidate: Candidate) -> str:
    """A plain word for its light."""
    rgb = np.array(candidate.rgb)
    return colour_word(xy_from_rgb(rgb)) if rgb.sum() > 0 else "white"


def _letters(number: int) -> str:
    """a to z, then aa and so on."""
    letters = ""
    while number >= 0:
        letters = chr(ord("a") + number % 26) + letters
        number = number // 26 - 1
    return letters


def _ring(candidate: Candidate, scale: int) -> NDArray[np.float64]:
    """Its outline, (n, 2) x and y in photo px, through the borders of its pixels."""
    from skimage.measure import find_contours  # takes a while to load, and is seldom needed

    inside = np.pad(candidate.area.mask, 1).astype(float)
    contours = find_contours(inside, 0.5)  # type: ignore[no-untyped-call,unused-ignore]
    outer = max(contours, key=len)[:, ::-1] - 1
    few = cv2.approxPolyDP(outer.astype(np.float32).reshape(-1, 1, 2), SIMPLER_PX, True)
    corner = [candidate.area.window[1].start, candidate.area.window[0].start]
    return frame_to_photo_px(few.reshape(-1, 2) + np.array(corner, float), scale)
