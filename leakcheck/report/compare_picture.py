"""Before and after side by side, laid onto each other, with the same numbers in both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from leakcheck.photo import display_image
from leakcheck.report.caption import caption, draw_caption, rows_of, strip_height
from leakcheck.report.compare_words import verdict
from leakcheck.report.labels import place_labels
from leakcheck.report.laid_on import View, seen_from
from leakcheck.report.picture import LARGEST_SIDE_PX, OPENING, RING_GAP, ring_round
from leakcheck.report.sheet import GREY, PALE, LineStyle, Polygon, Rgb, Sheet, label_size
from leakcheck.stages import way

if TYPE_CHECKING:
    from leakcheck.compare import Change, Comparison

SMALLEST_WIDTH_PX = 2000  # two photos beside each other
BETWEEN = 0.4  # between the two photos, units
ROOM = 0.06  # round the model, share of its longer side
# Colours that stay apart for every kind of colour vision, and differ in their dashes as well.
STYLES = {
    "gone": LineStyle("#9ff0b5", 0.14, 0.09, dashes=(0.35, 0.35)),
    "fainter": LineStyle("#6fe3ff", 0.15, 0.10),
    "unchanged": LineStyle("#ffffff", 0.15, 0.10),
    "brighter": LineStyle("#ffb347", 0.18, 0.12),
    "new": LineStyle("#ff8ad8", 0.18, 0.12),
    "cannot tell": LineStyle("#93a4b1", 0.14, 0.09, dashes=(0.8, 0.5)),
}
LEADER_WIDTH = 0.07


def side_by_side(comparison: Comparison, *, width_px: int | None = None) -> bytes:
    """The first and the last lights-on photo in one frame, leaks numbered in both, as PNG.

    Args:
        comparison: the result.
        width_px: of the whole picture; by default as wide as both photos.
    """
    first, last = comparison.stages[0], comparison.stages[-1]
    view = model_view(comparison)
    cols, rows = view.size
    width = width_px or max(2 * cols, SMALLEST_WIDTH_PX)
    width = min(width, LARGEST_SIDE_PX, 2 * LARGEST_SIDE_PX * cols // rows)
    gap = round(BETWEEN * width / 100)
    view = replace(view, scale=max((width - gap) // 2, 1) / cols)
    left = seen_from(display_image(first.on), view)
    moved = way(comparison.stages, 0, len(comparison.stages) - 1)
    right = seen_from(display_image(last.on), view, moved=moved)
    between = np.zeros((left.shape[0], gap, 3), np.uint8)
    return _drawn(comparison, np.hstack([left, between, right]), view, left.shape[1] + gap)


def model_view(comparison: Comparison) -> View:
    """The model with all leaks and some room, or the whole photo where nothing says where it is."""
    check = comparison.stages[0].check
    whole = np.array([check.on.width_px, check.on.height_px])
    rings = [ring for shape in check.openings if shape.kind == "model" for ring in shape.rings]
    if not rings:
        return View(0, 0, (int(whole[0]), int(whole[1])))
    rings += [outline_on_first(comparison, change) for change in comparison.changes]
    points = np.vstack(rings)
    room = ROOM * np.ptp(points, axis=0).max()
    low = np.clip(np.floor(points.min(axis=0) - room), 0, whole - 1).astype(int)
    high = np.clip(np.ceil(points.max(axis=0) + room), low + 1, whole).astype(int)
    return View(int(low[0]), int(low[1]), (int(high[0] - low[0]), int(high[1] - low[1])))


def _drawn(comparison: Comparison, picture: Rgb, view: View, offset: int) -> bytes:
    """Outlines, numbers and caption over the two photos."""
    states = {change.state for change in comparison.changes}
    key = [(style, state) for state, style in STYLES.items() if state in states]
    head = "TIGHT" if comparison.closed else "LEAKS"
    pieces = caption(f"{head}: {verdict(comparison)}", key, mm_per_unit=None)
    sheet = Sheet(picture, strip=strip_height(rows_of(pieces) + 1))
    names = (comparison.stages[0].name, comparison.stages[-1].name)
    for x, name in zip((0.0, float(offset)), names, strict=True):
        left = x + 1.8 * sheet.unit_px
        sheet.text(left, sheet.rows + 1.9 * sheet.unit_px, name, colour=PALE, bold=True)
    lit = [s for s in comparison.stages[0].check.openings if s.kind in ("window", "beacon")]
    clear = [view.to_picture(ring) for shape in lit for ring in shape.rings]
    sheet.outlines([ring + np.array([x, 0]) for ring in clear for x in (0, offset)], OPENING)
    outlines = [outline_on_first(comparison, change) for change in comparison.changes]
    gap_px = RING_GAP * sheet.unit_px / 2
    rings = [ring_round(view.to_picture(outline), gap_px) for outline in outlines]
    for x in (0, offset):
        _draw_side(sheet, comparison.changes, rings, clear, x, offset)
    draw_caption(sheet, pieces, first_row=1)
    return sheet.png()


def _draw_side(
    sheet: Sheet,
    changes: Sequence[Change],
    rings: Sequence[Polygon],
    keep_clear: Sequence[Polygon],
    x: int,
    offset: int,
) -> None:
    """The marks of one photo; numbers stand at the same places in both."""
    if not changes:
        return
    texts = [str(change.number) for change in changes]
    sizes = [(w * sheet.unit_px, h * sheet.unit_px) for w, h in map(label_size, texts)]
    shape = (sheet.rows, sheet.cols - offset)
    places = place_labels(list(rings), sizes, shape=shape, openings=keep_clear)
    for change, place in zip(changes, places, strict=True):
        style = STYLES[change.state]
        leader = LineStyle(style.colour, LEADER_WIDTH, style.casing / 2)
        sheet.lines([np.array([place.from_xy, place.to_xy]) + np.array([x, 0])], leader)
    for state, style in STYLES.items():
        of_state = [
            ring + np.array([x, 0])
            for change, ring in zip(changes, rings, strict=True)
            if change.state == state
        ]
        if of_state:
            sheet.outlines(of_state, style)
    for change, place, text in zip(changes, places, texts, strict=True):
        colour = STYLES[change.state].colour if change.state != "cannot tell" else GREY
        sheet.label(place.x + x, place.y, text, colour=colour)


def outline_on_first(comparison: Comparison, change: Change) -> Polygon:
    """A change's outline on the first lights-on photo."""
    finder = next(k for k, s in enumerate(comparison.stages) if s.name == change.shown_in)
    moved = way(comparison.stages, finder, 0)
    outline = np.asarray(change.outline, float)
    return outline if moved is None else moved(outline)
