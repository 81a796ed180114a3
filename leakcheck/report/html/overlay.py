"""Two photos laid onto each other with outlines and numbers over them, as a page shows them.

A number is a link of fixed size, so that it can be read and touched on a phone as well; it has two
places, one for a wide page and one for a phone, where the same photo has less room for it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from leakcheck.report.html.pictures import Embedded
from leakcheck.report.labels import Label, place_labels
from leakcheck.report.picture import ring_round
from leakcheck.report.sheet import Polygon

# CSS px: the photo on a wide page and on a phone, and a number's plate there (`.mark`).
WIDE_PX, TALLEST_PX, NARROW_PX = 1150.0, 720.0, 350.0
WIDE_PLATE = (26.0, 26.0, 9.0)  # least width, height, width of a letter
NARROW_PLATE = (24.0, 24.0, 8.5)
LONGEST_LEADER_PX = 64.0  # on a phone: a number further from its place does not point at it
LETTERS_WITHIN = 2  # that the least width holds
RING_GAP_PX = 7.0  # CSS px on a wide page from a leak to the line round it
DETAIL = 1 / 3000  # of the photo's longer side: an outline need not be finer


@dataclass(frozen=True)
class Line:
    """An outline over the photo."""

    path: str  # SVG path data, photo px
    style: str  # class in style.css
    layer: str  # what it is switched on and off with
    to: str = ""  # id that a click on it leads to
    colour: str = ""
    dashes: str = ""


@dataclass(frozen=True, eq=False)
class Wanted:
    """A number that needs a place."""

    ring: Polygon  # what it belongs to, photo px
    id: str
    to: str  # id that it leads to
    text: str
    label: str  # for those who hear the page
    layer: str
    colour: str = ""


@dataclass(frozen=True)
class Mark:
    """A number over the photo; places in per cent of the photo."""

    id: str
    to: str
    text: str
    label: str
    layer: str
    colour: str
    x: float
    y: float
    leader: str  # SVG path data
    narrow_x: float
    narrow_y: float
    narrow_leader: str
    crowded: bool  # no room for it on a phone


@dataclass(frozen=True)
class KeyEntry:
    """What a line means."""

    style: str
    text: str
    colour: str = ""
    dashes: str = ""


@dataclass(frozen=True)
class Stage:
    """All of the photo's part of a page: what the macro `photo` draws."""

    label: str
    lower: Embedded
    lower_alt: str
    upper: Embedded
    upper_alt: str
    glow: Embedded | None
    view_box: str
    ratio: float
    lines: Sequence[Line]
    marks: Sequence[Mark]
    dimmer: str  # name of the slider
    ends: tuple[str, str]  # of the slider
    switches: Sequence[tuple[str, str, bool]]  # layer, text, shown at first
    key: Sequence[KeyEntry]


@dataclass(frozen=True)
class Crop:
    """A picture of one place."""

    picture: Embedded
    alt: str
    caption: str
    ratio: float
    view_box: str = ""
    path: str = ""


def view_box(left: float, top: float, size: tuple[int, int]) -> str:
    """The SVG view on a part of the photo: pixel centres are whole numbers."""
    return f"{left - 0.5:g} {top - 0.5:g} {size[0]} {size[1]}"


def path_of(ring: Polygon, *, detail_px: float) -> str:
    """A closed polygon as SVG path data, with no more points than `detail_px` asks for."""
    whole = np.asarray(ring, np.float32).reshape(-1, 2)
    fewer = cv2.approxPolyDP(whole.reshape(-1, 1, 2), detail_px, True).reshape(-1, 2)
    points = fewer if len(fewer) >= 3 else whole
    return "M" + "L".join(f"{x:.5g} {y:.5g}" for x, y in points) + "Z"


def detail_of(size: tuple[int, int]) -> float:
    """How fine outlines over a photo of this size (columns, rows) are drawn, photo px."""
    return max(size) * DETAIL


def ring_of(outline: Polygon, size: tuple[int, int]) -> Polygon:
    """The line round a leak on a photo of this size (columns, rows), all in photo px."""
    unit = _photo_px_per_css(size, WIDE_PX)
    # Drawn as if the photo were as wide as the page: the distance is found on pixels.
    ring = ring_round((outline + 0.5) / unit - 0.5, RING_GAP_PX)
    return (ring + 0.5) * unit - 0.5


def placed(
    wanted: Sequence[Wanted],
    size: tuple[int, int],
    *,
    keep_clear: Sequence[Polygon] = (),
) -> list[Mark]:
    """A place for every number, on a wide page and on a phone.

    Args:
        wanted: the first has the first choice of places.
        size: columns and rows of the photo.
        keep_clear: openings, better not covered, photo px.
    """
    wide = _places(wanted, size, _photo_px_per_css(size, WIDE_PX), WIDE_PLATE, keep_clear)
    narrow = _places(wanted, size, _photo_px_per_css(size, NARROW_PX), NARROW_PLATE, keep_clear)
    crowded = _crowded(narrow, size)
    return [
        Mark(
            id=each.id,
            to=each.to,
            text=each.text,
            label=each.label,
            layer=each.layer,
            colour=each.colour,
            x=_percent(place.x, size[0]),
            y=_percent(place.y, size[1]),
            leader=_leader(place),
            narrow_x=_percent(small.x, size[0]),
            narrow_y=_percent(small.y, size[1]),
            narrow_leader=_leader(small),
            crowded=full,
        )
        for each, place, small, full in zip(wanted, wide, narrow, crowded, strict=True)
    ]


def _photo_px_per_css(size: tuple[int, int], page_px: float) -> float:
    """Photo px per CSS px where the page leaves the photo `page_px` of width."""
    return size[0] / min(page_px, TALLEST_PX * size[0] / size[1])


def _places(
    wanted: Sequence[Wanted],
    size: tuple[int, int],
    unit: float,
    plate: tuple[float, float, float],
    keep_clear: Sequence[Polygon],
) -> list[Label]:
    """Places in photo px, found in CSS px."""
    least, height, letter = plate
    sizes = [(least + letter * max(len(each.text) - LETTERS_WITHIN, 0), height) for each in wanted]
    found = place_labels(
        [each.ring / unit for each in wanted],
        sizes,
        shape=(round(size[1] / unit), round(size[0] / unit)),
        openings=[ring / unit for ring in keep_clear],
    )
    return [
        Label(
            label.x * unit,
            label.y * unit,
            (label.from_xy[0] * unit, label.from_xy[1] * unit),
            (label.to_xy[0] * unit, label.to_xy[1] * unit),
        )
        for label in found
    ]


def _crowded(places: Sequence[Label], size: tuple[int, int]) -> list[bool]:
    """True for each number that finds no room on a phone: on an earlier one, or far off."""
    unit = _photo_px_per_css(size, NARROW_PX)
    apart, longest = NARROW_PLATE[0] * unit, LONGEST_LEADER_PX * unit
    kept: list[tuple[float, float]] = []
    result = []
    for place in places:
        near = any(max(abs(place.x - x), abs(place.y - y)) < apart for x, y in kept)
        (x0, y0), (x1, y1) = place.from_xy, place.to_xy
        full = near or math.hypot(x1 - x0, y1 - y0) > longest
        result.append(full)
        if not full:
            kept.append((place.x, place.y))
    return result


def _leader(label: Label) -> str:
    (x0, y0), (x1, y1) = label.from_xy, label.to_xy
    return f"M{x0:.5g} {y0:.5g}L{x1:.5g} {y1:.5g}"


def _percent(place: float, whole: int) -> float:
    return round(100 * (place + 0.5) / whole, 2)
