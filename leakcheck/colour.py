"""Colour of light: chromaticity, colour temperature, dominant wavelength, signal colours.

All of it is "as this camera renders it": an sRGB photo is read as if its colours were measured.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Signal = Literal["red", "green", "yellow", "white"]

CAMERA_NOTE = (
    "A camera is no colorimeter: its white balance and its sRGB colours shift what a lamp shows, "
    "and sRGB cannot hold the deep reds and greens of navigation lights. Red, green and yellow "
    "are therefore judged by the direction of their hue. Compare lamps within one photo."
)

# IEC 61966-2-1: linear sRGB to CIE 1931 XYZ, and the white that R = G = B stands for. The white
# is also the point that hue and purity are counted from: it is what the camera's white balance
# aims at, and unlike the median window it stays put when all windows change.
SRGB_TO_XYZ: Floats = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
LUMINANCE = SRGB_TO_XYZ[1].astype(np.float32)
D65: Floats = np.array([0.3127, 0.3290])

# CIE 1931 2-degree colour-matching functions (CIE 015:2018), x y z from 380 to 780 nm by 5 nm.
CMF_FIRST_NM, CMF_STEP_NM = 380, 5
CMF = """
.001368 .000039 .006450  .002236 .000064 .010550  .004243 .000120 .020050
.007650 .000217 .036210  .014310 .000396 .067850  .023190 .000640 .110200
.043510 .001210 .207400  .077630 .002180 .371300  .134380 .004000 .645600
.214770 .007300 1.039050  .283900 .011600 1.385600  .328500 .016840 1.622960
.348280 .023000 1.747060  .348060 .029800 1.782600  .336200 .038000 1.772110
.318700 .048000 1.744100  .290800 .060000 1.669200  .251100 .073900 1.528100
.195360 .090980 1.287640  .142100 .112600 1.041900  .095640 .139020 .812950
.057950 .169300 .616200  .032010 .208020 .465180  .014700 .258600 .353300
.004900 .323000 .272000  .002400 .407300 .212300  .009300 .503000 .158200
.029100 .608200 .111700  .063270 .710000 .078250  .109600 .793200 .057250
.165500 .862000 .042160  .225750 .914850 .029840  .290400 .954000 .020300
.359700 .980300 .013400  .433450 .994950 .008750  .512050 1.000000 .005750
.594500 .995000 .003900  .678400 .978600 .002750  .762100 .952000 .002100
.842500 .915400 .001800  .916300 .870000 .001650  .978600 .816300 .001400
1.026300 .757000 .001100  1.056700 .694900 .001000  1.062200 .631000 .000800
1.045600 .566800 .000600  1.002600 .503000 .000340  .938400 .441200 .000240
.854450 .381000 .000190  .751400 .321000 .000100  .642400 .265000 .000050
.541900 .217000 .000030  .447900 .175000 .000020  .360800 .138200 .000010
.283500 .107000 0  .218700 .081600 0  .164900 .061000 0
.121200 .044580 0  .087400 .032000 0  .063600 .023200 0
.046770 .017000 0  .032900 .011920 0  .022700 .008210 0
.015840 .005723 0  .011359 .004102 0  .008111 .002929 0
.005790 .002091 0  .004109 .001484 0  .002899 .001047 0
.002049 .000740 0  .001440 .000520 0  .001000 .000361 0
.000690 .000249 0  .000476 .000172 0  .000332 .000120 0
.000235 .000085 0  .000166 .000060 0  .000117 .000042 0
.000083 .000030 0  .000059 .000021 0  .000042 .000015 0
"""

C2_NM_K = 1.4388e7  # second radiation constant as CIE 015 uses it for colour temperature
CCT_RANGE_K = (1000.0, 20000.0)  # Ohno 2013 tested the method in this range
CCT_STEP = 0.0025  # share; at this step Ohno's triangle is right within 1 K
PARABOLA_DUV = 0.002  # Ohno 2013: further off the locus than this, the parabola is better
DUV_LIMIT = 0.05  # CIE 015: further off the locus a colour temperature has no meaning
LOCUS_NM = (400, 700)  # outside of it the spectral locus all but stands still

# COLREGs 1972, Annex I section 7: corners (x, y) of the permitted colours. The rule names the last
# two corners of red in the other order, in which the sides of the area would cross.
COLREGS: dict[Signal, Floats] = {
    "red": np.array([(0.680, 0.320), (0.660, 0.320), (0.721, 0.259), (0.735, 0.265)]),
    "green": np.array([(0.028, 0.385), (0.009, 0.723), (0.300, 0.511), (0.203, 0.356)]),
    "yellow": np.array([(0.612, 0.382), (0.618, 0.382), (0.575, 0.425), (0.575, 0.406)]),
    "white": np.array(
        [
            (0.525, 0.382),
            (0.525, 0.440),
            (0.452, 0.440),
            (0.310, 0.348),
            (0.310, 0.283),
            (0.443, 0.382),
        ]
    ),
}
# Hue directions in the xy diagram, degrees from +x about D65, that read as each signal colour:
# the directions of the corners above (red -9.7 to -1.4, yellow 9.8 to 20.1, green 94.0 to 168.9),
# widened to the sRGB primary of that hue (red 0.2, green 92.7) and by about 5 for the camera's
# error. Between red and yellow red gets more, for a red LED is drawn towards yellow by the green
# that the camera sees in it. Yellow goes on to 45, for an amber LED lies outside sRGB and is
# drawn towards sRGB's yellow (59).
HUE_DEG: dict[Signal, tuple[float, float]] = {
    "red": (-14.5, 8.0),
    "yellow": (8.0, 45.0),
    "green": (87.9, 173.7),
}
TINTED_PURITY = 0.3  # below it red and green look whitish; the weakest corner above has 0.38
AMBER_PURITY = 0.6  # warm white of 2700 K reaches 0.6: yellow has to be purer, or off the locus
WHITE_DUV = 0.02  # further off the locus a light looks tinted; lamps for rooms keep to 0.006
LAMP_DUV = 0.006  # ANSI C78.377: how far white LEDs stray from the locus
AMBER_BELOW_K = 1900.0  # a candle; a white lamp is never as red
WARM_BELOW_K, COOL_ABOVE_K = 3300.0, 5300.0  # EN 12464-1: warm, intermediate, cool
# Where amber was asked for, an amber that the camera paled to a warm white's chromaticity passes.
AMBER_NM, ASKED_AMBER_PURITY = (575.0, 605.0), 0.5
BLUE_BELOW_NM = 490.0
GREEN_BELOW_NM = 570.0
EDGE_TOLERANCE = 1e-9  # a point on the edge of a polygon counts as inside


@dataclass(frozen=True)
class Colour:
    """The colour of one light, as the camera renders it."""

    x: float  # CIE 1931 chromaticity
    y: float
    cct_k: float | None  # correlated colour temperature; None where it has no meaning
    duv: float | None  # distance from the Planckian locus in CIE 1960 uv, above it positive
    cct_mccamy_k: float | None  # the same temperature by McCamy 1992, as a cross-check
    dominant_nm: float | None  # dominant wavelength; negative: the complementary one of a purple
    purity: float  # excitation purity, 0 for white (D65) to 1 for the pure wavelength
    word: str  # warm white, neutral white, cool white, red, amber, green, blue or purple
    reads_as: Signal | None  # signal colour by hue direction (white: by its limits)
    within_limits: bool  # inside the limits of COLREGs for the colour it reads as


def xy_from_rgb(rgb: ArrayLike) -> Floats:
    """Chromaticity of linear sRGB light.

    Args:
        rgb: (..., 3), linear light, its sum above 0. Negative values are kept as they are.
    Returns: (..., 2), CIE 1931 x and y.
    Source: IEC 61966-2-1.
    """
    xyz = np.asarray(rgb, float) @ SRGB_TO_XYZ.T
    return np.asarray(xyz[..., :2] / xyz.sum(-1, keepdims=True))


def uv_from_xy(xy: ArrayLike) -> Floats:
    """CIE 1960 u and v of CIE 1931 x and y, (..., 2) to (..., 2). Source: CIE 015."""
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    return np.asarray(np.stack([4 * x, 6 * y], -1) / (-2 * x + 12 * y + 3)[..., None])


@cache
def colour_matching() -> tuple[Floats, Floats]:
    """CIE 1931 functions by 1 nm: wavelengths (n,), nm, and x y z (n, 3), no unit.

    A cubic spline through the 5 nm values, as CIE 015 allows where no finer table is at hand.
    """
    table = np.array(CMF.split(), float).reshape(-1, 3)
    steps = np.arange(CMF_STEP_NM * (len(table) - 1) + 1) / CMF_STEP_NM
    return CMF_FIRST_NM + CMF_STEP_NM * steps, np.maximum(_spline(table, steps), 0.0)


def _spline(values: Floats, at: Floats) -> Floats:
    """Cubic spline through values (n, k) at 0, 1, 2..., read off at (m,): (m, k).

    Its ends are "not a knot", as those of SciPy's, which takes half a second to load.
    """
    count = len(values)
    inner = np.arange(1, count - 1)
    system, right = np.zeros((count, count)), np.zeros(values.shape)
    for offset, weight in ((-1, 1.0), (0, 4.0), (1, 1.0)):
        system[inner, inner + offset] = weight
    right[inner] = 6 * (values[:-2] - 2 * values[1:-1] + values[2:])
    system[0, :3] = system[-1, -3:] = (1.0, -2.0, 1.0)
    bend = np.linalg.solve(system, right)  # second derivatives
    k = np.minimum(at.astype(int), count - 2)
    above = (at - k)[:, None]
    below = 1 - above
    curve = (below**3 - below) * bend[k] + (above**3 - above) * bend[k + 1]
    return np.asarray(below * values[k] + above * values[k + 1] + curve / 6)


def planckian_xy(kelvin: ArrayLike) -> Floats:
    """Chromaticity of a black body.

    Args:
        kelvin: (n,) temperatures, K, above 0.
    Returns: (n, 2), CIE 1931 x and y.
    Source: Planck's law with the constant of CIE 015, summed over the functions above.
    """
    nm, cmf = colour_matching()
    temperature = np.asarray(kelvin, float)[:, None]
    xyz = (nm**-5.0 / np.expm1(C2_NM_K / (nm * temperature))) @ cmf
    return np.asarray(xyz[:, :2] / xyz.sum(1, keepdims=True))


@cache
def _planckian_table() -> tuple[Floats, Floats]:
    low, high = np.log(CCT_RANGE_K)
    steps = int(np.ceil((high - low) / CCT_STEP))
    kelvin = np.exp(low + CCT_STEP * np.arange(-2, steps + 3))
    return kelvin, uv_from_xy(planckian_xy(kelvin))


def cct_duv(xy: ArrayLike) -> tuple[float, float] | None:
    """Correlated colour temperature and distance from the Planckian locus.

    Args:
        xy: (2,), CIE 1931 x and y.
    Returns: K and Duv (CIE 1960 uv, positive above the locus); None outside 1000 to 20000 K or
        further than 0.05 from the locus.
    Source: Ohno 2013, doi:10.1080/15502724.2014.839020: triangle near the locus, parabola
        elsewhere. His table steps 1 % and corrects the triangle; ours steps 0.25 % and need not.
    """
    kelvin, locus = _planckian_table()
    uv = uv_from_xy(xy)
    distance = np.hypot(locus[:, 0] - uv[0], locus[:, 1] - uv[1])
    m = int(np.clip(np.argmin(distance), 1, len(kelvin) - 2))
    before, here, after = distance[m - 1 : m + 2]
    base = float(np.hypot(*(locus[m + 1] - locus[m - 1])))
    along = (before**2 - after**2 + base**2) / (2 * base)
    temperature = float(kelvin[m - 1] + (kelvin[m + 1] - kelvin[m - 1]) * along / base)
    duv = float(np.sqrt(max(before**2 - along**2, 0.0)))
    if duv >= PARABOLA_DUV:
        a, b, c = np.polyfit(kelvin[m - 1 : m + 2] - kelvin[m], [before, here, after], 2)
        temperature = float(kelvin[m] - b / (2 * a))
        duv = float(c - b * b / (4 * a))
    low, high = CCT_RANGE_K
    if not low <= temperature <= high or duv > DUV_LIMIT:
        return None
    locus_v = locus[m - 1, 1] + (locus[m + 1, 1] - locus[m - 1, 1]) * along / base
    return temperature, float(np.copysign(duv, uv[1] - locus_v))


def cct_mccamy(xy: ArrayLike) -> float:
    """Correlated colour temperature, K, of x and y (2,). Good from 2000 to 12500 K.

    Source: McCamy 1992, Color Research & Application 17(2), 142-144.
    """
    x, y = np.asarray(xy, float)
    n = (x - 0.3320) / (0.1858 - y)
    return float(((449.0 * n + 3525.0) * n + 6823.3) * n + 5520.33)


@cache
def _spectral_locus() -> tuple[Floats, Floats]:
    nm, cmf = colour_matching()
    kept = (nm >= LOCUS_NM[0]) & (nm <= LOCUS_NM[1])
    return nm[kept], cmf[kept, :2] / cmf[kept].sum(1, keepdims=True)


def _ray_to_locus(direction: Floats) -> tuple[float, float] | None:
    """Where a ray from D65 meets the spectral locus: nm, distance; None on the purple side."""
    nm, locus = _spectral_locus()
    start, leg = locus[:-1] - D65, np.diff(locus, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = direction[0] * leg[:, 1] - direction[1] * leg[:, 0]
        distance = (start[:, 0] * leg[:, 1] - start[:, 1] * leg[:, 0]) / cross
        share = (start[:, 0] * direction[1] - start[:, 1] * direction[0]) / cross
    hit = np.flatnonzero((distance > 0) & (share >= 0) & (share <= 1))
    if not hit.size:
        return None
    i = hit[0]
    return float(nm[i] + share[i] * (nm[i + 1] - nm[i])), float(distance[i])


def dominant_wavelength(xy: ArrayLike) -> tuple[float | None, float]:
    """Dominant wavelength and excitation purity, counted from D65.

    Args:
        xy: (2,), CIE 1931 x and y.
    Returns: nm (negative: the complementary wavelength, where the hue is a purple; None for D65
        itself, which has no hue) and purity.
    Source: CIE 015. The locus is used from 400 to 700 nm, closed by the purple line.
    """
    offset = np.asarray(xy, float) - D65
    length = float(np.hypot(*offset))
    if length == 0:
        return None, 0.0
    direction = offset / length
    hit = _ray_to_locus(direction)
    if hit is not None:
        return hit[0], length / hit[1]
    _, locus = _spectral_locus()
    red, violet = locus[-1] - D65, locus[0] - D65
    line = violet - red
    cross = direction[0] * line[1] - direction[1] * line[0]
    purple = (red[0] * line[1] - red[1] * line[0]) / cross
    opposite = _ray_to_locus(-direction)
    assert opposite is not None  # every purple has a green opposite
    return -opposite[0], length / float(purple)


def in_polygon(xy: ArrayLike, corners: Floats) -> bool:
    """Whether a point (2,) lies in a polygon (n, 2); its edges and corners count as inside."""
    point = np.asarray(xy, float)
    start, end = corners, np.roll(corners, -1, axis=0)
    leg, to_point = end - start, point - start
    share = np.clip((to_point * leg).sum(1) / (leg**2).sum(1), 0, 1)
    if np.hypot(*(to_point - share[:, None] * leg).T).min() <= EDGE_TOLERANCE:
        return True
    spans = (start[:, 1] > point[1]) != (end[:, 1] > point[1])
    start, leg = start[spans], leg[spans]
    crossing = start[:, 0] + (point[1] - start[:, 1]) / leg[:, 1] * leg[:, 0]
    return bool((crossing > point[0]).sum() % 2)


def reads_as(xy: ArrayLike) -> Signal | None:
    """The signal colour that a light reads as: by hue direction, white by its limits.

    Args:
        xy: (2,), CIE 1931 x and y.
    Returns: red, green, yellow or white; None for blue, purple and what is between the colours.
    Source: COLREGs 1972 Annex I section 7 with the departures said at `HUE_DEG`.
    """
    point = np.asarray(xy, float)
    offset = point - D65
    hue = float(np.degrees(np.arctan2(offset[1], offset[0])))
    purity = dominant_wavelength(point)[1]
    warmth = cct_duv(point)
    for signal, (first, last) in HUE_DEG.items():
        enough = AMBER_PURITY if signal == "yellow" else TINTED_PURITY
        if first <= hue < last and purity >= enough:
            on_locus = warmth and warmth[0] > AMBER_BELOW_K and abs(warmth[1]) <= LAMP_DUV
            if not (signal == "yellow" and on_locus):
                return signal
    near_locus = warmth and warmth[0] > AMBER_BELOW_K and abs(warmth[1]) <= WHITE_DUV
    return "white" if near_locus or in_polygon(point, COLREGS["white"]) else None


def colour_word(xy: ArrayLike) -> str:
    """A plain word for a chromaticity (2,): warm white, red, amber, green, blue, purple..."""
    signal = reads_as(xy)
    warmth = cct_duv(xy)
    if signal == "white":
        kelvin = warmth[0] if warmth else CCT_RANGE_K[1]
        if kelvin < WARM_BELOW_K:
            return "warm white"
        return "cool white" if kelvin > COOL_ABOVE_K else "neutral white"
    if signal is not None:
        return "amber" if signal == "yellow" else signal
    nm = dominant_wavelength(xy)[0]
    assert nm is not None  # D65 reads as white
    if nm < 0:
        return "purple"
    if nm < BLUE_BELOW_NM:
        return "blue"
    return "green" if nm < GREEN_BELOW_NM else "amber"


def measure_colour(rgb: ArrayLike) -> Colour | None:
    """Everything above for one light.

    Args:
        rgb: (3,), linear sRGB of the added light, its luminance above 0.
    Returns: its colour; None where the light has no luminance.
    """
    light = np.asarray(rgb, float)
    if not light @ SRGB_TO_XYZ[1] > 0 or not light.sum() > 0:
        return None
    xy = xy_from_rgb(np.maximum(light, 0.0))  # a channel below 0 is noise or beyond sRGB
    warmth = cct_duv(xy)
    nm, purity = dominant_wavelength(xy)
    signal = reads_as(xy)
    return Colour(
        x=float(xy[0]),
        y=float(xy[1]),
        cct_k=warmth[0] if warmth else None,
        duv=warmth[1] if warmth else None,
        cct_mccamy_k=cct_mccamy(xy) if warmth else None,
        dominant_nm=nm,
        purity=purity,
        word=colour_word(xy),
        reads_as=signal,
        within_limits=signal is not None and in_polygon(xy, COLREGS[signal]),
    )


def meets(expected: str, colour: Colour) -> bool | None:
    """Whether a light has the colour that was asked for, as far as a camera can tell.

    Args:
        expected: red, green, yellow, amber, orange, blue, white, warm white, cool white...; upper
            and lower case are the same.
        colour: the light as measured.
    Returns: None for a word that is not known. Warm is contradicted only by cool and cool by
        warm: a white balance set by the camera moves all whites by one such step.
    """
    words = set(re.findall(r"[a-z]+", expected.lower()))
    if words & {"red", "green", "blue"}:
        return colour.word in words
    if words & {"yellow", "amber", "orange"}:
        hue = AMBER_NM[0] <= (colour.dominant_nm or 0.0) <= AMBER_NM[1]
        return colour.word == "amber" or (hue and colour.purity >= ASKED_AMBER_PURITY)
    if "warm" in words:
        return colour.word in ("warm white", "neutral white")
    if words & {"cool", "cold"}:
        return colour.word in ("cool white", "neutral white")
    return colour.word.endswith("white") if words & {"white", "neutral"} else None
