"""The marked photo and the glow map as PNG, to be looked at on a phone and sent on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import matplotlib
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

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
from leakcheck.report.labels import place_labels
from leakcheck.report.lamp_table import faulty
from leakcheck.report.sheet import GREY, LineStyle, Polygon, Rgb, Sheet, label_size
from leakcheck.report.words import added_light, verdict

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.openings import Opening
    from leakcheck.photo import Image, Photo

# Enough for a large screen; more takes seconds and megabytes and shows nothing new.
DEFAULT_LONGER_SIDE_PX = 2400
# A smaller photo is enlarged: numbers must stay legible in it.
SMALLEST_WIDTH_PX = 1080
LARGEST_SIDE_PX = 20_000  # the renderer ends at 2^16, a picture for people long before

# Colours that stay apart for every kind of colour vision: pale blue, white, yellow.
LEAK = LineStyle("#6fe3ff", 0.24, 0.16)
SPILL = LineStyle("#ffffff", 0.10, 0.07, dashes=(0.5, 0.6))
LIKELY = LineStyle("#ffe08a", 0.16, 0.10, dashes=(0.3, 0.4))
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
MOST_SPILL_LABELS = 4  # with more spills than this, only doubtful ones are labelled
MOST_LAMP_LABELS = 10  # with more faulty openings than this, their outlines must do

# The glow map: added light / room light, as colours of a logarithmic scale.
GLOW_COLOURS = "inferno"
GLOW_START = 0.30  # the scale's first colour, so far into the map that it shows on the grey photo
GLOW_DECADES = 2.0  # at least this much from end to end
GLOW_TOP = 100.0  # a glow of a hundred times the room light is as bright as it gets here
GROUND_LIGHT = 0.45  # the grey photo under the glow, share of its own brightness
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
        width_px: width of the picture; by default the photo's own, but no side above 2,400 px
            and no width below 1,080 px.
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
        width_px: as for `marked_picture`.
    """
    width = picture_width_px(photo.encoded.shape, width_px)
    ground = photo_picture(photo, width_px=width)
    scale = width / photo.encoded.shape[1]
    low, high = glow_range(glow, check)
    picture = _glow_over(ground, glow, low=low, high=high)
    for shape in _lit_shapes(check):
        _fill_grey(picture, [_to_picture(ring, scale) for ring in shape.rings])
    sheet = _sheet(picture, check, [], scale=scale, extra_rows=GLOW_ROWS)
    _draw_colour_bar(sheet, low=low, high=high)
    return sheet.png()


def picture_width_px(photo_shape: tuple[int, ...], wanted: int | None) -> int:
    """The width to draw at for a photo of this shape (rows, cols, ...)."""
    rows, cols = photo_shape[:2]
    usual = min(cols, DEFAULT_LONGER_SIDE_PX * cols // max(rows, cols))
    width = wanted or max(usual, SMALLEST_WIDTH_PX)
    return max(1, min(width, LARGEST_SIDE_PX, LARGEST_SIDE_PX * cols // rows))


def photo_picture(photo: Photo, *, width_px: int) -> Rgb:
    """The photo in sRGB, 8 bits, at this width."""
    rows, cols = photo.encoded.shape[:2]
    size = (width_px, max(1, round(rows * width_px / cols)))
    how = cv2.INTER_AREA if width_px < cols else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(display_image(photo), size, interpolation=how), np.uint8)


def _to_picture(xy: NDArray[np.float64], scale: float) -> Polygon:
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
    contours: list[Polygon] = find_contours(distance, gap_px)  # type: ignore[no-untyped-call]
    ring: Polygon = max(contours, key=len)[:-1, ::-1] + corner
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
        sheet.outlines([_to_picture(r, scale) for r in shape.rings], SHAPES[shape.kind][0])
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
    many = len(check.spill) > MOST_SPILL_LABELS
    marks = []
    for leaks, style, prefix in (
        (check.leaks, LEAK, ""),
        (check.spill, SPILL, "S"),
        (check.likely_openings, LIKELY, "O"),
    ):
        for leak in leaks:
            ring = ring_round(_to_picture(leak.outline, scale), RING_GAP * unit_px)
            text = f"{prefix}{leak.number}"
            if style is LEAK and not brief:
                text = f"{text} {leak.kind}"
            elif style is SPILL and many and not leak.doubtful:
                text = ""
            marks.append(_Mark(ring, text, style))
    return marks


def _lamp_marks(check: Check, scale: float) -> list[_Mark]:
    """The outlines of faulty openings, with the first finding of each where they are few."""
    brief = len(faulty(check.lamps)) > MOST_LAMP_LABELS
    # A check has a lamp for each window and beacon, in the same order.
    return [
        _Mark(_to_picture(ring, scale), "" if brief or k else lamp.findings[0], FAULTY)
        for shape, lamp in zip(_lit_shapes(check), check.lamps, strict=False)
        if lamp.fault
        for k, ring in enumerate(shape.rings)
    ]


def _lit_shapes(check: Check) -> list[Opening]:
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
        openings=[_to_picture(ring, scale) for s in _lit_shapes(check) for ring in s.rings],
    )
    # Leaders first: a ring is whole, also where a leader ends at it.
    for mark, place in zip(marks, places, strict=False):
        leader = LineStyle(mark.style.colour, LEADER_WIDTH, mark.style.casing / 2)
        sheet.lines([np.array([place.from_xy, place.to_xy])], leader)
    for style in (LIKELY, FAULTY, SPILL, LEAK):
        sheet.outlines([mark.ring for mark in marks if mark.style is style], style)
    for mark, place in zip(marks, places, strict=False):
        sheet.label(place.x, place.y, mark.text, colour=mark.style.colour)


def glow_range(glow: Image, check: Check) -> tuple[float, float]:
    """The ends of the glow map's scale: the faintest that can be told, the brightest leak."""
    low = max(check.limit.pinhole_far.contrast, 1e-3)
    if not np.isfinite(low):
        low = 0.01
    finite = glow[np.isfinite(glow)]
    top = float(np.percentile(finite, 99.95)) if finite.size else low
    leaks = [leak.contrast for leak in check.leaks if np.isfinite(leak.contrast)]
    high = min(max([top, *leaks]), GLOW_TOP)
    return low, max(high, low * 10**GLOW_DECADES)


def _glow_over(ground: Rgb, glow: Image, *, low: float, high: float) -> Rgb:
    """Colours of the glow over the grey photo; stripes where nothing was measured."""
    unknown = ~np.isfinite(glow)
    light = _resized(np.where(unknown, 0, glow), ground.shape)
    step = np.log(np.maximum(light, low) / low) / np.log(high / low)
    colours = _glow_colours()[(np.clip(step, 0, 1) * 255).astype(np.uint8)]
    grey = cv2.cvtColor(ground, cv2.COLOR_RGB2GRAY)
    picture = np.repeat(grey[..., None] * np.float32(GROUND_LIGHT), 3, axis=2)
    # A cut at exactly the limit would draw noise as confetti: the colour comes in over a factor 2.
    share = np.clip((light - low) / low, 0, 1)[..., None]
    picture += share * (colours - picture)
    if unknown.any():
        striped = _resized(unknown, ground.shape) > 0.5
        _stripe(picture, striped, period_px=max(4, ground.shape[1] // 100))
    return picture.astype(np.uint8)


def _resized(values: NDArray[np.generic], shape: tuple[int, ...]) -> Image:
    """An array over the whole photo at the size of the picture."""
    size = (shape[1], shape[0])
    how = cv2.INTER_AREA if size[0] < values.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(values.astype(np.float32), size, interpolation=how), np.float32)


def _stripe(picture: NDArray[np.float32], where: NDArray[np.bool_], *, period_px: int) -> None:
    """Draw slanted grey stripes into the picture."""
    rows, cols = np.nonzero(where)
    on = (rows + cols) % period_px < period_px // 4
    picture[rows[on], cols[on]] = 90


def _fill_grey(picture: Rgb, rings: Sequence[Polygon]) -> None:
    """Take an opening's own light out of the glow map: it is meant to be there."""
    points = [np.round(ring).astype(np.int32).reshape(-1, 1, 2) for ring in rings]
    cv2.fillPoly(picture, points, (70, 78, 86))


def _glow_colours() -> NDArray[np.uint8]:
    """256 colours from faint to bright."""
    table = matplotlib.colormaps[GLOW_COLOURS](np.linspace(GLOW_START, 1, 256))
    return np.round(255 * table[:, :3]).astype(np.uint8)


def _draw_colour_bar(sheet: Sheet, *, low: float, high: float) -> None:
    """Title, bar and its numbers on the first rows of the strip."""
    left, width = MARGIN * sheet.unit_px, USABLE * sheet.unit_px
    sheet.text(left, row_y(sheet, 0), "Light added to the room light on the same surface")
    bar = _glow_colours()[np.linspace(0, 255, round(width)).astype(np.uint8)]
    height = round(BAR_HEIGHT * sheet.unit_px)
    middle = row_y(sheet, 1) - 0.2 * ROW * sheet.unit_px
    sheet.image(np.repeat(bar[None], height, axis=0), left, middle - height / 2)
    y = row_y(sheet, 2) - 0.35 * ROW * sheet.unit_px
    for value in colour_bar_ticks(low, high):
        share = np.log(value / low) / np.log(high / low)
        # Numbers at the ends stay on the sheet.
        align = "left" if share < 0.05 else "right" if share > 0.95 else "center"
        sheet.text(left + share * width, y, added_light(value), align=align, colour=GREY)


def colour_bar_ticks(low: float, high: float) -> list[float]:
    """Round values from low to high, a few of them, both ends included."""
    decades = np.log10(high / low)
    steps = (1, 2, 5) if decades < 2.5 else (1, 3) if decades < 4 else (1,)
    first = int(np.floor(np.log10(low)))
    values = [s * 10.0**p for p in range(first, first + 12) for s in steps]
    # Not within a tenth of an end: the numbers would run into each other.
    apart = (high / low) ** 0.1
    inner = [v for v in values if apart * low < v < high / apart]
    return [low, *inner, high]
