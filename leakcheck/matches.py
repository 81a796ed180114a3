"""Points of one frame found again in another, whatever the lamps do and however it was held."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2 as opencv
import numpy as np

from leakcheck.errors import RegistrationError
from leakcheck.motion import (
    TOO_PLAIN,
    Matrix,
    Points,
    agreed,
    displacement,
    project,
    rescale,
    unproject,
)
from leakcheck.photo import Mask
from leakcheck.texture import Texture, View, resized

cv2: Any = opencv  # its type hints know no images of floats

MAX_POINTS = 1200  # tracked; more only costs time
TILES = (6, 8)  # rows and columns of tiles, each with its share of points
MIN_POINTS = 12  # below that no model of motion can be doubted
LK_WINDOW = 21  # frame px
ROUND_TRIP_PX = 0.5  # a point that does not come back to itself was not tracked
STILL_PX = 0.5  # frame px: laid on so well, a texture need not be resampled for tracking
COARSE_INLIER_PX = 4.0  # coarse px: parallax of a hand-held pair must not look like an outlier


@dataclass(frozen=True, eq=False)
class Seen:
    """Points found in both frames."""

    laid: Texture  # the moving frame's texture as it was laid on
    start: Matrix  # homography that laid the moving frame on, ON frame px -> OFF frame px
    a: Points  # in the fixed frame, px
    z: Points  # where they show in the laid texture, px
    inner: Mask  # (n,) True on the model

    def on_model(self) -> tuple[Points, Points]:
        """Points on the model, ON frame px and OFF frame px."""
        return self.a[self.inner], project(self.start, self.z[self.inner])


def first_homography(moving: View, fixed: View) -> Matrix:
    """A first homography, ON frame px -> OFF frame px, from the cheapest way that holds."""
    if moving.texture.shape == fixed.texture.shape:
        direct = _direct(moving, fixed)
        if direct is not None:
            still = displacement(direct, np.eye(3), fixed.texture.shape) < STILL_PX
            return np.eye(3) if still else direct
    for detector in (cv2.ORB_create(3000), cv2.SIFT_create(3000, contrastThreshold=0.02)):
        found = _by_features(moving, fixed, detector)
        if found is not None:
            return found
    raise RegistrationError(
        "the two photos do not line up: too little of one is found in the other; photograph the "
        "same side from the same place, with enough room light that edges show in both"
    )


def _direct(moving: View, fixed: View) -> Matrix | None:
    """Track a coarse set of points from where they stand; None where too few hold together."""
    a = _corners(fixed.coarse, fixed.usable, 400)
    if len(a) < MIN_POINTS:
        return None
    b, good = _lk(fixed.coarse, moving.coarse, a, levels=4)
    if good.sum() < max(MIN_POINTS, 0.3 * len(a)):
        return None
    fit = cv2.findHomography
    matrix, inside = agreed(fit, a[good], b[good], cv2.USAC_MAGSAC, COARSE_INLIER_PX)
    if matrix is None or inside < max(MIN_POINTS, 0.3 * len(a)):
        return None
    return rescale(matrix, moving.step, fixed.step)


def _by_features(moving: View, fixed: View, detector: cv2.Feature2D) -> Matrix | None:
    """Match features in any turn and scale; None where too few agree."""
    norm = cv2.NORM_HAMMING if detector.descriptorType() == cv2.CV_8U else cv2.NORM_L2
    mask = fixed.usable.astype(np.uint8) * 255
    points_a, words_a = detector.detectAndCompute(fixed.coarse, mask)
    points_b, words_b = detector.detectAndCompute(moving.coarse, None)
    if words_a is None or words_b is None or min(len(words_a), len(words_b)) < MIN_POINTS:
        return None
    pairs = cv2.BFMatcher(norm).knnMatch(words_a, words_b, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.8 * p[1].distance]
    if len(good) < MIN_POINTS:
        return None
    a = np.array([points_a[m.queryIdx].pt for m in good])
    b = np.array([points_b[m.trainIdx].pt for m in good])
    fit = cv2.findHomography
    matrix, inside = agreed(fit, a, b, cv2.USAC_MAGSAC, COARSE_INLIER_PX, maxIters=5000)
    if matrix is None or inside < max(MIN_POINTS, 0.15 * len(good)):
        return None
    return rescale(matrix, moving.step, fixed.step)


def lay(texture: Texture, matrix: Matrix, shape: tuple[int, ...]) -> Texture:
    """The moving frame's texture as the fixed frame, (rows, cols), sees it; grey beyond it."""
    if texture.shape == shape and np.array_equal(matrix, np.eye(3)):
        return texture
    size = (shape[1], shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(texture, matrix, size, flags=flags, borderValue=128)
    return np.asarray(laid, np.uint8)


def shown(moving: tuple[int, ...], matrix: Matrix, shape: tuple[int, ...]) -> Mask:
    """True in the fixed frame, (rows, cols), where `lay` has all that it looks at."""
    # A cubic curve looks at two px to either side.
    low, right, bottom = 1.0, moving[1] - 3.0, moving[0] - 3.0
    corners = unproject(
        matrix, np.array([[low, low], [right, low], [right, bottom], [low, bottom]])
    )
    inside = np.zeros(shape, np.uint8)
    reach = 4.0 * max(shape)  # corners may lie far out, but their sixteenths must fit into 32 bits
    fixed_point = np.rint(np.clip(corners, -reach, reach) * 16).astype(np.int32)
    cv2.fillConvexPoly(inside, fixed_point, 1, shift=4)
    return inside.view(np.bool_)


def points_to_track(fixed: View, model: Mask | None) -> tuple[Points, Mask]:
    """Well spread corners of the fixed frame outside openings, and which are on the model.

    Returns: (n, 2) frame px, (n,) True on the model; all are where no model is given.
    """
    a = _corners(fixed.coarse, fixed.usable, MAX_POINTS if model is None else MAX_POINTS // 2)
    own = a
    if model is not None:
        # The window of a point near the outline would follow the background.
        rim = np.ones((LK_WINDOW, LK_WINDOW), np.uint8)
        inner = resized(cv2.erode(model.astype(np.uint8), rim) > 0, fixed.usable.shape)
        own = _corners(fixed.coarse, fixed.usable & inner, MAX_POINTS)
        x, y = np.rint(a).astype(int).T
        a = np.vstack([a[~inner[y, x]], own])
    return (a + 0.5) * fixed.step - 0.5, np.arange(len(a)) >= len(a) - len(own)


def track(moving: View, fixed: View, start: Matrix, points: tuple[Points, Mask]) -> Seen:
    """Points of the fixed frame found again in the moving one, laid on by a first homography."""
    a, on_model = points
    if on_model.sum() < MIN_POINTS:
        raise RegistrationError(TOO_PLAIN)
    laid = lay(moving.texture, start, fixed.texture.shape)
    z, good = _lk(fixed.texture, laid, a, levels=3)
    if (good & on_model).sum() < MIN_POINTS:
        raise RegistrationError(TOO_PLAIN)
    return Seen(laid, start, a[good], z[good], on_model[good])


def with_others(seen: Seen, fixed: View, others: Points) -> Seen:
    """The same points with others, that are not on the model, tracked from the same start."""
    if not len(others):
        return seen
    z, good = _lk(fixed.texture, seen.laid, others, levels=3)
    inner = np.concatenate([np.zeros(int(good.sum()), np.bool_), seen.inner])
    a, z = np.vstack([others[good], seen.a]), np.vstack([z[good], seen.z])
    return replace(seen, a=a, z=z, inner=inner)


def _corners(texture: Texture, usable: Mask, count: int) -> Points:
    """Corners of a texture, (n, 2), sought tile by tile: a plain model has its share of them."""
    area = float(usable.sum())
    spacing = max(4.0, 0.6 * float(np.sqrt(area / count)))
    found = []
    for y, x in np.ndindex(TILES):
        rows, cols = (
            slice(i * n // t, (i + 1) * n // t)
            for i, n, t in zip((y, x), texture.shape, TILES, strict=True)
        )
        mask = usable[rows, cols].astype(np.uint8)
        share = int(np.ceil(1.2 * count * mask.sum() / max(area, 1)))
        if share:
            tile = np.ascontiguousarray(texture[rows, cols])
            got = cv2.goodFeaturesToTrack(tile, share, 0.01, spacing, mask=mask, blockSize=5)
            if got is not None:
                found.append(got.reshape(-1, 2) + np.array([cols.start, rows.start]))
    return np.vstack(found).astype(float) if found else np.zeros((0, 2))


def _lk(a_image: Texture, b_image: Texture, a: Points, *, levels: int) -> tuple[Points, Mask]:
    """Lucas-Kanade there and back: positions in b, and which came back to themselves."""
    window = {"winSize": (LK_WINDOW, LK_WINDOW), "maxLevel": levels}
    start = a.astype(np.float32)[:, None]
    there, ok_there, _ = cv2.calcOpticalFlowPyrLK(a_image, b_image, start, None, **window)
    back, ok_back, _ = cv2.calcOpticalFlowPyrLK(b_image, a_image, there, None, **window)
    stray = np.hypot(*(back - start)[:, 0].T)
    good = (ok_there[:, 0] > 0) & (ok_back[:, 0] > 0) & (stray < ROUND_TRIP_PX)
    return there[:, 0].astype(float), good
