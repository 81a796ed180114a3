"""The marked photo and the glow map as PNG, to be looked at on a phone and sent on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray

from leakcheck.photo import display_image
from leakcheck.report.caption import (
    MARGIN,
    ROW,
    USABLE,
    caption,
    draw_caption,
    row_y,
    rows_of,
    strip_height,
)
from leakcheck.report.glow import (
    colour_bar_ticks,
    fill_grey,
    glow_colours,
    glow_over,
    glow_range,
)
from leakcheck.report.labels import place_labels
from leakcheck.report.lamp_table import faulty
from leakcheck.report.sheet import GREY, LineStyle, Polygon, Rgb, Sheet, label_size
from leakcheck.report.shown import openings_numbered, spill_shown
from leakcheck.report.words import added_light, verdict

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.diagnose import Leak
    from leakcheck.openings import Opening
    from leakcheck.photo import Image, Photo

# A smaller photo is enlarged: numbers must stay legible in it.
SMALLEST_WIDTH_PX = 1080
GLOW_SIDE_PX = 2400  # the added light is measured no finer
LARGEST_SIDE_PX = 20_000  # the renderer ends at 2^16, a picture for people long before

# Colours that stay apart for every kind of colour vision: pale blue, white, yellow.
LEAK = LineStyle("#6fe3ff", 0.24, 0.16)
SPILL = LineStyle("#ffffff", 0.10, 0.07, dashes=(0.5, 0.6))
LIKELY = LineStyle("#ffe08a", 0.09, 0.06, dashes=(0.3, 0.4))
OPENING = LineStyle("#ffe08a", 0.10, 0.06)
FAULTY = LineStyle("#ffe08a", 0.22, 0.14)  # an opening that is dark, dim, of the wrong colour...
IGNORED = LineStyle("#93a4b1", 0.10, 0.06, dashes=(0.3, 0.4))
MODEL = LineStyle("#93a4b1", 0.09, 0.04, dashes=(1.6, 0.8))
LEADER_WIDTH = 0.12

SHAPES = {
    "window": (OPENING, "opening"),
    "beacon": (OPENING, "opening"),
    "ignore": (IGNORED, "left out"),
    "model": (MODEL, "outline of the model"),
}

RING_GAP = 0.75  # from the leak's outline to the line round it, in units: the leak stays visible
MOST_KINDS_IN_LABELS = 10  # with more leaks than this, labels are numbers alone
MOST_LAMP_LABELS = 10  # with more faulty openings than this, their outlines must do

BAR_HEIGHT = 1.5
GLOW_ROWS = 3  # of the strip: title, bar, its numbers


@dataclass(frozen=True, eq=False)
class _Mark:
    """Something outlined and labelled in a picture."""

    ring: Polygon
    text: str
    style: LineStyle


def marked_picture(photo: Photo, check: Check, *, width_px: int | None = None) -> bytes:
    """The lights-on photo with numbered leaks outlined, as a PNG file.

    The photo's top left corner is the picture's; a strip with verdict, key and, where the scale
    is known, a scale bar lies below it.

    Args:
        photo: the lights-on photo.
        check: what was found in it.
        width_px: width of the picture; by default the photo's own, but at least 1,080 px.
    """
    picture = photo_picture(photo, width_px=picture_width_px(photo.encoded.shape, width_px))
    scale = picture.shape[1] / photo.encoded.shape[1]
    return _sheet(picture, check, _lamp_marks(check, scale), scale=scale).png()


def glow_picture(glow: Image, photo: Photo, check: Check, *, width_px: int | None = None) -> bytes:
    """The added light over the grey photo, with a colour bar, as a PNG file.

    Args:
        glow: (rows, cols), added light / room light on the same surface, over the whole of the
            lights-on photo at any resolution; not a number where nothing was measured.
        photo: the lights-on photo.
        check: what was found in it.
        width_px: as for `marked_picture`, but by default no side above 2,400 px.
    """
    rows, cols = photo.encoded.shape[:2]
    usual = cols * GLOW_SIDE_PX // max(rows, cols, GLOW_SIDE_PX)
    width = picture_width_px(photo.encoded.shape, width_px or max(usual, SMALLEST_WIDTH_PX))
    ground = photo_picture(photo, width_px=width)
    scale = width / photo.encoded.shape[1]
    low, high = glow_range(glow, check)
    picture = glow_over(ground, glow, low=low, high=high)
    for shape in lit_shapes(check):
        fill_grey(picture, [to_picture(ring, scale) for ring in shape.rings])
    sheet = _sheet(picture, check, [], scale=scale, extra_rows=GLOW_ROWS)
    _draw_colour_bar(sheet, low=low, high=high)
    return sheet.png()


def picture_width_px(photo_shape: tuple[int, ...], wanted: int | None) -> int:
    """The width to draw at for a photo of this shape (rows, cols, ...)."""
    rows, cols = photo_shape[:2]
    width = wanted or max(cols, SMALLEST_WIDTH_PX)
    return max(1, min(width, LARGEST_SIDE_PX, LARGEST_SIDE_PX * cols // rows))


def photo_picture(photo: Photo, *, width_px: int) -> Rgb:
    """The photo in sRGB, 8 bits, at this width."""
    rows, cols = photo.encoded.shape[:2]
    size = (width_px, max(1, round(rows * width_px / cols)))
    how = cv2.INTER_AREA if width_px < cols else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(display_image(photo), size, interpolation=how), np.uint8)


def to_picture(xy: NDArray[np.float64], scale: float) -> Polygon:
    """Photo px to picture px; both count from a pixel's centre."""
    return (np.asarray(xy, float) + 0.5) * scale - 0.5


def ring_round(outline: Polygon, gap_px: float) -> Polygon:
    """The line at a distance of `gap_px` outside a closed polygon, all in picture px."""
    margin = int(np.ceil(gap_px)) + 3
    corner = np.floor(outline.min(axis=0)) - margin
    size = np.ceil(outline.max(axis=0)) - corner + margin + 1
    outside = np.ones((int(size[1]), int(size[0])), np.uint8)
    points = np.round(outline - corner).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(outside, [points], 0)
    cv2.polylines(outside, [points], True, 0)
    distance = cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # Its last bit depends on where in memory the image lies; the squares are whole numbers.
    distance = np.sqrt(np.rint(np.square(distance, dtype=np.float64)))
    contours = contour_generator(z=distance).lines(gap_px)
    ring: Polygon = max((np.asarray(line) for line in contours), key=len)[:-1] + corner
    return ring


def _sheet(
    picture: Rgb, check: Check, lamps: list[_Mark], *, scale: float, extra_rows: int = 0
) -> Sheet:
    """The picture with openings, marks (also of these lamps), labels and caption drawn."""
    key = _key(check, lamps=bool(lamps))
    mm_per_unit = None
    if check.mm_per_px is not None:
        mm_per_unit = check.mm_per_px / scale * picture.shape[1] / 100
    pieces = caption(verdict(check), key, mm_per_unit=mm_per_unit)
    sheet = Sheet(picture, strip=strip_height(rows_of(pieces) + extra_rows))
    for shape in check.openings:
        sheet.outlines([to_picture(r, scale) for r in shape.rings], SHAPES[shape.kind][0])
    _draw_marks(sheet, _marks(check, sheet.unit_px, scale) + lamps, check, scale)
    draw_caption(sheet, pieces, first_row=extra_rows)
    return sheet


def _key(check: Check, *, lamps: bool) -> list[tuple[LineStyle, str]]:
    """What the lines mean, as far as they occur."""
    key = {LEAK: "leak"} if check.leaks else {}
    if check.spill:
        key[SPILL] = "spill, not a leak"
    if check.likely_openings:
        key[LIKELY] = "likely opening"
    if lamps:
        key[FAULTY] = "opening not as it should be"
    for shape in check.openings:
        style, text = SHAPES[shape.kind]
        key[style] = text
    return list(key.items())


def _marks(check: Check, unit_px: float, scale: float) -> list[_Mark]:
    """Rings and label texts, leaks first: they have the first choice of places."""
    brief = len(check.leaks) > MOST_KINDS_IN_LABELS
    numbered = {leak.number for leak in openings_numbered(check.likely_openings)}

    def ring(leak: Leak) -> Polygon:
        return ring_round(to_picture(leak.outline, scale), RING_GAP * unit_px)

    marks = []
    for leak in check.leaks:
        text = f"{leak.number}{'' if brief else f' {leak.kind}'}{' ?' if leak.doubtful else ''}"
        marks.append(_Mark(ring(leak), text, LEAK))
    marks += [_Mark(ring(leak), f"S{leak.number}", SPILL) for leak in spill_shown(check.spill)]
    for leak in check.likely_openings:
        text = f"O{leak.number}" if leak.number in numbered else ""
        # A window's own outline: a ring round it would run into those of its neighbours.
        marks.append(_Mark(to_picture(leak.outline, scale), text, LIKELY))
    return marks


def _lamp_marks(check: Check, scale: float) -> list[_Mark]:
    """The outlines of faulty openings, with the first finding of each where they are few."""
    brief = len(faulty(check.lamps)) > MOST_LAMP_LABELS
    # A check has a lamp for each window and beacon, in the same order.
    return [
        _Mark(to_picture(ring, scale), "" if brief or k else lamp.findings[0], FAULTY)
        for shape, lamp in zip(lit_shapes(check), check.lamps, strict=False)
        if lamp.fault
        for k, ring in enumerate(shape.rings)
    ]


def lit_shapes(check: Check) -> list[Opening]:
    """The windows and beacons."""
    return [shape for shape in check.openings if shape.kind in {"window", "beacon"}]


def _draw_marks(sheet: Sheet, marks: Sequence[_Mark], check: Check, scale: float) -> None:
    """Rings, leaders and labels; a mark without a text is a ring alone."""
    if not marks:
        return
    # Those with a label come first: what is named by its outline alone must not take its place.
    marks = sorted(marks, key=lambda mark: not mark.text)
    sizes = [label_size(mark.text) for mark in marks if mark.text]
    places = place_labels(
        [mark.ring for mark in marks],
        [(w * sheet.unit_px, h * sheet.unit_px) for w, h in sizes],
        shape=(sheet.rows, sheet.cols),
        openings=[to_picture(ring, scale) for s in lit_shapes(check) for ring in s.rings],
    )
    # Leaders first: a ring is whole, also where a leader ends at it.
    for mark, place in zip(marks, places, strict=False):
        leader = LineStyle(mark.style.colour, LEADER_WIDTH, mark.style.casing / 2)
        sheet.lines([np.array([place.from_xy, place.to_xy])], leader)
    for style in (LIKELY, FAULTY, SPILL, LEAK):
        sheet.outlines([mark.ring for mark in marks if mark.style is style], style)
    for mark, place in zip(marks, places, strict=False):
        sheet.label(place.x, place.y, mark.text, colour=mark.style.colour)


def _draw_colour_bar(sheet: Sheet, *, low: float, high: float) -> None:
    """Title, bar and its numbers on the first rows of the strip."""
    left, width = MARGIN * sheet.unit_px, USABLE * sheet.unit_px
    sheet.text(left, row_y(sheet, 0), "Light added to the room light on the same surface")
    bar = glow_colours()[np.linspace(0, 255, round(width)).astype(np.uint8)]
    height = round(BAR_HEIGHT * sheet.unit_px)
    middle = row_y(sheet, 1) - 0.2 * ROW * sheet.unit_px
    sheet.image(np.repeat(bar[None], height, axis=0), left, middle - height / 2)
    y = row_y(sheet, 2) - 0.35 * ROW * sheet.unit_px
    for value in colour_bar_ticks(low, high):
        share = np.log(value / low) / np.log(high / low)
        # Numbers at the ends stay on the sheet.
        align = "left" if share < 0.05 else "right" if share > 0.95 else "center"
        sheet.text(left + share * width, y, added_light(value), align=align, colour=GREY)
