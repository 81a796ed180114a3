"""The unlit photo laid onto the lit one; where the two overlap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2 as opencv
import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import RegistrationError
from leakcheck.light import median
from leakcheck.matches import (
    LK_WINDOW,
    MIN_POINTS,
    ROUND_TRIP_PX,
    STILL_PX,
    Seen,
    first_homography,
    lay,
    points_to_track,
    shown,
    track,
    with_others,
)
from leakcheck.motion import (
    LARGEST_SPREAD_PX,
    TOO_PLAIN,
    Matrix,
    Points,
    Vector,
    bilinear,
    displacement,
    distance,
    fundamental,
    homography,
    project,
    rescale,
    reweighted,
    robust_homography,
    scaling,
    similarity,
    split,
    unproject,
)
from leakcheck.parallax import CELL, Parallax, parallax
from leakcheck.photo import Frame, Image, Mask, Photo, frame_scale, linear_light
from leakcheck.texture import View, agreement, any_channel, fine_texture, resized, view_of
from leakcheck.threads import both, side_by_side

cv2: Any = opencv  # its type hints know no images of floats

# Median and 95th percentile: smaller shifts cannot be told from what the lamps do to edges.
IDENTITY_PX = (0.1, 0.25)
TRIPOD_PX = 1.0  # a pair said to line up may be off by no more
CELL_AGREES = 0.5  # correlation of a cell that agrees
FALSE_SHIFTS = ((37, 0), (0, 41))  # coarse px: to see what chance gives
MIN_CELLS = 12
# Share of cells that agree, less what chance gives. All over the photo right pairs reach 0.13 and
# more, pairs of different things 0.05 and less; on the model, where windows in rows repeat, 0.32
# and 0.23.
MIN_LEAD = 0.1
MIN_LEAD_ON_MODEL = 0.26
MAX_RESIDUAL_PX = 8.0  # frame px: what is known no better is not known
MIN_OVERLAP = 0.25  # less is another view, not another photo of the same one
MAX_DRIFT_PX = 0.5  # a model that moved on a still bench moves by more
PARALLAX_NOISES = 2.0  # spread along epipolar lines / across; up to 1.8 where there is none
MIN_PARALLAX_PX = 0.25
SUPPORT = 3  # points that must lie further out than the range of distances to be searched
MUST_LEAVE = 0.97  # of the textures' difference; fitted to mere noise, a mesh leaves 0.98
RAYLEIGH_68 = 1.07  # 68th percentile / root mean square of a two-dimensional normal error


@dataclass(frozen=True, eq=False)
class Registration:
    """Where each point of the lights-on photo lies in the lights-off photo."""

    homography: NDArray[np.float64]  # (3, 3): ON photo px -> OFF photo px
    # Parallax that the homography leaves, sampled on a grid of ON photo pixels; None where
    # the homography is enough.
    shift_px: Image | None  # (grid rows, grid cols, 2): x and y to add in OFF photo px
    shift_step_px: float  # ON photo px between grid points; the first grid point is at (0, 0)
    residual_px: float  # 68th percentile of the error to expect where it counts, in ON photo px
    overlap: float  # share of the ON photo that the OFF photo covers
    points: int  # how many points agree
    how: str  # one sentence: what it rests on
    residual_grid_px: Image | None = None  # (grid rows, grid cols): residual_px place by place

    @property
    def identity(self) -> bool:
        """True where the two photos line up pixel by pixel, so that nothing is resampled."""
        return self.shift_px is None and bool(np.array_equal(self.homography, np.eye(3)))

    def on_to_off(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Positions in the lights-on photo as positions in the lights-off photo.

        Args:
            xy: (n, 2), x and y in ON photo pixels.
        Returns: (n, 2), x and y in OFF photo pixels.
        """
        xy = np.asarray(xy, float).reshape(-1, 2)
        off = project(self.homography, xy)
        if self.shift_px is not None:
            off = off + bilinear(self.shift_px, xy / self.shift_step_px)
        return off


def register(
    off: Frame | Photo,
    on: Frame | Photo,
    *,
    ignore: Mask | None = None,
    model: Mask | None = None,
    tripod: bool = False,
    start: Matrix | None = None,
) -> Registration:
    """Find where each point of one photo lies in another of the same thing.

    Args:
        off: the photo to be laid on (any size, crop and orientation), or its frame.
        on: the photo that stays as it is, or its frame.
        ignore: (rows, cols) of `on`, True where its look changes for other reasons (openings).
        model: (rows, cols) of `on`, True inside the model's outline. What lies outside
            is at another depth and moves differently; None: all that can be matched counts.
        tripod: the two are said to line up already; this is only checked.
        start: a first homography, frame px of `on` -> frame px of `off`, where one is known.
    Returns: the registration, in photo px.
    Raises: RegistrationError where the two cannot be laid onto each other with trust.
    """
    off, on = _frame(off), _frame(on)
    cv2.setRNGSeed(7)  # USAC draws at random: the same pair must give the same answer
    fixed, moving = side_by_side(lambda f: view_of(*f), ((on, ignore), (off, None)))
    seen = _seen(moving, fixed, model, tripod=tripod, start=start)
    same = moving.texture.shape == fixed.texture.shape and off.scale == on.scale
    matrix, kind = _checked_tripod(seen) if tripod else _simplest(seen, may_be_same=same)
    overlap = _overlap(matrix, off.light.shape, on.light.shape)
    if overlap < MIN_OVERLAP:
        raise RegistrationError(
            f"the two photos do not line up (overlap {100 * overlap:.0f} %); photograph the same "
            "side from the same place"
        )
    # OpenCV draws at random for each thread by itself: the second one is at home in this thread.
    _, mesh = both(
        lambda: _trust(moving, fixed, matrix, model),
        lambda: _worthwhile_parallax(moving, fixed, seen, kind, model),
    )
    matrix = seen.start if mesh is not None else matrix
    a, b = seen.on_model()
    left = unproject(matrix, b) - a
    if mesh is not None:
        left -= bilinear(mesh.shift, a / CELL)
    miss = np.hypot(*left.T)
    kept = miss < np.clip(4 * median(miss), ROUND_TRIP_PX, 4 * LARGEST_SPREAD_PX)
    residual = _shared_residual(a[kept], left[kept])
    if mesh is not None:
        # Points stand where texture is; the mesh also says what to expect between them.
        residual = max(residual, mesh.typical)
    if residual > MAX_RESIDUAL_PX:
        raise RegistrationError(
            f"the two photos do not line up (to {residual * on.scale:.0f} px at best); photograph "
            "the same side from the same place, best from a tripod"
        )
    return Registration(
        homography=rescale(matrix, off.scale, on.scale),
        shift_px=None if mesh is None else _off_shift(mesh.shift, matrix) * np.float32(off.scale),
        shift_step_px=float(CELL * on.scale),
        residual_px=residual * on.scale,
        overlap=overlap,
        points=int(kept.sum()),
        how=_how(kind, int(kept.sum()), model is not None, mesh, moving.dark or fixed.dark),
        residual_grid_px=None if mesh is None else mesh.residual * np.float32(on.scale),
    )


def _seen(
    moving: View, fixed: View, model: Mask | None, *, tripod: bool, start: Matrix | None
) -> Seen:
    """Points found in both frames, after the moving one was laid on as well as they tell."""
    if tripod and moving.texture.shape != fixed.texture.shape:
        raise RegistrationError("the two photos differ in size; leave out --tripod")
    points = points_to_track(fixed, model)
    if tripod:
        return track(moving, fixed, np.eye(3), points)
    # Those on the model tell how to lay it on; the others are tracked once that is known.
    at, on_model = points
    own = at[on_model], on_model[on_model]
    seen = track(moving, fixed, first_homography(moving, fixed) if start is None else start, own)
    better = reweighted(*seen.on_model(), robust_homography(*seen.on_model()), homography)
    if displacement(better, seen.start, fixed.texture.shape) > STILL_PX:
        # What was lost the first time is seldom found the second, and takes the longest.
        again = np.vstack([at[~on_model], seen.a])
        return track(moving, fixed, better, (again, np.arange(len(again)) >= (~on_model).sum()))
    return with_others(seen, fixed, at[~on_model])


def _frame(photo: Frame | Photo) -> Frame:
    """A photo's light at the resolution it is measured at; a frame is that already."""
    if isinstance(photo, Frame):
        return photo
    rows, cols = photo.encoded.shape[:2]
    return linear_light(photo, scale=frame_scale(rows, cols))


def _how(kind: str, points: int, on_model: bool, mesh: Parallax | None, dark: bool) -> str:
    """One sentence on what a registration rests on."""
    where = "on the model" if on_model else "all over the photo"
    moved = {
        "identity": "the photos line up as they are",
        "whole": "the whole picture moved as one",
        "similarity": "shifted and turned",
        "homography": "the camera moved",
    }[kind]
    if mesh is not None:
        moved = "the camera moved, and near parts of the scene moved further than distant ones"
    little = "; the photos are nearly black, so this rests on little" if dark else ""
    return f"{points} points {where} agree: {moved}{little}."


def warp_off(
    off: Frame, registration: Registration, *, on_shape: tuple[int, int], on_scale: int
) -> tuple[Image, Mask, Mask]:
    """The unlit photo's light as seen from where the lit photo was taken.

    Args:
        off: the unlit frame.
        registration: of this pair.
        on_shape: (rows, cols) of the lit frame.
        on_scale: photo px per px of the lit frame.
    Returns: light (rows, cols, 3), linear; overlap (rows, cols), True where the unlit photo
        covers the lit one; clipped (rows, cols), True where it is no measurement in any channel.
    """
    clipped = any_channel(off.clipped)
    if registration.identity and off.light.shape[:2] == on_shape and off.scale == on_scale:
        return off.light, np.ones(on_shape, np.bool_), clipped > 0
    map_x, map_y = _maps(off.scale, registration, on_shape, on_scale)
    light = cv2.remap(off.light, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    np.maximum(light, 0, out=light)  # cubic weights may swing below zero beside a bright edge
    rows, cols = off.light.shape[:2]
    overlap = (map_x >= 0) & (map_x <= cols - 1) & (map_y >= 0) & (map_y <= rows - 1)
    # A pixel blended from a clipped one is no measurement either.
    grown = cv2.dilate(clipped, np.ones((3, 3), np.uint8))
    return light, overlap, cv2.remap(grown, map_x, map_y, cv2.INTER_NEAREST) > 0


def _maps(
    off_scale: int, registration: Registration, on_shape: tuple[int, int], on_scale: int
) -> tuple[Image, Image]:
    """Where each ON frame pixel lies in the OFF frame: x and y, (rows, cols) each."""
    rows, cols = on_shape
    matrix = _from_photo(registration.homography, off_scale, on_scale)
    h = np.asarray(matrix / matrix[2, 2], np.float32)
    x = np.arange(cols, dtype=np.float32)
    y = np.arange(rows, dtype=np.float32)[:, None]
    depth = h[2, 0] * x + (h[2, 1] * y + 1)
    map_x = (h[0, 0] * x + (h[0, 1] * y + h[0, 2])) / depth
    map_y = (h[1, 0] * x + (h[1, 1] * y + h[1, 2])) / depth
    if registration.shift_px is not None:
        pace = on_scale / registration.shift_step_px
        corner = (0.5 * on_scale - 0.5) / registration.shift_step_px
        place = np.array([[pace, 0, corner], [0, pace, corner]])
        shift = cv2.warpAffine(
            registration.shift_px / np.float32(off_scale),
            place,
            (cols, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        map_x += shift[..., 0]
        map_y += shift[..., 1]
    return map_x, map_y


def _simplest(seen: Seen, *, may_be_same: bool) -> tuple[Matrix, str]:
    """The motion with the fewest parameters that explains the points on the model as well as any.

    A camera that only turned moves the whole picture by one homography, which all points
    together fix better than those on the model alone; that one costs no parameter of its own.
    """
    a, b = seen.on_model()
    whole_a, whole_b = seen.a, project(seen.start, seen.z)
    whole = reweighted(whole_a, whole_b, robust_homography(whole_a, whole_b), homography)
    full = reweighted(a, b, robust_homography(a, b), homography)
    few = reweighted(a, b, similarity(a, b, np.ones(len(a))), similarity)
    models = [(whole, "whole", 0), (few, "similarity", 4), (full, "homography", 8)]
    spread = max(1.4826 * median(distance(full, a, b)), 0.02)

    def score(matrix: Matrix, parameters: int) -> float:
        # Cauchy's log-likelihood, halved because neighbouring points share their errors,
        # and Schwarz's price of a parameter (1978, doi:10.1214/aos/1176344136).
        fit = float(np.log1p((distance(matrix, a, b) / (2 * spread)) ** 2).sum())
        return 2 * fit + parameters * float(np.log(len(a)))

    matrix, kind, _ = min(models, key=lambda m: score(m[0], m[2]))
    if may_be_same:
        still = [m for m in (matrix, whole) if (_percentiles(m, a) < IDENTITY_PX).all()]
        drift = float(np.hypot(*np.median(b - a, axis=0)))
        if still and drift < MAX_DRIFT_PX:
            return np.eye(3), "identity"
    return matrix, kind


def _percentiles(matrix: Matrix, a: Points) -> Vector:
    """Median and 95th percentile of how far a homography moves points, px."""
    return np.asarray(np.percentile(distance(matrix, a, a), (50, 95)), float)


def _checked_tripod(seen: Seen) -> tuple[Matrix, str]:
    """Identity, if the points agree with it."""
    off_by = median(np.hypot(*(seen.z - seen.a).T))
    if off_by > TRIPOD_PX:
        raise RegistrationError(
            f"the two photos are {off_by:.1f} px apart, so the camera moved; leave out --tripod"
        )
    return np.eye(3), "identity"


def _worthwhile_parallax(
    moving: View, fixed: View, seen: Seen, kind: str, model: Mask | None
) -> Parallax | None:
    """The shift by depth, where the textures bear out that it improves on the homography.

    It is looked for where groups of points are spread along their epipolar lines more than
    across them, or where the model moved differently from the whole picture.
    """
    if kind == "identity" or len(seen.a) < 2 * MIN_POINTS:
        return None
    lines = fundamental(seen.a, seen.z)
    a, z = seen.a[seen.inner], seen.z[seen.inner]
    along, across = (_agreed(a, part) for part in split(lines, a, z))
    spread, noise = (np.percentile(np.abs(part), (80, 90)) for part in (along, across))
    deep = (spread > MIN_PARALLAX_PX) & (spread > PARALLAX_NOISES * noise)
    if kind != "homography" and not deep.any():
        return None
    low, high = np.sort(along[np.abs(across) < max(3 * noise[0], 1.0)])[[SUPPORT, -1 - SUPPORT]]
    counts = resized(fixed.usable, fixed.texture.shape)
    if model is not None:
        counts &= model
    counts &= shown(moving.texture.shape, seen.start, counts.shape)
    textures = side_by_side(fine_texture, (fixed, moving))
    laid = lay(textures[1], seen.start, counts.shape)
    mesh = parallax(textures[0], laid, counts, lines, (float(low), float(high)))
    return mesh if mesh.left < MUST_LEAVE else None


def _agreed(at: Points, value: Vector) -> Vector:
    """The median of each point's value and its four nearest neighbours': lone ones are noise."""
    near = np.argpartition(_squared(at), min(5, len(at)) - 1, axis=1)[:, :5]
    return np.asarray(np.median(value[near], axis=1), float)


def _squared(at: Points) -> Vector:
    """Squared distance of each point from each, (n, n), px: for a few thousand points."""
    x, y = at.T
    return np.asarray((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2, float)


def _off_shift(shift: Image, matrix: Matrix) -> Image:
    """A shift before the homography (ON px) as one to be added after it (OFF px)."""
    rows, cols = shift.shape[:2]
    y, x = np.mgrid[0:rows, 0:cols] * float(CELL)
    at = np.column_stack([x.ravel(), y.ravel()])
    moved = project(matrix, at + shift.reshape(-1, 2)) - project(matrix, at)
    return moved.reshape(rows, cols, 2).astype(np.float32)


def _shared_residual(at: Points, left: Points) -> float:
    """68th percentile of the error to expect, px: what neighbouring points have left in common.

    Each point's own tracking noise is no error of the registration. It drops out of the mean
    product of what is left at two points that are near, but whose windows do not overlap.
    """
    apart = _squared(at)
    near = (apart > LK_WINDOW**2) & (apart <= (4 * LK_WINDOW) ** 2)
    pairs = np.argwhere(np.triu(near))
    own = float((left**2).sum(axis=1).mean())
    if len(pairs) < MIN_POINTS:
        return float(np.sqrt(own))
    shared = float((left[pairs[:, 0]] * left[pairs[:, 1]]).sum(axis=1).mean())
    # A mean of n points is uncertain by their noise / n, whatever they have in common.
    variance = max(shared, 0.0) + 8 * own / len(at)
    return RAYLEIGH_68 * float(np.sqrt(min(variance, own)))


def _trust(moving: View, fixed: View, matrix: Matrix, model: Mask | None) -> None:
    """Refuse a homography under which the textures agree little better than by chance.

    Chance is measured on the pair itself: the same textures laid wrongly on purpose.
    """
    rows, cols = fixed.coarse.shape
    coarse = np.linalg.inv(scaling(moving.step)) @ matrix @ scaling(fixed.step)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(moving.coarse, coarse, (cols, rows), flags=flags)
    covered = cv2.warpPerspective(
        np.ones_like(moving.coarse), coarse, (cols, rows), flags=cv2.INTER_NEAREST | flags
    )
    counts = fixed.usable & (covered > 0)
    if model is not None:
        counts &= resized(model, (rows, cols))
    shifted = [np.roll(laid, by, (0, 1)) for by in FALSE_SHIFTS]
    right, *wrong = agreement(fixed.coarse, [laid, *shifted], counts)
    chance = np.concatenate(wrong)
    if len(right) < MIN_CELLS or len(chance) == 0:
        raise RegistrationError(TOO_PLAIN)
    lead = float((right > CELL_AGREES).mean() - (chance > CELL_AGREES).mean())
    if lead < (MIN_LEAD if model is None else MIN_LEAD_ON_MODEL):
        raise RegistrationError(
            f"the two photos do not line up (only {100 * max(lead, 0):.0f} % more of their detail "
            "agrees than by chance); photograph the same side from the same place, best from a "
            "tripod, and leave a dim lamp on so that edges show in both"
        )


def _from_photo(matrix: Matrix, off_scale: int, on_scale: int) -> Matrix:
    """A homography between photos as one between frames."""
    return np.linalg.inv(scaling(off_scale)) @ matrix @ scaling(on_scale)


def _overlap(matrix: Matrix, off_shape: tuple[int, ...], on_shape: tuple[int, ...]) -> float:
    """Share of the ON frame that the OFF frame covers."""
    y, x = np.mgrid[0 : on_shape[0] - 1 : 40j, 0 : on_shape[1] - 1 : 40j]
    p = project(matrix, np.column_stack([x.ravel(), y.ravel()]))
    inside = (p >= -0.5).all(axis=1) & (p[:, 0] < off_shape[1]) & (p[:, 1] < off_shape[0])
    return float(inside.mean())
