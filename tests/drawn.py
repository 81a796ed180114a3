"""Openings files for tests: written as text, read back, their areas measured by shapely."""

from __future__ import annotations

import numpy as np
import shapely

from leakcheck.openings import read_openings

SIZE = (400, 300)  # columns and rows of the photo that most drawings belong to
OPEN_TAG = (
    '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
    'xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape"'
)


def svg(body, attributes='viewBox="0 0 400 300"'):
    """The text of an SVG file."""
    return f"{OPEN_TAG} {attributes}>{body}</svg>"


def read(tmp_path, body, *, attributes='viewBox="0 0 400 300"', size=SIZE):
    """The openings of a drawing, by way of a file."""
    path = tmp_path / "heron.svg"
    path.write_text(svg(body, attributes), encoding="utf-8")
    return read_openings(path, size=size)


def one(tmp_path, body, **options):
    """The only opening of a drawing."""
    (shape,) = read(tmp_path, body, **options).shapes
    return shape


def polygon(shape):
    """A shape as shapely sees it: rings by even-odd."""
    area = shapely.Polygon()
    for ring in shape.rings:
        area = area.symmetric_difference(shapely.make_valid(shapely.Polygon(ring)))
    return area


def box(shape):
    """Left, top, right and bottom of a shape in SVG's sense: pixel i spans i to i + 1."""
    points = np.concatenate(shape.rings) + 0.5
    return (*points.min(axis=0), *points.max(axis=0))
