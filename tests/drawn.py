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
DECK = (
    '<polygon id="hull" class="model" points="10,250 30,60 370,60 390,250"/>'
    '<g class="window"><rect id="saloon-1" x="60" y="100" width="40" height="30" rx="6"/>'
    '<ellipse id="saloon-2" cx="150" cy="115" rx="20" ry="15"/>'
    '<path id="bridge" d="M200 100h40v30h-40z M210 110v10h20v-10z"/></g>'
    '<circle id="port-light" class="beacon red" cx="350" cy="90" r="5.5"/>'
    '<rect id="lamp on the desk" class="ignore" x="0" y="260" width="400" height="40"/>'
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
