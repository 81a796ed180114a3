"""Pages of hand-made results on drawn photos, for the tests that look at them in a browser."""

from __future__ import annotations

from dataclasses import replace

import cv2
import made_checks as made
import made_comparisons as pairs
import numpy as np

from leakcheck.report.html.check_page import check_page
from leakcheck.report.html.compare_page import compare_page

SHIFT = (12, -8)  # of the lights-off photo against the lights-on photo, px
GROUND, SHINE = 70, 230  # sRGB codes of the walls and of what is lit
HOSTILE = (
    '<script>alert("boo")</script>',
    "\"><img src=x onerror=alert('boo')>",
    "Fähre „Möwe“ & Söhne's {{ 7 * 7 }}",
    "نافذة الجسر 3",
    "abc\u202ecba",
    "w" * 300,
)


def moved():
    """A registration by a shift of whole pixels."""
    matrix = np.eye(3)
    matrix[:2, 2] = SHIFT
    return replace(made.check().registration, homography=matrix)


def photos(check):
    """Lights off and on: a cross on the wall in both, what is lit in the second alone."""
    on = np.full((made.HEIGHT_PX, made.WIDTH_PX, 3), GROUND, np.uint8)
    cv2.drawMarker(on, (800, 300), (20, 20, 20), cv2.MARKER_CROSS, 60, 9)
    off = np.roll(on, (SHIFT[1], SHIFT[0]), axis=(0, 1))
    for shape in check.openings:
        if shape.kind in ("window", "beacon"):
            cv2.fillPoly(on, [np.round(shape.rings[0]).astype(np.int32)], (SHINE, SHINE, 180))
    for leak in check.leaks:
        cv2.fillPoly(on, [np.round(leak.outline).astype(np.int32)], (SHINE,) * 3)
    return made.photo(off, name=check.off.name), made.photo(on, name=check.on.name)


def glow(check):
    """Added light of each leak, on a grid of half the photo's resolution."""
    light = np.zeros((made.HEIGHT_PX // 2, made.WIDTH_PX // 2), np.float32)
    for leak in check.leaks:
        cv2.fillPoly(light, [np.round(leak.outline / 2).astype(np.int32)], 5.0)
    return light


def checked(**changes):
    """The page of a leaking ferry, and its result."""
    check = made.check(registration=moved(), **changes)
    off, on = photos(check)
    return check_page(check, off=off, on=on, glow=glow(check)), check


def tight():
    check = made.tight(registration=moved(), lamps=made.lamps()[:2])
    off, on = photos(check)
    return check_page(check, off=off, on=on, glow=glow(check))


def hostile():
    """Names that would be markup, steer the direction of writing or burst a column."""
    leaks = [
        made.leak(k, made.circle(200 + 150 * k, 500, 8), where=f'above "{name}", 12 mm away')
        for k, name in enumerate(HOSTILE, start=1)
    ]
    shapes = [
        replace(made.openings()[0], name=name, rings=(made.box(100 * k, 600, 100 * k + 40, 640),))
        for k, name in enumerate(HOSTILE, start=1)
    ]
    lamps = [made.lamp(name, "dark", lit=False) for name in HOSTILE]
    off, on = (replace(made.facts("x"), name=name) for name in (HOSTILE[0], HOSTILE[3]))
    page, _ = checked(
        leaks=tuple(leaks), openings=tuple(shapes), lamps=tuple(lamps), off=off, on=on
    )
    return page


def compared():
    return compare_page(pairs.comparison())
