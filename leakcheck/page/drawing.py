"""Openings between the page, which draws in SVG's units, and the file, which the check reads.

In the page a shape is {name, kind, colour, rings} or {name, kind, colour, ellipse}; positions are
SVG's, where the centre of the photo's first pixel is at (0.5, 0.5).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from leakcheck.opening_words import COLOURS, MAX_NAME, OpeningKind
from leakcheck.openings import FARTHEST_PX, Opening, Openings, write_openings
from leakcheck.page.errors import PageError
from leakcheck.svg import MAX_SHAPES, SVG_SPACE

KINDS: tuple[OpeningKind, ...] = get_args(OpeningKind)
MARK = 'data-made-by="leakcheck page"'  # in the root of a drawing: the page may write over it
MOST_POINTS = 200_000  # of all shapes; a page with more would not move
CENTRE = 0.5  # SVG's position of a pixel's centre, less ours
ROUND_POINTS = 24  # an outline of fewer points was drawn as a polygon
ROUND_PX = 0.05  # how far an ellipse's points lie off it: what the file's decimals leave
CIRCLE = np.linspace(0, 2 * np.pi, 180, endpoint=False)  # 2 degrees, as `svg_outline` bends them

Ellipse = tuple[float, float, float, float]  # centre x and y, half width, half height


@dataclass(frozen=True, eq=False)
class Shape:
    """One opening as drawn on the page."""

    opening: Opening  # in photo px
    ellipse: Ellipse | None = None  # in SVG's units; None: it is a polygon


def shapes_of(openings: Openings) -> list[Shape]:
    """Shapes of an openings file; outlines that are ellipses are kept as such."""
    return [Shape(shape, _as_ellipse(shape)) for shape in openings.shapes]


def to_page(shapes: Sequence[Shape]) -> list[dict[str, Any]]:
    """Shapes as the page gets them."""
    return [_shape_to_page(shape) for shape in shapes]


def from_page(given: object) -> list[Shape]:
    """Shapes as the page sends them. Raises: PageError where anything is not as it should be."""
    if not isinstance(given, list) or len(given) > MAX_SHAPES:
        raise PageError(f"The openings must be a list of at most {MAX_SHAPES} shapes.")
    shapes = [_shape_from_page(each) for each in given]
    if sum(len(ring) for shape in shapes for ring in shape.opening.rings) > MOST_POINTS:
        raise PageError("The outlines have too many points. Draw them with fewer.")
    return shapes


def drawing_bytes(shapes: Sequence[Shape], *, size: tuple[int, int], photo: Path) -> bytes:
    """The SVG file of these shapes over a photo that lies beside it.

    Args:
        shapes: in the order to be kept.
        size: columns and rows of the photo.
        photo: only its name is used.
    """
    openings = Openings(tuple(shape.opening for shape in shapes))
    root = ElementTree.fromstring(  # our own text, made a line above
        write_openings(openings, size=size, photo_name=photo.name)
    )
    for shape, path in zip(shapes, root.findall(f"{SVG_SPACE}path"), strict=True):
        if shape.ellipse:
            path.tag = f"{SVG_SPACE}ellipse"
            del path.attrib["d"], path.attrib["fill-rule"]
            numbers = (f"{number:.3f}" for number in shape.ellipse)
            path.attrib |= dict(zip(("cx", "cy", "rx", "ry"), numbers, strict=True))
    ElementTree.register_namespace("", SVG_SPACE.strip("{}"))
    ElementTree.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    text = ElementTree.tostring(root, encoding="unicode")
    return (text.replace("<svg ", f"<svg {MARK} ", 1) + "\n").encode("utf-8")


def simpler(openings: Openings, *, within_px: float) -> Openings:
    """Outlines with fewer points to edit, none further off than `within_px`.

    Openings that are carried to another photo get a point every few pixels.
    """
    import cv2

    def ring_of(ring: NDArray[np.float64]) -> NDArray[np.float64]:
        points = ring.astype(np.float32).reshape(-1, 1, 2)
        few = np.asarray(cv2.approxPolyDP(points, within_px, True), float).reshape(-1, 2)
        return few if len(few) > 2 else ring

    shapes = (replace(s, rings=tuple(ring_of(ring) for ring in s.rings)) for s in openings.shapes)
    return replace(openings, shapes=tuple(shapes))


def _shape_to_page(shape: Shape) -> dict[str, Any]:
    own = shape.opening
    page: dict[str, Any] = {"name": own.name, "kind": own.kind, "colour": own.colour}
    if shape.ellipse:
        return page | {"ellipse": [round(number, 3) for number in shape.ellipse]}
    return page | {"rings": [np.round(ring + CENTRE, 3).tolist() for ring in own.rings]}


def _shape_from_page(given: object) -> Shape:
    if not isinstance(given, dict):
        raise PageError("A shape of the openings cannot be understood.")
    name, kind, colour = given.get("name"), given.get("kind"), given.get("colour")
    if kind not in KINDS:
        raise PageError(f"A shape must be one of {', '.join(KINDS)}.")
    if colour is not None and colour not in COLOURS:
        raise PageError(f"An expected colour must be one of {', '.join(COLOURS)}.")
    if not isinstance(name, str) or len(name) > MAX_NAME:
        raise PageError(f"A name must be a text of at most {MAX_NAME} letters.")
    name = " ".join("".join(c if c.isprintable() else " " for c in name).split()) or kind
    if "ellipse" in given:
        x, y, rx, ry = (float(number) for number in _numbers([given["ellipse"]], 4)[0])
        if min(rx, ry) <= 0:
            raise PageError(f"The ellipse '{name}' has no area.")
        ring = np.column_stack([x + rx * np.cos(CIRCLE), y + ry * np.sin(CIRCLE)]) - CENTRE
        return Shape(Opening(name, kind, (ring,), colour), (x, y, rx, ry))
    rings = given.get("rings")
    if not isinstance(rings, list) or not rings:
        raise PageError(f"'{name}' has no outline.")
    outlines = tuple(_numbers(ring, 2) - CENTRE for ring in rings)
    if any(len(ring) < 3 for ring in outlines):
        raise PageError(f"The outline of '{name}' needs three points or more.")
    return Shape(Opening(name, kind, outlines, colour))


def _numbers(given: object, columns: int) -> NDArray[np.float64]:
    """A list of number lists as (n, columns). Raises: PageError where it is anything else."""
    rows: list[Any] = [None]
    if isinstance(given, list) and len(given) <= MOST_POINTS:
        rows = given
    for row in rows:
        good = isinstance(row, list) and len(row) == columns
        if not good or not all(_is_position(number) for number in row):
            raise PageError("An outline must be a list of points, each of numbers in the photo.")
    return np.array(rows, float).reshape(-1, columns)


def _is_position(number: object) -> bool:
    return (
        isinstance(number, int | float)
        and not isinstance(number, bool)
        and math.isfinite(number)
        and abs(number) < FARTHEST_PX
    )


def _as_ellipse(shape: Opening) -> Ellipse | None:
    """The upright ellipse that an outline is, if it is one, in SVG's units."""
    if len(shape.rings) != 1 or len(shape.rings[0]) < ROUND_POINTS:
        return None
    ring = shape.rings[0] + CENTRE
    low, high = ring.min(axis=0), ring.max(axis=0)
    centre, half = (low + high) / 2, (high - low) / 2
    if half.min() < 0.5:  # too small to tell what it is
        return None
    off = np.abs(np.hypot(*((ring - centre) / half).T) - 1) * half.max()
    angles = np.sort(np.arctan2(*((ring - centre) / half).T))
    widest = max(float(np.diff(angles).max()), float(angles[0] + 2 * np.pi - angles[-1]))
    if off.max() > ROUND_PX or widest > 2 * np.pi / (ROUND_POINTS / 2):
        return None
    x, y, rx, ry = (float(number) for number in (*centre, *half))
    return (x, y, rx, ry)
