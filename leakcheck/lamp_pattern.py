"""Lit openings as a pattern that another photo of them must show: a first guess of its motion.

Courses of bricks and rows of planks look alike from one to the next, so a model that was set down
turned may be laid on by a brick too far. Its lit windows, taken all together, fit in one place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from leakcheck.light import luminance
from leakcheck.motion import Matrix, Points, agreed, bilinear, project, rescale
from leakcheck.photo import Frame, Image, Mask

COARSE_PX = 256  # long side at which the pattern is sought all over the photo
TURNS_DEGREES = (-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)  # of a model set down by hand
SCALES = (0.85, 0.92, 1.0, 1.08, 1.17)
RING = 1  # coarse px round an opening that must be darker than it
LIT = 0.05  # inside less round about, root of linear light: less is no lit opening
KEPT = 0.25  # of the pattern that must show again: exposures differ
TRIED = 4  # best turns and scales that are looked at more closely
SEEK_PX = 3  # coarse px that an opening may lie off the pattern by
ALIKE = 0.6  # correlation of an opening with itself in the other photo
LEAST_OPENINGS = 6  # that a motion of its own can be fitted to
ROW_PX = 6.0  # coarse px, spread across: less are openings in one row
AGREE_PX = 4.0  # coarse px: near and far openings move differently


@dataclass(frozen=True, eq=False)
class Pattern:
    """Where a photo is bright and where it is dark beside that, at coarse size."""

    weight: Image  # (rows, cols), above 0 in openings, below 0 round them, each sums up to 1
    step: float  # frame px per px
    strength: float  # in the photo itself: inside less round about, root of linear light


def pattern_of(frame: Frame, lamps: Mask) -> Pattern | None:
    """The pattern of a photo's lit openings; None where they are not lit.

    Args:
        frame: linear light.
        lamps: (rows, cols), True inside windows and beacons.
    """
    step = max(lamps.shape) / COARSE_PX
    inside = _coarse(lamps.astype(np.float32), step)
    ring = np.ones((2 * RING + 1, 2 * RING + 1), np.uint8)
    around = np.clip(cv2.dilate(inside, ring) - inside, 0, 1)
    if not inside.any() or not around.any():
        return None
    weight = np.asarray(inside / inside.sum() - around / around.sum(), np.float32)
    strength = float((weight * _coarse(_root(frame), step)).sum())
    return Pattern(weight, step, strength) if strength > LIT else None


def shown(pattern: Pattern, frame: Frame, moved: Callable[[Points], Points]) -> float:
    """How much of a pattern another photo shows where its points were moved to, 1 for all.

    Args:
        pattern: of the photo that the points are of.
        frame: the other photo.
        moved: frame px of the pattern's photo -> frame px of the other one.
    """
    rows, cols = np.nonzero(pattern.weight)
    at = moved(np.asarray((np.column_stack([cols, rows]) + 0.5) * pattern.step - 0.5, float))
    light = bilinear(_root(frame)[..., None], np.nan_to_num(at, nan=0.0))[:, 0]
    return float((pattern.weight[rows, cols] * light).sum()) / pattern.strength


def laid_by_lamps(pattern: Pattern, frame: Frame, drawn_on: Frame, lamps: Mask) -> Matrix | None:
    """A first homography that lays a pattern's openings onto the lights of another photo.

    Args:
        pattern: of `drawn_on`.
        frame: the other photo.
        drawn_on: the photo that the openings were drawn on.
        lamps: (rows, cols) of it, True inside windows and beacons.
    Returns: frame px of `drawn_on` -> frame px of `frame`; None where the pattern is not there.
    """
    step = max(frame.light.shape[:2]) / COARSE_PX
    light = _coarse(_root(frame), step)
    places = [
        _best_place(pattern.weight, light, turn, scale)
        for turn in TURNS_DEGREES
        for scale in SCALES
    ]
    places = sorted(places, key=lambda place: -place[0])[:TRIED]
    rough = [
        rescale(matrix, step, pattern.step)
        for fit, matrix in places
        if fit > KEPT * pattern.strength
    ]
    fine = [_by_openings(matrix, frame, drawn_on, lamps, step) for matrix in rough]
    return max(
        rough + fine,
        key=lambda matrix: shown(pattern, frame, lambda xy: project(matrix, xy)),
        default=None,
    )


def _root(frame: Frame) -> Image:
    """Root of luminance, (rows, cols): a clipped window must not outweigh all the others."""
    return np.sqrt(np.clip(luminance(frame.light), 0, 1))


def _coarse(image: Image, step: float) -> Image:
    size = (round(image.shape[1] / step), round(image.shape[0] / step))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)


def _best_place(weight: Image, light: Image, turn: float, scale: float) -> tuple[float, Matrix]:
    """Where a turned and scaled pattern fits best: how well, and pattern px -> light px."""
    rows, cols = np.nonzero(weight)
    middle = (float(cols.mean()), float(rows.mean()))
    spin = np.vstack([cv2.getRotationMatrix2D(middle, turn, scale), [0, 0, 1]])
    corners = np.array(
        [[x, y, 1] for x in (cols.min(), cols.max()) for y in (rows.min(), rows.max())]
    )
    box = (corners @ spin.T)[:, :2]
    low, high = np.floor(box.min(axis=0)) - 1, np.ceil(box.max(axis=0)) + 1
    spin = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]]) @ spin
    size = tuple(int(v) for v in high - low + 1)
    turned = cv2.warpAffine(weight, spin[:2], size)
    pad_x, pad_y = size[0] // 2, size[1] // 2
    padded = cv2.copyMakeBorder(light, pad_y, pad_y, pad_x, pad_x, cv2.BORDER_REPLICATE)
    if padded.shape[0] < size[1] or padded.shape[1] < size[0]:
        return 0.0, np.eye(3)
    fit = cv2.matchTemplate(padded, np.asarray(turned, np.float32), cv2.TM_CCORR)
    _, best, _, (x, y) = cv2.minMaxLoc(fit)
    move = np.array([[1, 0, x - pad_x], [0, 1, y - pad_y], [0, 0, 1.0]])
    return float(best) / scale**2, np.asarray(move @ spin, float)


def _by_openings(rough: Matrix, frame: Frame, drawn_on: Frame, lamps: Mask, step: float) -> Matrix:
    """A motion by each opening's own place; the rough one where too few are found again."""
    there, here = _root(frame), _root(drawn_on)
    laid = cv2.warpPerspective(
        there,
        rough,
        (lamps.shape[1], lamps.shape[0]),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    count, _, boxes, middles = cv2.connectedComponentsWithStats(lamps.astype(np.uint8))
    reach, margin = int(SEEK_PX * step), int(step) + 1
    a, b = [], []
    for k in range(1, count):
        left, top, width, height = (int(v) for v in boxes[k][:4])
        y, x = (
            slice(top - margin, top + height + margin),
            slice(left - margin, left + width + margin),
        )
        wide = (slice(y.start - reach, y.stop + reach), slice(x.start - reach, x.stop + reach))
        if min(wide[0].start, wide[1].start) < 0 or wide[0].stop > lamps.shape[0]:
            continue
        if wide[1].stop > lamps.shape[1]:
            continue
        fit = cv2.matchTemplate(laid[wide], here[y, x], cv2.TM_CCOEFF_NORMED)
        _, best, _, at = cv2.minMaxLoc(fit)
        if best > ALIKE:
            a.append(middles[k])
            b.append(middles[k] + np.array(at) - reach)
    if len(a) < LEAST_OPENINGS:
        return rough
    fitted, agree = _fitted(np.array(a), np.array(b), step)
    return rough if fitted is None or agree < LEAST_OPENINGS else np.asarray(rough @ fitted, float)


def _fitted(a: Points, b: Points, step: float) -> tuple[Matrix | None, int]:
    """The motion a -> b that most openings agree with, and how many; None, 0 where there is none.

    A homography, but a similarity for openings in one row: they fix nothing above and below it.
    """
    across = float(np.linalg.svd(a - a.mean(axis=0), compute_uv=False)[1]) / np.sqrt(len(a))
    if across > ROW_PX * step:
        return agreed(cv2.findHomography, a, b, cv2.USAC_MAGSAC, AGREE_PX * step)
    reach = {"method": cv2.RANSAC, "ransacReprojThreshold": AGREE_PX * step}
    matrix, agree = agreed(cv2.estimateAffinePartial2D, a, b, **reach)
    return (None if matrix is None else np.vstack([matrix, [0.0, 0.0, 1.0]])), agree
