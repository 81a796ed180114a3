"""A measured region becomes a kind of leak, with words for where it is and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.colour import colour_word
from leakcheck.openings import Opening
from leakcheck.photo import Mask, frame_to_photo_px
from leakcheck.regions import Region

LeakKind = Literal["pinhole", "seam leak", "show-through", "side glow", "open hole"]
SpotKind = Literal["pinhole", "seam leak", "show-through", "side glow", "open hole", "spill"]

PINHOLE_PX = 9.0  # frame px, 4 sigma: as small as the lens can show, and somewhat sharpened
SLENDER = 2.4  # length / width from which a leak follows a line
SEAM_WIDTH_PX = 16.0  # frame px; what is broader is a wall
SIDE_GLOW_REACH = 1.3  # of a beacon's size: where an unpainted side of its clear part shines
SMALLEST_BEACON_PX = 4.0  # frame px
LINK_PX = 3  # frame px: width of what links the pieces of an outline
HOLE_LEVEL = 0.5  # of the median window: the lamp itself is seen
HOLE_GROWTH = 2.2  # area above 15 % / area above half; less means a sharp edge
XYZ_OF_RGB = np.array(  # IEC 61966-2-1
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)

POWER_OFF = (
    "Switch the power off before you work inside. Foil tape and metallic paint conduct: "
    "insulate joints and leads first."
)
SPRAYING = (
    "Spray only with extraction or outdoors and with a suitable respirator, away from flames; "
    "follow the paint's safety sheet and let it cure."
)
LIT_WORK = "Do not stare into bright LEDs. Keep tools and wet paint off live leads."
ADVICE: dict[SpotKind, tuple[str, str]] = {
    "pinhole": (
        "Dab it from inside with a brush and blocking paint, best with the lamps lit so that "
        "you see it go.",
        LIT_WORK,
    ),
    "seam leak": (
        "Press the joint together and test again: it may close when glued. If it stays, filler "
        "or a backing strip behind it, then paint.",
        POWER_OFF,
    ),
    "show-through": (
        "Another blocking coat over the whole inside of that wall; if it still glows, foil tape.",
        f"{SPRAYING} {POWER_OFF}",
    ),
    "side glow": (
        "Another coat on all sides of the clear part except where light enters and leaves.",
        f"{SPRAYING} Knives cut: take the part out before you work on it.",
    ),
    "open hole": (
        "A piece of plastic or foil tape behind it, or a light box round the LED.",
        f"{POWER_OFF} Feel for heat after ten minutes: every LED needs its current limited.",
    ),
    "spill": ("Nothing: light from an opening falls here.", ""),
}
CLIPPED_SHARE = 0.05  # of a leak's light; less does not show in its figures
TAPE_TEST = (
    "Cover the openings with tape from outside and photograph again: what still glows is a leak."
)


@dataclass(frozen=True, eq=False)
class Leak:
    """One place where light shows, in pixels of the lights-on photo."""

    number: int  # 1 for the strongest
    kind: SpotKind
    x: float  # centroid of the added light, px
    y: float
    outline: NDArray[np.float64]  # (n, 2) x, y: closed polygon round it, px
    area_px: float  # photo pixels above a tenth of its own peak
    glow_px: float  # added luminance / unlit luminance of the same surface, summed over its pixels
    contrast: float  # the same, mean over its pixels
    level: float | None  # peak added luminance / median window; None where no window is lit
    level_at_most: bool  # True where the windows are clipped: the true level is lower
    clipped: bool  # True where it is clipped itself: glow, contrast and level are higher
    significance: float  # strength / the spread without any leak
    colour: str  # plain word: warm white, cool white, red, amber, green, blue
    rgb: tuple[float, float, float]  # added light, linear sRGB, brightest channel 1
    length_px: float  # along it
    width_px: float  # across it
    noticeable: bool  # would a person notice it in this room light
    doubtful: bool  # may be spill: cover the openings with tape and photograph again
    where: str  # nearest opening, direction, distance
    advice: str  # what to do
    caution: str  # what to mind while doing it


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What a region is put into words against."""

    openings: tuple[Opening, ...]  # in photo px
    scale: int  # photo px per frame px
    window_level: float | None  # linear light
    window_clipped: bool
    noticeable_contrast: float
    mm_per_px: float | None
    model: NDArray[np.float64]  # (2, 2): corners x, y of the model's box, photo px
    clipped: Mask | None = None  # (rows, cols) of the frame, True at the end of the scale


def kind_of(region: Region, surroundings: Surroundings) -> LeakKind:
    """The kind of a leak by its size, shape, edge and neighbours (common practice, no source)."""
    level = region.peak / surroundings.window_level if surroundings.window_level else 0.0
    slender = region.length / max(region.width, 1.0)
    if slender < 2 * SLENDER and beacon_beside(region, surroundings) is not None:
        return "side glow"
    if region.length < PINHOLE_PX:
        return "pinhole"
    if slender > SLENDER and region.width < SEAM_WIDTH_PX:
        return "seam leak"
    if level > HOLE_LEVEL and region.growth < HOLE_GROWTH:
        return "open hole"
    return "show-through"


def beacon_beside(region: Region, surroundings: Surroundings) -> Opening | None:
    """The beacon whose clear part may shine from its side where a region is, if there is one."""
    beacon = _nearest(region, surroundings, ("beacon",))
    if beacon is None:
        return None
    opening, gap = beacon
    size = max(_size(opening), SMALLEST_BEACON_PX * surroundings.scale)
    return opening if gap < SIDE_GLOW_REACH * size else None


def described(
    region: Region, number: int, kind: SpotKind, surroundings: Surroundings, *, doubtful: bool
) -> Leak:
    """A region in photo pixels and in words.

    Args:
        region: as measured, frame px.
        number: what it is called in the report.
        kind: what it is.
        surroundings: openings, scale and levels of the pair.
        doubtful: whether it may be a leak although it looks like spill, or the other way round.
    """
    scale = surroundings.scale
    x, y = frame_to_photo_px(np.array([[region.x, region.y]]), scale)[0]
    rgb = np.maximum(np.array(region.rgb), 0.0)
    advice, caution = ADVICE[kind]
    if doubtful:
        advice = TAPE_TEST if kind == "spill" else f"{TAPE_TEST} Then: {advice}"
    level = region.peak / surroundings.window_level if surroundings.window_level else None
    return Leak(
        number=number,
        kind=kind,
        x=float(x),
        y=float(y),
        outline=frame_to_photo_px(outline_of(region), scale),
        area_px=region.area * scale**2,
        glow_px=region.glow * scale**2,
        contrast=region.contrast,
        level=level,
        level_at_most=surroundings.window_clipped and level is not None,
        clipped=_is_clipped(region, surroundings),
        significance=region.spot.significance,
        colour=_colour(rgb),
        rgb=tuple((rgb / max(float(rgb.max()), 1e-9)).tolist()),
        length_px=region.length * scale,
        width_px=region.width * scale,
        noticeable=region.contrast >= surroundings.noticeable_contrast,
        doubtful=doubtful,
        where=where(float(x), float(y), surroundings),
        advice=advice,
        caution=caution,
    )


def _is_clipped(region: Region, surroundings: Surroundings) -> bool:
    """Whether enough of a region's light is at the end of the scale that its figures are too low.

    False where it is not known what is clipped.
    """
    if surroundings.clipped is None:
        return False
    extent = region.extent
    clipped = surroundings.clipped[extent.box] & extent.mask
    return float(extent.weight[clipped].sum()) > CLIPPED_SHARE * float(extent.weight.sum())


def outline_of(region: Region) -> NDArray[np.float64]:
    """The closed polygon round a region's pixels, (n, 2) x, y, frame px.

    The pieces of a broken joint are linked, so that one outline goes round all of them.
    """
    padded = np.pad(region.extent.mask, 1).astype(np.uint8)
    count, _, _, middles = cv2.connectedComponentsWithStats(padded, connectivity=8)
    if count > 2:
        points = middles[1:]
        axis = np.linalg.svd(points - points.mean(axis=0))[2][0]
        path = points[np.argsort(points @ axis)].round().astype(np.int32)
        cv2.polylines(padded, [path.reshape(-1, 1, 2)], False, 1, LINK_PX)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    longest = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float)
    return np.asarray(longest + np.array([region.extent.left - 1, region.extent.top - 1]), float)


def where(x: float, y: float, surroundings: Surroundings) -> str:
    """A place in words: nearest opening, direction and distance; else where on the model."""
    best: tuple[float, Opening] | None = None
    for opening in surroundings.openings:
        if opening.kind not in ("window", "beacon"):
            continue
        gap = -float(_signed_distance(opening, x, y))
        if best is None or gap < best[0]:
            best = (gap, opening)
    if best is None:
        (left, top), (right, bottom) = surroundings.model
        across = _third((x - left) / max(right - left, 1.0), ("left", "middle", "right"))
        down = _third((y - top) / max(bottom - top, 1.0), ("upper", "middle", "lower"))
        if across == down == "middle":
            return "in the middle of the picture"
        return f"{down} {across} of the picture".replace("middle middle", "middle")
    gap, opening = best
    if gap <= 0:
        return f'inside "{opening.name}"'
    centre = np.vstack(opening.rings).mean(axis=0)
    direction = _direction(x - centre[0], y - centre[1])
    if surroundings.mm_per_px:
        distance = f"{gap * surroundings.mm_per_px:.0f} mm"
    else:
        distance = f"{gap:.0f} px"
    return f'{direction} "{opening.name}", {distance} away'


def _third(share: float, words: tuple[str, str, str]) -> str:
    return words[min(max(int(share * 3), 0), 2)]


def _direction(dx: float, dy: float) -> str:
    """Where something lies as seen from an opening; y counts downwards."""
    words: tuple[str, ...] = ("right of", "below right of", "below", "below left of")
    words += ("left of", "above left of", "above", "above right of")
    return words[round(math.atan2(dy, dx) / (math.pi / 4)) % 8]


def _signed_distance(opening: Opening, x: float, y: float) -> float:
    """Distance to an opening's border, px, above 0 inside."""
    return max(
        cv2.pointPolygonTest(ring.astype(np.float32).reshape(-1, 1, 2), (x, y), True)
        for ring in opening.rings
    )


def _size(opening: Opening) -> float:
    """Root of the area of an opening's box, px."""
    points = np.vstack(opening.rings)
    return float(np.sqrt(np.prod(np.maximum(np.ptp(points, axis=0), 1.0))))


def _nearest(
    region: Region, surroundings: Surroundings, kinds: Sequence[str]
) -> tuple[Opening, float] | None:
    """The nearest opening of these kinds and the gap from its border to the peak, photo px."""
    peak = np.array([[region.spot.col, region.spot.row]], float)
    x, y = frame_to_photo_px(peak, surroundings.scale)[0]
    gaps = [
        (-_signed_distance(opening, float(x), float(y)), k)
        for k, opening in enumerate(surroundings.openings)
        if opening.kind in kinds
    ]
    if not gaps:
        return None
    gap, k = min(gaps)
    return surroundings.openings[k], gap


def _colour(rgb: NDArray[np.float64]) -> str:
    """A plain word for light of this linear sRGB."""
    xyz = XYZ_OF_RGB @ rgb
    total = float(xyz.sum())
    return colour_word(xyz[:2] / total) if total > 1e-9 else "white"
