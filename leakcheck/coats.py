"""What a coat of paint stops, and how many are still needed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, t

from leakcheck.errors import ExposureError, OpeningsError
from leakcheck.openings import Opening
from leakcheck.photo import Frame, photo_to_frame_px
from leakcheck.polygons import filled

Bound = Literal["", "at least", "at most"]

LEAST_ERROR = 0.01  # density: no photo tells less than 2 % of light
MOST_COATS = 50  # more is no plan
TUKEY = 4.7  # spreads at which a leak has no say in the model's mean
CONFIDENCE = 0.95
FALLS = 0.15  # density of the model's mean coat from which leaks plainly fall
STAYS = 0.25  # of that: a leak that loses less in spite of the paint lets light past it
MIN_FALLING = 2  # other leaks that must show that the paint does stop light
EDGE_SHARE = 0.12  # of a patch's smaller side left out all round: overspray and blur
LEAST_PIXELS = 25  # frame px in a patch
DARK_SIGMA = 5.0  # standard errors that a patch must be brighter than the dark one
CODE_STEP = 1 / 255  # of a photo with 8 bits
NEAR_BLACK_CODES = 2.5  # half a step is then a tenth of a stop and more: no measurement
BENT = 0.01  # chance below which the points do not lie on a straight line


@dataclass(frozen=True)
class Mean:
    """A robust mean."""

    value: float
    error: float  # standard error
    count: int


@dataclass(frozen=True)
class CoatsNeeded:
    """Coats until a leak cannot be noticed; None: more than are worth planning, or not known."""

    likely: int
    least: int
    most: int | None


def density(before: float, after: float) -> float:
    """Optical density that was added: log10(before / after), both above 0.

    Source: ISO 5-1: density is the negative decimal logarithm of transmittance; Beer-Lambert:
        the densities of layers add.
    """
    return math.log10(before / after)


def robust_mean(values: Sequence[float], errors: Sequence[float]) -> Mean | None:
    """Mean weighted by errors, with outliers left out by Tukey's biweight.

    Args:
        values: e.g. density per coat of each leak.
        errors: their standard errors, above 0.
    Returns: None without values. The error is what the scatter says, at least the errors' own.
    """
    if not len(values):
        return None
    x, s = np.asarray(values, float), np.maximum(np.asarray(errors, float), LEAST_ERROR)
    middle = float(np.median(x))
    spread = max(1.4826 * float(np.median(np.abs(x - middle))), float(np.median(s)))
    # Leaks differ by more than their errors: the spread among them counts beside the error.
    weight = 1 / (s**2 + spread**2)
    for _ in range(10):
        part = weight * np.square(np.maximum(1 - np.square((x - middle) / (TUKEY * spread)), 0))
        middle = float((part * x).sum() / part.sum())
    own = 1 / math.sqrt(float((1 / s**2).sum()))
    return Mean(middle, max(_biweight_error(x, middle, spread), own), len(x))


def _biweight_error(x: NDArray[np.float64], middle: float, spread: float) -> float:
    """Standard error of a mean by Tukey's biweight, from the scatter; 0 for one value.

    Source: Mosteller and Tukey 1977, Data Analysis and Regression, chapter 10, with n / (n - 1).
    """
    u2 = np.square((x - middle) / (TUKEY * spread))
    inside = u2 < 1
    square = np.square(x - middle) * (1 - u2) ** 4
    slope = abs(float(((1 - u2) * (1 - 5 * u2))[inside].sum()))
    few = len(x) / max(len(x) - 1, 1)
    return math.sqrt(few * float(square[inside].sum())) / max(slope, 1.0)


def coats_needed(
    contrast: float, per_coat: float, per_coat_error: float, *, noticeable: float
) -> CoatsNeeded | None:
    """Coats until a leak falls below what people notice.

    Args:
        contrast: added / room light now.
        per_coat: density of one coat on this leak.
        per_coat_error: its standard error.
        noticeable: contrast that people notice, above 0.
    Returns: None where a coat stops no light that could be told. The range is two standard errors
        of the coat's density to each side.
    """
    if contrast < noticeable:
        return CoatsNeeded(0, 0, 0)
    missing = density(contrast, noticeable)
    if per_coat <= 0 or missing > MOST_COATS * per_coat:
        return None

    def coats(one: float) -> int:
        return max(math.ceil(missing / one - 1e-9), 1)

    weakest = per_coat - 2 * per_coat_error
    most = coats(weakest) if missing <= MOST_COATS * weakest else None
    return CoatsNeeded(coats(per_coat), coats(per_coat + 2 * per_coat_error), most)


def stays(per_coat: float, error: float, others: Sequence[float]) -> bool:
    """Whether paint will not close a leak: its density stays near zero while others' falls.

    Args:
        per_coat, error: of this leak.
        others: density per coat of the model's other leaks.
    """
    falling = [value for value in others if value >= FALLS]
    if len(falling) < MIN_FALLING:
        return False
    return per_coat + 2 * error < STAYS * float(np.median(falling))


@dataclass(frozen=True)
class Patch:
    """One field of a test strip."""

    name: str
    coats: int
    x: float  # centre, photo px
    y: float
    light: float | None  # mean, linear; None: clipped or too dark to be measured
    density: float | None  # against the field with the fewest coats
    density_error: float | None
    problem: str  # clipped, too dark, or ""


@dataclass(frozen=True)
class Strip:
    """A test strip: density against coats."""

    patches: tuple[Patch, ...]  # by coats
    per_coat: float  # slope, density
    per_coat_low: float  # 95 % confidence
    per_coat_high: float
    straight: bool | None  # the points lie on a straight line; None: too few to tell
    bend_chance: float | None  # chance that a straight line scatters so much
    first_coat: float | None  # density of the first coat, where 0 and 1 coats were measured
    coats_for_black: int | None  # coats that hide the lamp: density 3, a thousandth
    dark: float  # linear light of the dark field that was taken off; 0 without one
    warnings: tuple[str, ...]


def measure_strip(
    frame: Frame, patches: Sequence[tuple[Opening, int]], *, dark: Opening | None = None
) -> Strip:
    """Density per coat of a strip that was sprayed field by field and lit from behind.

    Args:
        frame: the photo's light.
        patches: fields in photo px, and how many coats each has.
        dark: a field through which no light comes: what it shows is room light and flare.
    Raises:
        OpeningsError: fewer than two different numbers of coats.
        ExposureError: fewer than two of them can be measured.
    """
    if len({coats for _, coats in patches}) < 2:
        raise OpeningsError(
            "the patches name fewer than two different numbers of coats; call them coat-0, coat-1 "
            "and so on in the drawing"
        )
    ground, ground_error = _field(frame, dark)[:2] if dark is not None else (0.0, 0.0)
    ordered = sorted(patches, key=lambda item: item[1])
    raw = [(opening, coats, *_field(frame, opening)) for opening, coats in ordered]
    fields = [
        (opening, coats, light - ground, math.hypot(error, ground_error), _problem(clip, light))
        for opening, coats, light, error, clip in raw
    ]
    measured = [
        f"{problem or ('too dark' if light < DARK_SIGMA * error else '')}"
        for _, _, light, error, problem in fields
    ]
    good = [field for field, problem in zip(fields, measured, strict=True) if not problem]
    if len({field[1] for field in good}) < 2:
        raise ExposureError(
            "fewer than two numbers of coats can be measured: the other patches are "
            f"{' or '.join(sorted({p for p in measured if p}))}; expose so that the barest patch "
            "is just not white"
        )
    coats = np.array([field[1] for field in good], float)
    values = np.array([-math.log10(field[2]) for field in good])
    errors = np.array([_density_error(field[2], field[3]) for field in good])
    line = _line(coats, values, errors)
    zero = values[0]
    found = [_patch(field, problem, zero) for field, problem in zip(fields, measured, strict=True)]
    return Strip(
        patches=tuple(found),
        per_coat=line.slope,
        per_coat_low=line.slope - line.reach,
        per_coat_high=line.slope + line.reach,
        straight=None if line.chance is None else line.chance >= BENT,
        bend_chance=line.chance,
        first_coat=_first_coat(found),
        coats_for_black=math.ceil(3 / line.slope) if line.slope > 3 / MOST_COATS else None,
        dark=ground,
        warnings=_strip_warnings(found, line.slope),
    )


def _field(frame: Frame, opening: Opening) -> tuple[float, float, bool]:
    """Mean luminance inside a field without its edge, standard error, and whether it is clipped."""
    rings = [photo_to_frame_px(ring, frame.scale) for ring in opening.rings]
    row, column, inside = filled(rings, shape=frame.light.shape[:2])
    if inside.any():
        inside = _without_edge(inside)
    if inside.sum() < LEAST_PIXELS:
        raise OpeningsError(
            f"'{opening.name}' covers too little of the photo to be measured; draw it larger"
        )
    box = (slice(row, row + inside.shape[0]), slice(column, column + inside.shape[1]))
    light = frame.light[box][inside] @ np.array([0.2126, 0.7152, 0.0722])
    clipped = bool(frame.clipped[box][inside].mean() > 0.01)
    # Neighbouring pixels of a JPEG share their noise: eight count as one.
    return (
        float(light.mean()),
        float(light.std()) / math.sqrt(max(len(light) / 8, 2.0)),
        clipped,
    )


def _without_edge(inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """A field less a rim on all sides."""
    import cv2

    padded = np.pad(inside, 1).astype(np.uint8)
    distance = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    return np.asarray(distance > 2 * EDGE_SHARE * float(distance.max()))


def _problem(clipped: bool, light: float) -> str:
    """Why a field is no measurement; empty where it is one."""
    if clipped:
        return "clipped"
    # sRGB is linear near black: code = 12.92 x light.
    return "too dark" if light * 12.92 < NEAR_BLACK_CODES * CODE_STEP else ""


def _density_error(light: float, error: float) -> float:
    return max(error / light / math.log(10), LEAST_ERROR / 2)


def _patch(field: tuple[Opening, int, float, float, str], problem: str, zero: float) -> Patch:
    opening, coats, light, error, _ = field
    centre = np.vstack(opening.rings).mean(axis=0)
    good = not problem
    return Patch(
        name=opening.name,
        coats=coats,
        x=float(centre[0]),
        y=float(centre[1]),
        light=light if good else None,
        density=-math.log10(light) - zero if good else None,
        density_error=_density_error(light, error) if good else None,
        problem=problem,
    )


@dataclass(frozen=True)
class _Line:
    slope: float
    reach: float  # half of the 95 % confidence interval
    chance: float | None  # that points on a straight line scatter so much


def _line(x: NDArray[np.float64], y: NDArray[np.float64], errors: NDArray[np.float64]) -> _Line:
    """Weighted straight line; its slope's interval by Student's t where the scatter says more."""
    w = 1 / errors**2
    mean_x, mean_y = float((w * x).sum() / w.sum()), float((w * y).sum() / w.sum())
    spread = float((w * (x - mean_x) ** 2).sum())
    slope = float((w * (x - mean_x) * (y - mean_y)).sum()) / spread
    left = y - mean_y - slope * (x - mean_x)
    free = len(x) - 2
    square = float((w * left**2).sum())
    own = 1 / math.sqrt(spread)
    if free < 1:
        return _Line(slope, 1.96 * own, None)
    scatter = own * math.sqrt(max(square / free, 1.0))
    reach = float(t.ppf((1 + CONFIDENCE) / 2, free)) * scatter
    return _Line(slope, reach, float(chi2.sf(square, free)))


def _first_coat(patches: Sequence[Patch]) -> float | None:
    """Density of the first coat: paint often covers worse, or better, on bare plastic."""
    by_coats: dict[int, list[float]] = {}
    for patch in patches:
        if patch.density is not None:
            by_coats.setdefault(patch.coats, []).append(patch.density)
    if 0 not in by_coats or 1 not in by_coats:
        return None
    return float(np.mean(by_coats[1]) - np.mean(by_coats[0]))


def _strip_warnings(patches: Sequence[Patch], slope: float) -> tuple[str, ...]:
    said = [
        f"'{patch.name}' is {patch.problem} and was left out." for patch in patches if patch.problem
    ]
    if slope <= 0:
        said.append("The patches do not get darker with more coats: are their numbers right?")
    return tuple(said)
