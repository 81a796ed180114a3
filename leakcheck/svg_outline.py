"""A shape of an SVG drawing becomes the rings of polygons that bound its area."""

from __future__ import annotations

import re
import warnings
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakcheck.svg import NUMBER, Placed, Points, length, move

# Curves bend into chords this far from them at most: 0.02 px on a photo 4000 px wide.
CHORD_ERROR = 5e-6  # of the drawing's longer side
# Small shapes need more: 2 degrees a chord keep a circle's area within 0.02 %.
CHORD_DEGREES = 2.0
CHORD_ERROR_OF_CURVE = 1e-4  # of the length of a Bezier curve's control polygon
MAX_CHORDS = 500  # of one curve

MAX_STROKED_POINTS = 500  # of one line: a scribble crosses itself n^2 times, in 1 s here
MAX_RINGS_COMPARED = 50  # of one path: each ring is compared with each
WINDING_SAMPLES = 5  # places of a ring that vote: one of them may lie on another ring

CAPS = {"butt": "flat", "round": "round", "square": "square"}  # SVG's word -> shapely's
# A corner sharper than the limit is cut at the limit, where SVG cuts it at the line's own edge.
JOINS = {"miter": "mitre", "round": "round", "bevel": "bevel"}


def outline(place: Placed, *, extent: float) -> list[Points]:
    """The area of a shape as rings, filled by even-odd.

    A closed shape counts by its inside, whatever its stroke; a line, and an open shape without
    fill but with a stroke, count by what the stroke covers.

    Args:
        place: one of `Drawing.shapes`.
        extent: the drawing's longer side, user units; sets how finely curves are bent.
    Returns: rings (n, 2) in user units of the drawing, first point not repeated; none where
        nothing has an area.
    Raises: ValueError where the geometry cannot be read.
    """
    scale = float(np.hypot(*place.matrix[:2, :2]).max())
    if not scale > 0:
        return []
    filled: list[Points] = []
    stroked: list[Points] = []
    for points in _runs(place, tolerance=CHORD_ERROR * extent / scale):
        closed = len(points) > 2 and bool((points[0] == points[-1]).all())
        if not closed and _is_slit(place):
            stroked += _stroke(points, place)
        else:
            filled.append(points[:-1] if closed else points)
    filled = [ring for ring in filled if len(ring) > 2]
    if place.style.get("fill-rule") != "evenodd":
        filled = _without_inner_lines(filled)
    return [move(ring, place.matrix) for ring in filled + stroked]


def _is_slit(place: Placed) -> bool:
    """True where an open shape is meant by its stroke."""
    painted = place.style.get("stroke", "none") != "none"
    return place.tag == "line" or (place.style.get("fill") == "none" and painted)


def _runs(place: Placed, *, tolerance: float) -> list[Points]:
    """The shape's lines in its own user units; a closed one ends where it starts."""
    element, tag = place.element, place.tag
    wide, high = place.viewport
    if tag in ("polygon", "polyline"):
        points = _coordinates(element.get("points", ""))
        if tag == "polygon" and len(points):
            points = np.vstack([points, points[:1]])
        return [points] if len(points) else []
    if tag == "line":
        ends = [place.length(key, whole) for key, whole in _with_wholes("x1 y1 x2 y2", wide, high)]
        return [np.reshape(ends, (2, 2)).astype(float)]
    return _flattened(_path_data(place), tolerance)


def _with_wholes(keys: str, wide: float, high: float) -> list[tuple[str, float]]:
    """Each attribute's name with what 100 % of it means."""
    return [(key, wide if "x" in key or key == "width" else high) for key in keys.split()]


def _coordinates(text: str) -> Points:
    """A `points` attribute as (n, 2). Raises: ValueError where it holds anything but numbers."""
    if re.sub(NUMBER, "", text).strip(" \t\r\n\f,"):
        raise ValueError("its points are not all numbers")
    numbers = [float(number) for number in re.findall(NUMBER, text)]
    return np.reshape(numbers[: len(numbers) // 2 * 2], (-1, 2)).astype(float)


def _path_data(place: Placed) -> str:
    """The shape as the `d` of a path; empty where it has no extent."""
    from svgpathtools.svg_to_paths import ellipse2pathd, rect2pathd  # costs 40 ms to load

    wide, high = place.viewport
    if place.tag == "path":
        return place.element.get("d", "")
    if place.tag == "rect":
        box = {
            key: place.length(key, whole)
            for key, whole in _with_wholes("x y width height", wide, high)
        }
        corners = _corner_radii(place, box["width"], box["height"])
        if min(box["width"], box["height"]) <= 0:
            return ""
        return str(rect2pathd(box | corners))
    centre = {key: place.length(key, whole) for key, whole in _with_wholes("cx cy", wide, high)}
    if place.tag == "circle":
        radius = place.length("r", _diagonal(place))
        radii = {"rx": radius, "ry": radius}
    else:
        rx, ry = place.length("rx", wide, -1), place.length("ry", high, -1)
        radii = {"rx": ry if rx < 0 else rx, "ry": rx if ry < 0 else ry}  # auto: like the other
    return str(ellipse2pathd(centre | radii)) if min(radii.values()) > 0 else ""


def _diagonal(place: Placed) -> float:
    """What 100 % of a length of no direction means: SVG 2, section 8.9, "Units"."""
    return float(np.hypot(*place.viewport) / np.sqrt(2))


def _corner_radii(place: Placed, width: float, height: float) -> dict[str, float]:
    """Radii of a rectangle's corners as SVG 2, section 10.2 clamps them; none where square."""
    rx, ry = place.length("rx", place.viewport[0], -1), place.length("ry", place.viewport[1], -1)
    rx, ry = (ry if rx < 0 else rx), (rx if ry < 0 else ry)
    rx, ry = min(rx, width / 2), min(ry, height / 2)
    return {"rx": rx, "ry": ry} if min(rx, ry) > 0 else {}


def _flattened(path_data: str, tolerance: float) -> list[Points]:
    """A path's subpaths as lines. Raises: ValueError where the path cannot be read."""
    from svgpathtools import parse_path

    with warnings.catch_warnings():  # an arc of no radius is a line, as SVG has it: no news
        warnings.simplefilter("ignore")
        try:
            segments = list(parse_path(path_data))
        except AssertionError as fault:  # the library's word for an arc that ends where it starts
            raise ValueError("an arc in it ends where it starts") from fault
    runs: list[list[Any]] = []
    end = None
    for segment in segments:
        if segment.start != end:
            runs.append([[segment.start]])
        runs[-1].append(_chords(segment, tolerance))
        end = segment.end
    joined = [np.concatenate(run) for run in runs]
    return [np.column_stack([run.real, run.imag]) for run in joined]


def _chords(segment: Any, tolerance: float) -> Any:
    """One segment of a path as complex points after its start; the end is exact."""
    from svgpathtools import Arc, Line

    if isinstance(segment, Line):
        return [segment.end]
    if isinstance(segment, Arc):
        # A chord over the angle a lies r (1 - cos(a / 2)), about r a^2 / 8, inside the arc.
        radius = max(segment.radius.real, segment.radius.imag)
        step = min(np.radians(CHORD_DEGREES), np.sqrt(8 * tolerance / radius))
        count = abs(np.radians(segment.delta)) / step
    else:
        # A chord over the parameter h lies at most h^2 / 8 of the second derivative off the
        # curve (linear interpolation); for a Bezier curve of degree d that is at most
        # d (d - 1) times the largest second difference of its control points.
        control = np.array(segment.bpoints())
        degree = len(control) - 1
        bend = degree * (degree - 1) * np.abs(np.diff(control, 2)).max()
        reach = np.abs(np.diff(control)).sum()
        count = np.sqrt(bend / (8 * min(tolerance, CHORD_ERROR_OF_CURVE * reach))) if bend else 1
    if not np.isfinite(count):
        raise ValueError("its numbers are too large")
    steps = np.arange(1, int(np.clip(np.ceil(count), 1, MAX_CHORDS)) + 1)
    points = segment.point(steps / steps[-1])
    points[-1] = segment.end
    return points


def _stroke(points: Points, place: Placed) -> list[Points]:
    """What a stroke along a line covers, as rings in the shape's user units."""
    import shapely

    if len(points) > MAX_STROKED_POINTS:
        raise ValueError(f"a line of more than {MAX_STROKED_POINTS} points")
    style = place.style
    width = length(style.get("stroke-width"), _diagonal(place), 1.0)
    if not (np.isfinite(points).all() and width > 0):
        return []
    covered = shapely.buffer(
        shapely.LineString(points),
        width / 2,
        quad_segs=round(90 / CHORD_DEGREES),
        cap_style=CAPS.get(style.get("stroke-linecap", "butt"), "flat"),
        join_style=JOINS.get(style.get("stroke-linejoin", "miter"), "mitre"),
        mitre_limit=max(1.0, float(style.get("stroke-miterlimit", "4"))),
    )
    rings: list[Points] = []
    for polygon in shapely.get_parts(covered):
        for ring in (polygon.exterior, *polygon.interiors):
            rings.append(shapely.get_coordinates(ring)[:-1])
    return [ring for ring in rings if len(ring) > 2]


def _without_inner_lines(rings: list[Points]) -> list[Points]:
    """Rings of a nonzero fill as rings of an even-odd one.

    A ring with fill on both of its sides bounds nothing and is dropped. Rings that cross each
    other stay as they are: overlaps of one path's own parts would need a full overlay.
    """
    if not 1 < len(rings) <= MAX_RINGS_COMPARED:
        return rings
    kept = []
    for ring in rings:
        picked = np.linspace(0, len(ring) - 1, min(len(ring), WINDING_SAMPLES)).astype(int)
        places = (ring[picked] + np.roll(ring, -1, axis=0)[picked]) / 2
        outside = sum(_winding(other, places) for other in rings if other is not ring)
        around = round(float(np.median(outside)))
        following = np.roll(ring, -1, axis=0)
        twice_area = float((ring[:, 0] * following[:, 1] - ring[:, 1] * following[:, 0]).sum())
        if (around == 0) != (around + (1 if twice_area > 0 else -1) == 0):
            kept.append(ring)
    return kept or rings


def _winding(ring: Points, places: Points) -> NDArray[np.int64]:
    """How often a ring goes round each place, positive from x towards y."""
    start, end = ring[None], np.roll(ring, -1, axis=0)[None]
    x, y = places[:, 0, None], places[:, 1, None]
    up, down = (start[..., 1] <= y) & (end[..., 1] > y), (start[..., 1] > y) & (end[..., 1] <= y)
    side = (end[..., 0] - start[..., 0]) * (y - start[..., 1]) - (x - start[..., 0]) * (
        end[..., 1] - start[..., 1]
    )
    turns: NDArray[np.int64] = (up & (side > 0)).sum(axis=1) - (down & (side < 0)).sum(axis=1)
    return turns
