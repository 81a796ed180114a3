"""The unlit photo laid onto the lit one; where the two overlap.

Light from inside the model changes the picture that is to be matched. So everything here looks
at the *texture* of a frame: the square root of its luminance, less the local mean, over the
local spread, which exposure, white balance, smooth spill and veiling flare leave alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.errors import RegistrationError
from leakcheck.photo import Frame, Image, Mask

Points: TypeAlias = NDArray[np.float64]  # (n, 2): x, y
Matrix: TypeAlias = NDArray[np.float64]  # (3, 3)
Fit: TypeAlias = Callable[[Points, Points, NDArray[np.float64]], Matrix]
Texture: TypeAlias = NDArray[np.uint8]  # (rows, cols): 128 is the local mean

LUMINANCE = np.array([[0.2126, 0.7152, 0.0722]], np.float32)  # IEC 61966-2-1, linear sRGB
COARSE_PX = 1024  # long side at which features are looked for: enough of them, in little time
TEXTURE_WINDOW_PX = 33  # coarse px: wider than any edge profile, narrower than a spill
TEXTURE_GAIN = 40.0  # code values per local spread: 3 spreads fit into 8 bits
SPREAD_FLOOR_SIGMA = 2.0  # plain surfaces must not be blown up into noise
MAX_POINTS = 1200  # tracked; more only costs time
LK_WINDOW = 21  # frame px
ROUND_TRIP_PX = 0.5  # a point that does not come back to itself was not tracked
COARSE_INLIER_PX = 4.0  # coarse px: parallax of a hand-held pair must not look like an outlier
MIN_POINTS = 12  # below that no model of motion can be doubted
IDENTITY_PX = 0.12  # a smaller shift cannot be told from what the lamps do to the edges
TRIPOD_PX = 1.0  # a pair said to line up may be off by no more
CELL_PX = 24  # coarse px: side of the cells in which textures are compared
CELL_SPREAD = 10.0  # texture codes: a cell with less has nothing to compare
CELL_AGREES = 0.5  # correlation of a cell that agrees
FALSE_SHIFTS = ((37, 0), (-37, 0), (0, 41), (0, -41))  # coarse px: to see what chance gives
MIN_CELLS = 12
MIN_LEAD = 0.12  # right pairs reach 0.19 and more, pairs of different things 0.05 and less


@dataclass(frozen=True, eq=False)
class Registration:
    """Where each point of the lights-on photo lies in the lights-off photo."""

    homography: NDArray[np.float64]  # (3, 3): ON photo px -> OFF photo px
    # Parallax that the homography leaves, sampled on a grid of ON photo pixels; None where
    # the homography is enough.
    shift_px: Image | None  # (grid rows, grid cols, 2): x and y to add in OFF photo px
    shift_step_px: float  # ON photo px between grid points; the first grid point is at (0, 0)
    residual_px: float  # 68th percentile of what is left at the points used, in ON photo px
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
        off = _project(self.homography, xy)
        if self.shift_px is not None:
            off = off + _bilinear(self.shift_px, xy / self.shift_step_px)
        return off


@dataclass(frozen=True, eq=False)
class _View:
    """What is matched of one frame."""

    texture: Texture
    coarse: Texture
    step: float  # frame px per coarse px
    usable: Mask  # at coarse size: neither clipped nor an opening
    dark: bool  # so little light that noise drowns the texture


def register(
    off: Frame,
    on: Frame,
    *,
    ignore: Mask | None = None,
    model: Mask | None = None,
    tripod: bool = False,
) -> Registration:
    """Find where each point of one photo lies in another of the same thing.

    Args:
        off: the photo to be laid on (any size, crop and orientation).
        on: the photo that stays as it is.
        ignore: (rows, cols) of `on`, True where its look changes for other reasons (openings).
        model: (rows, cols) of `on`, True inside the model's outline. What lies outside
            is at another depth and moves differently; None: all that can be matched counts.
        tripod: the two are said to line up already; this is only checked.
    Returns: the registration, in photo px.
    Raises: RegistrationError where the two cannot be laid onto each other with trust.
    """
    cv2.setRNGSeed(7)  # USAC draws at random: the same pair must give the same answer
    fixed = _view(on, ignore)
    moving = _view(off, None)
    start = _start(moving, fixed, model, tripod=tripod)
    a, b = _track(moving, fixed, start, model)
    homography, _ = _fit_homography(a, b)
    _trust(moving, fixed, homography, model)
    a, b = _track(moving, fixed, homography, model)
    matrix, kind = _simplest(a, b, same_size=off.light.shape == on.light.shape)
    if tripod:
        matrix = _checked_tripod(a, b)
        kind = "identity"
    left = np.hypot(*(_project(matrix, a) - b).T)
    kept = left < max(4 * float(np.median(left)), ROUND_TRIP_PX)
    how = f"{int(kept.sum())} points" + (" on the model" if model is not None else "")
    how += " line up as they are" if kind == "identity" else f", moved by a {kind}"
    if moving.dark or fixed.dark:
        how += "; the photos are nearly black, so it rests on little"
    return Registration(
        homography=_to_photo(matrix, off.scale, on.scale),
        shift_px=None,
        shift_step_px=float(8 * on.scale),
        residual_px=float(np.percentile(left[kept], 68)) * on.scale,
        overlap=_overlap(matrix, off.light.shape, on.light.shape),
        points=int(kept.sum()),
        how=how,
    )


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
    clipped = off.clipped.any(axis=2).astype(np.uint8)
    if registration.identity and off.light.shape[:2] == on_shape and off.scale == on_scale:
        return off.light, np.ones(on_shape, np.bool_), clipped.astype(np.bool_)
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
    ones = np.float32(matrix / matrix[2, 2])
    x = np.arange(cols, dtype=np.float32)
    y = np.arange(rows, dtype=np.float32)[:, None]
    depth = ones[2, 0] * x + (ones[2, 1] * y + 1)
    map_x = (ones[0, 0] * x + (ones[0, 1] * y + ones[0, 2])) / depth
    map_y = (ones[1, 0] * x + (ones[1, 1] * y + ones[1, 2])) / depth
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


# --- texture -----------------------------------------------------------------------------------


def _view(frame: Frame, ignore: Mask | None) -> _View:
    """Texture of a frame at full and at coarse size."""
    rows, cols = frame.light.shape[:2]
    step = max(1.0, max(rows, cols) / COARSE_PX)
    size = (max(1, round(cols / step)), max(1, round(rows / step)))
    light = np.sqrt(np.maximum(cv2.transform(frame.light, LUMINANCE), 0))
    light = cv2.GaussianBlur(light, (0, 0), 1.0)
    blocked = frame.clipped.any(axis=2)
    if ignore is not None:
        blocked = blocked | ignore
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(blocked.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    usable = cv2.dilate(share, np.ones((3, 3), np.uint8)) == 0
    weight = usable.astype(np.float32)
    mean, spread = _local(small, weight)
    noise = 1.4826 * float(np.median(np.abs(small - cv2.GaussianBlur(small, (0, 0), 1.5))))
    gain = TEXTURE_GAIN / (spread + SPREAD_FLOOR_SIGMA * noise + 1e-4)
    dark = float(np.percentile(small, 90)) < 0.1
    return _View(
        texture=_normalised(light, mean, gain),
        coarse=_normalised(small, mean, gain),
        step=cols / size[0],
        usable=usable,
        dark=dark,
    )


def _local(image: Image, weight: Image) -> tuple[Image, Image]:
    """Local mean and spread, (rows, cols) each, of the pixels that have weight."""
    size = (TEXTURE_WINDOW_PX, TEXTURE_WINDOW_PX)
    total = cv2.boxFilter(weight, -1, size) + 1e-3
    whole = cv2.boxFilter(image, -1, size)
    # Where nothing is usable the plain mean keeps the texture finite.
    mean = (cv2.boxFilter(image * weight, -1, size) + 1e-3 * whole) / total
    square = (cv2.boxFilter(image * image * weight, -1, size) + 1e-3 * whole * whole) / total
    return mean, np.sqrt(np.maximum(square - mean * mean, 0))


def _normalised(image: Image, mean: Image, gain: Image) -> Texture:
    """Image less mean, times gain, in 8 bits round 128; mean and gain may be smaller."""
    if mean.shape != image.shape:
        size = (image.shape[1], image.shape[0])
        mean, gain = (cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in (mean, gain))
    out = cv2.multiply(cv2.subtract(image, mean), gain)
    return cv2.convertScaleAbs(cv2.max(out, -128.0), alpha=1, beta=128)


# --- where to start ----------------------------------------------------------------------------


def _start(moving: _View, fixed: _View, model: Mask | None, *, tripod: bool) -> Matrix:
    """A first homography, ON frame px -> OFF frame px, from the cheapest way that holds."""
    same = moving.texture.shape == fixed.texture.shape
    if same:
        direct = _direct(moving, fixed)
        if direct is not None:
            return direct
    if tripod:
        raise RegistrationError(
            "the two photos do not line up as a pair from a tripod should; leave out --tripod"
        )
    for detector in (cv2.ORB_create(3000), cv2.SIFT_create(3000, contrastThreshold=0.02)):
        found = _by_features(moving, fixed, detector)
        if found is not None:
            return found
    raise RegistrationError(
        "the two photos do not line up: too little of one is found in the other; photograph the "
        "same side from the same place, with enough room light that edges show in both"
    )


def _direct(moving: _View, fixed: _View) -> Matrix | None:
    """Track a coarse set of points from where they stand; None where too few hold together."""
    a = _corners(fixed.coarse, fixed.usable, 400)
    if len(a) < MIN_POINTS:
        return None
    b, good = _lk(fixed.coarse, moving.coarse, a, levels=4)
    if good.sum() < max(MIN_POINTS, 0.3 * len(a)):
        return None
    matrix, inside = cv2.findHomography(a[good], b[good], cv2.USAC_MAGSAC, COARSE_INLIER_PX)
    if matrix is None or inside.sum() < max(MIN_POINTS, 0.3 * len(a)):
        return None
    return _rescale(matrix, moving.step, fixed.step)


def _by_features(moving: _View, fixed: _View, detector: cv2.Feature2D) -> Matrix | None:
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
    a = np.float64([points_a[m.queryIdx].pt for m in good])
    b = np.float64([points_b[m.trainIdx].pt for m in good])
    matrix, inside = cv2.findHomography(a, b, cv2.USAC_MAGSAC, COARSE_INLIER_PX, maxIters=5000)
    if matrix is None or inside.sum() < max(MIN_POINTS, 0.15 * len(good)):
        return None
    return _rescale(matrix, moving.step, fixed.step)


# --- points ------------------------------------------------------------------------------------


def _corners(texture: Texture, usable: Mask, count: int) -> Points:
    """Well spread corners of a texture, (n, 2)."""
    spacing = max(4.0, 0.6 * float(np.sqrt(usable.sum() / count)))
    found = cv2.goodFeaturesToTrack(
        texture, count, 0.005, spacing, mask=usable.astype(np.uint8) * 255, blockSize=5
    )
    return np.zeros((0, 2)) if found is None else found.reshape(-1, 2).astype(float)


def _lk(a_image: Texture, b_image: Texture, a: Points, *, levels: int) -> tuple[Points, Mask]:
    """Lucas-Kanade there and back: positions in b, and which came back to themselves."""
    window = {"winSize": (LK_WINDOW, LK_WINDOW), "maxLevel": levels}
    start = a.astype(np.float32)[:, None]
    there, ok_there, _ = cv2.calcOpticalFlowPyrLK(a_image, b_image, start, None, **window)
    back, ok_back, _ = cv2.calcOpticalFlowPyrLK(b_image, a_image, there, None, **window)
    stray = np.hypot(*(back - start)[:, 0].T)
    good = (ok_there[:, 0] > 0) & (ok_back[:, 0] > 0) & (stray < ROUND_TRIP_PX)
    return there[:, 0].astype(float), good


def _track(moving: _View, fixed: _View, start: Matrix, model: Mask | None) -> tuple[Points, Points]:
    """Matching points (ON, OFF) in frame px, on the model and outside openings."""
    rows, cols = fixed.texture.shape
    usable = fixed.usable
    if model is not None:
        # The window of a point near the outline would follow the background.
        inner = cv2.erode(model.astype(np.uint8), np.ones((LK_WINDOW // 2 * 2 + 1,) * 2, np.uint8))
        usable = usable & _resized(inner > 0, usable.shape)
    a = (_corners(fixed.coarse, usable, MAX_POINTS) + 0.5) * fixed.step - 0.5
    if len(a) < MIN_POINTS:
        raise RegistrationError(
            "the lights-on photo shows too little detail outside its lit openings to line up the "
            "pair; leave a dim lamp on so that edges show in both photos"
        )
    plain = bool(np.allclose(start, np.eye(3), atol=1e-12))
    laid = moving.texture
    if not plain:
        laid = cv2.warpPerspective(
            laid,
            start,
            (cols, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderValue=128,
        )
    b, good = _lk(fixed.texture, laid, a, levels=3)
    return a[good], b[good] if plain else _project(start, b[good])


# --- motion ------------------------------------------------------------------------------------


def _fit_homography(a: Points, b: Points) -> tuple[Matrix, Points]:
    """Robust homography a -> b: MAGSAC for the outliers, then Cauchy weights for the rest."""
    if len(a) < MIN_POINTS:
        raise RegistrationError(
            "the two photos do not line up: hardly any detail of one is found in the other; "
            "photograph the same side from the same place, with enough room light"
        )
    first, inside = cv2.findHomography(a, b, cv2.USAC_MAGSAC, 2 * COARSE_INLIER_PX)
    if first is None:
        raise RegistrationError("the two photos do not line up; photograph the same side again")
    return _reweighted(a, b, first, _homography), a[inside[:, 0] > 0]


def _reweighted(a: Points, b: Points, matrix: Matrix, fit: Fit) -> Matrix:
    """Iteratively reweighted least squares with Cauchy weights (Huber 1981, ch. 7)."""
    for _ in range(10):
        left = np.hypot(*(_project(matrix, a) - b).T)
        scale = max(1.4826 * float(np.median(left)), 0.02)
        matrix = fit(a, b, 1 / (1 + (left / (2 * scale)) ** 2))
    return matrix


def _homography(a: Points, b: Points, weight: NDArray[np.float64]) -> Matrix:
    """Weighted least squares homography: direct linear transform on normalised points
    (Hartley & Zisserman 2004, alg. 4.2).
    """
    ta, tb = _centred(a), _centred(b)
    p, q = _project(ta, a), _project(tb, b)
    one, zero = np.ones((len(a), 1)), np.zeros((len(a), 3))
    ph = np.hstack([p, one])
    rows = np.vstack([np.hstack([ph, zero, -q[:, :1] * ph]), np.hstack([zero, ph, -q[:, 1:] * ph])])
    w = np.sqrt(np.concatenate([weight, weight]))[:, None]
    solution = np.linalg.lstsq((rows * w)[:, :8], -(rows * w)[:, 8], rcond=None)[0]
    matrix = np.linalg.inv(tb) @ np.append(solution, 1.0).reshape(3, 3) @ ta
    return matrix / matrix[2, 2]


def _similarity(a: Points, b: Points, weight: NDArray[np.float64]) -> Matrix:
    """Weighted least squares shift, turn and scale."""
    w = weight / weight.sum()
    ca, cb = w @ a, w @ b
    za, zb = (a - ca) @ np.array([1, 1j]), (b - cb) @ np.array([1, 1j])
    z = (w * np.conj(za) * zb).sum() / (w * np.abs(za) ** 2).sum()
    turn = np.array([[z.real, -z.imag], [z.imag, z.real]])
    return np.vstack([np.column_stack([turn, cb - turn @ ca]), [0, 0, 1]])


def _simplest(a: Points, b: Points, *, same_size: bool) -> tuple[Matrix, str]:
    """The motion with the fewest parameters that explains the points as well as any."""
    full = _reweighted(a, b, _fit_homography(a, b)[0], _homography)
    if same_size and np.percentile(np.hypot(*(_project(full, a) - a).T), 90) < IDENTITY_PX:
        return np.eye(3), "identity"
    few = _reweighted(a, b, _similarity(a, b, np.ones(len(a))), _similarity)

    def score(matrix: Matrix, parameters: int) -> float:
        left = np.hypot(*(_project(matrix, a) - b).T)
        scale = max(1.4826 * float(np.median(np.hypot(*(_project(full, a) - b).T))), 0.02)
        cost = np.log1p((left / (2 * scale)) ** 2).sum() * 4  # Cauchy log-likelihood
        return float(cost + parameters * np.log(len(a)))

    if score(few, 4) < score(full, 8):
        return few, "shift and turn"
    return full, "homography"


def _checked_tripod(a: Points, b: Points) -> Matrix:
    """Identity, if the points agree with it."""
    off_by = float(np.median(np.hypot(*(b - a).T))) if len(a) else np.inf
    if off_by > TRIPOD_PX:
        raise RegistrationError(
            f"the two photos are {off_by:.1f} px apart, so the camera moved; leave out --tripod"
        )
    return np.eye(3)


def _trust(moving: _View, fixed: _View, matrix: Matrix, model: Mask | None) -> None:
    """Refuse a homography under which the textures agree little better than by chance.

    Chance is measured on the pair itself: the same textures laid wrongly on purpose.
    """
    rows, cols = fixed.coarse.shape
    coarse = np.linalg.inv(_scaling(moving.step)) @ matrix @ _scaling(fixed.step)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(moving.coarse, coarse, (cols, rows), flags=flags)
    covered = cv2.warpPerspective(
        np.ones_like(moving.coarse), coarse, (cols, rows), flags=cv2.INTER_NEAREST | flags
    )
    counts = fixed.usable & (covered > 0)
    if model is not None:
        counts &= _resized(model, (rows, cols))
    right = _agreement(fixed.coarse, laid, counts)
    wrong = [_agreement(fixed.coarse, np.roll(laid, by, (0, 1)), counts) for by in FALSE_SHIFTS]
    chance = np.concatenate(wrong)
    if len(right) < MIN_CELLS or len(chance) == 0:
        raise RegistrationError(
            "the two photos cannot be lined up with trust: too little detail outside the lit "
            "openings is seen in both; leave a dim lamp on so that edges show in both photos"
        )
    lead = float((right > CELL_AGREES).mean() - (chance > CELL_AGREES).mean())
    if lead < MIN_LEAD:
        raise RegistrationError(
            f"the two photos do not line up (only {100 * max(lead, 0):.0f} % more of their detail "
            "agrees than by chance); photograph the same side from the same place, best from a "
            "tripod, and leave a dim lamp on so that edges show in both"
        )


def _agreement(a: Texture, b: Texture, counts: Mask) -> NDArray[np.float32]:
    """Correlation of two textures in each cell that has texture, (n,), -1 to 1."""
    size = (max(1, a.shape[1] // CELL_PX), max(1, a.shape[0] // CELL_PX))

    def mean(image: Image) -> Image:
        return cv2.resize(image, size, interpolation=cv2.INTER_AREA)

    w, a, b = (np.asarray(image, np.float32) for image in (counts, a, b))
    share = mean(w) + 1e-6
    mean_a, mean_b = mean(a * w) / share, mean(b * w) / share
    var_a = mean(a * a * w) / share - mean_a**2
    var_b = mean(b * b * w) / share - mean_b**2
    both = mean(a * b * w) / share - mean_a * mean_b
    textured = (share > 0.5) & (var_a > CELL_SPREAD**2) & (var_b > CELL_SPREAD**2 / 4)
    return both[textured] / np.sqrt(var_a[textured] * var_b[textured])


def _resized(mask: Mask, shape: tuple[int, ...]) -> Mask:
    """A mask at another size, (rows, cols)."""
    size = (shape[1], shape[0])
    return cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0


# --- small helpers -----------------------------------------------------------------------------


def _project(matrix: Matrix, xy: Points) -> Points:
    """Points through a homography."""
    h = xy @ matrix[:, :2].T + matrix[:, 2]
    return h[:, :2] / h[:, 2:]


def _centred(xy: Points) -> Matrix:
    """Transform that gives points mean zero and spread one."""
    centre, spread = xy.mean(axis=0), max(float(xy.std()), 1e-9)
    return np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, spread]]) / spread


def _scaling(step: float) -> Matrix:
    """Small px -> large px, both counted from a pixel's centre."""
    return np.array([[step, 0, 0.5 * step - 0.5], [0, step, 0.5 * step - 0.5], [0, 0, 1]])


def _rescale(matrix: Matrix, moving_step: float, fixed_step: float) -> Matrix:
    """A homography between coarse images as one between frames."""
    out = _scaling(moving_step) @ matrix @ np.linalg.inv(_scaling(fixed_step))
    return out / out[2, 2]


def _to_photo(matrix: Matrix, off_scale: int, on_scale: int) -> Matrix:
    """A homography between frames as one between photos."""
    return _rescale(matrix, off_scale, on_scale)


def _from_photo(matrix: Matrix, off_scale: int, on_scale: int) -> Matrix:
    """The inverse of `_to_photo`."""
    return np.linalg.inv(_scaling(off_scale)) @ matrix @ _scaling(on_scale)


def _overlap(matrix: Matrix, off_shape: tuple[int, ...], on_shape: tuple[int, ...]) -> float:
    """Share of the ON frame that the OFF frame covers."""
    y, x = np.mgrid[0 : on_shape[0] - 1 : 40j, 0 : on_shape[1] - 1 : 40j]
    p = _project(matrix, np.column_stack([x.ravel(), y.ravel()]))
    inside = (p >= -0.5).all(axis=1) & (p[:, 0] < off_shape[1]) & (p[:, 1] < off_shape[0])
    return float(inside.mean())


def _bilinear(grid: Image, place: Points) -> Points:
    """Values of a (rows, cols, k) grid at x, y in grid steps, held at its borders."""
    rows, cols = grid.shape[:2]
    x = np.clip(place[:, 0], 0, cols - 1)
    y = np.clip(place[:, 1], 0, rows - 1)
    x0, y0 = np.minimum(x.astype(int), cols - 2), np.minimum(y.astype(int), rows - 2)
    u, v = (x - x0)[:, None], (y - y0)[:, None]
    top = grid[y0, x0] * (1 - u) + grid[y0, x0 + 1] * u
    bottom = grid[y0 + 1, x0] * (1 - u) + grid[y0 + 1, x0 + 1] * u
    return np.asarray(top * (1 - v) + bottom * v, float)
