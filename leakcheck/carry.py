"""Openings drawn on one photo, carried to another photo of the same side of the model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import cv2
import numpy as np

from leakcheck.errors import RegistrationError
from leakcheck.lamp_pattern import Pattern, laid_by_lamps, pattern_of, shown
from leakcheck.motion import Matrix, Points, project, rescale
from leakcheck.openings import Opening, Openings, carried, label_map, model_mask
from leakcheck.photo import Frame, Mask, frame_to_photo_px, photo_to_frame_px
from leakcheck.register import Registration, register

MARGIN = 0.1  # round the openings, of their whole extent: hull and roof beside them
APART_PX = 3.0  # frame px from which texture and lit openings tell of different motions


def carried_to(frame: Frame, openings: Openings, drawn_on: Frame) -> tuple[Openings, Registration]:
    """The openings where they lie in another photo, and where each point went.

    The model alone says how it moved, as a wall or table behind it is further away; without its
    outline, what lies between and round the openings stands for it. The openings themselves are
    left out: in a row of alike bright panes one is taken for the next. But where their pattern as
    a whole shows better elsewhere, the model is laid on from there.

    Args:
        frame: the photo to carry them to.
        openings: in photo px of `drawn_on`.
        drawn_on: the photo they were drawn on.
    Raises: RegistrationError where the two photos cannot be laid onto each other.
    """
    shape = (drawn_on.light.shape[0], drawn_on.light.shape[1])
    labels = label_map(openings, shape=shape, scale=drawn_on.scale)
    lamps = np.isin(labels, [k + 1 for k, shape in enumerate(openings.shapes) if _lit(shape)])
    model = model_mask(openings, shape=shape, scale=drawn_on.scale)
    laid_on = partial(_laid_on, frame, drawn_on, labels > 0, model)
    pattern = pattern_of(drawn_on, lamps)
    start = None if pattern is None else laid_by_lamps(pattern, frame, drawn_on, lamps)
    if pattern is None or start is None:
        link = laid_on(None)
    else:
        there = rescale(start, frame.scale, drawn_on.scale)
        link = _best(
            laid_on,
            start,
            partial(_apart, openings, there, frame.scale),
            partial(_shown, pattern, frame, drawn_on),
        )
    return replace(carried(openings, link.on_to_off), photo=None, carried_over=True), link


def _lit(shape: Opening) -> bool:
    return shape.kind in ("window", "beacon")


def _best(
    laid_on: Callable[[Matrix | None], Registration],
    start: Matrix,
    disagree: Callable[[Registration], float],
    shown_by: Callable[[Callable[[Points], Points]], float],
) -> Registration:
    """The registration by the photos' texture, or from where the lit openings are found again."""
    try:
        link = laid_on(None)
    except RegistrationError:
        return laid_on(start)
    if disagree(link) < APART_PX:
        return link
    try:
        other = laid_on(start)
    except RegistrationError:
        return link
    return max(link, other, key=lambda each: shown_by(each.on_to_off))


def _apart(openings: Openings, start: Matrix, scale: int, link: Registration) -> float:
    """How far two motions put openings apart, frame px, all but a tenth of their outlines."""
    points = np.vstack([r for shape in openings.shapes if _lit(shape) for r in shape.rings])
    away = np.hypot(*(project(start, points) - link.on_to_off(points)).T)
    return float(np.nanpercentile(away, 90)) / scale


def _laid_on(
    frame: Frame, drawn_on: Frame, openings: Mask, model: Mask | None, start: Matrix | None
) -> Registration:
    """Where each point of the photo that the openings were drawn on lies in another one."""
    if model is not None:
        return register(frame, drawn_on, ignore=openings, model=model, start=start)
    try:
        near = _round_about(openings)
        return register(frame, drawn_on, ignore=openings, model=near, start=start)
    except RegistrationError:  # too little to go by there: all that both photos show counts
        return register(frame, drawn_on, ignore=openings, start=start)


def _shown(
    pattern: Pattern, frame: Frame, drawn_on: Frame, moved: Callable[[Points], Points]
) -> float:
    """`shown` for a motion in photo px."""

    def in_frames(xy: Points) -> Points:
        return photo_to_frame_px(moved(frame_to_photo_px(xy, drawn_on.scale)), frame.scale)

    return shown(pattern, frame, in_frames)


def _round_about(lit: Mask) -> Mask | None:
    """The openings' convex hull and a margin, (rows, cols); None where there are none."""
    rows, cols = np.nonzero(lit)
    if not len(rows):
        return None
    area = np.zeros(lit.shape, np.uint8)
    cv2.fillConvexPoly(area, cv2.convexHull(np.stack([cols, rows], axis=1).astype(np.int32)), 1)
    side = 1 + 2 * round(MARGIN * max(np.ptp(rows), np.ptp(cols)))
    return np.asarray(cv2.dilate(area, np.ones((side, side), np.uint8)) > 0)
