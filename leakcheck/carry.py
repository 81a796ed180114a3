"""Openings drawn on one photo, carried to another photo of the same side of the model."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from leakcheck.errors import RegistrationError
from leakcheck.openings import Openings, carried, label_map, model_mask
from leakcheck.photo import Frame, Mask
from leakcheck.register import Registration, register

MARGIN = 0.1  # round the openings, of their whole extent: hull and roof beside them


def carried_to(frame: Frame, openings: Openings, drawn_on: Frame) -> tuple[Openings, Registration]:
    """The openings where they lie in another photo, and where each point went.

    The model alone says how it moved, as a wall or table behind it is further away; without its
    outline, what lies between and round the openings stands for it. The openings themselves are
    left out: in a row of alike bright panes one is taken for the next.

    Args:
        frame: the photo to carry them to.
        openings: in photo px of `drawn_on`.
        drawn_on: the photo they were drawn on.
    Raises: RegistrationError where the two photos cannot be laid onto each other.
    """
    shape = (drawn_on.light.shape[0], drawn_on.light.shape[1])
    lit = label_map(openings, shape=shape, scale=drawn_on.scale) > 0
    model = model_mask(openings, shape=shape, scale=drawn_on.scale)
    if model is not None:
        link = register(frame, drawn_on, ignore=lit, model=model)
    else:
        try:
            link = register(frame, drawn_on, ignore=lit, model=_round_about(lit))
        except RegistrationError:  # too little to go by there: all that both photos show counts
            link = register(frame, drawn_on, ignore=lit)
    return replace(carried(openings, link.on_to_off), photo=None, carried_over=True), link


def _round_about(lit: Mask) -> Mask | None:
    """The openings' convex hull and a margin, (rows, cols); None where there are none."""
    rows, cols = np.nonzero(lit)
    if not len(rows):
        return None
    area = np.zeros(lit.shape, np.uint8)
    cv2.fillConvexPoly(area, cv2.convexHull(np.stack([cols, rows], axis=1).astype(np.int32)), 1)
    side = 1 + 2 * round(MARGIN * max(np.ptp(rows), np.ptp(cols)))
    return np.asarray(cv2.dilate(area, np.ones((side, side), np.uint8)) > 0)
