"""Are the openings themselves right: lit, even, as bright as their like, of the right colour."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leakcheck.colour import LUMINANCE, Colour, meets
from leakcheck.lampinside import (
    CLIPPED_SHARE,
    Place,
    colour_inside,
    evenness,
    has_hot_spot,
    place_of,
    rim_colour,
    stops_less,
)
from leakcheck.lamprows import MIN_ROW, find_rows
from leakcheck.lampwords import PHOTO_FINDINGS, Finding, advise
from leakcheck.light import boxes
from leakcheck.openings import Opening
from leakcheck.photo import Image, Mask, frame_to_photo_px

Kind = Literal["window", "beacon"]
Bound = Literal["", "at least", "at most"]  # "": the value itself is measured

# An opening is lit where it stands out from its surroundings by 5 standard errors, which noise
# all but never does, and by a twentieth of the median of its kind: less (4.3 stops) looks dark.
LIT_SIGMA, DARK_SHARE = 5.0, 0.05
# One stop beside its neighbours is seen at a glance (common practice, no source). Beacons get two:
# red, green and white lamps of one power differ by a stop in luminance alone.
UNLIKE_STOPS: dict[Kind, float] = {"window": 1.0, "beacon": 2.0}
EVEN_LIMIT = 0.4  # the least that EN 12464-1 asks, round a work place; a window below looks patchy
# 2700 K and 3000 K lamps are 37 mired apart and differ plainly side by side; photos of windows
# alike scatter by 10 to 20. In Duv: the whole width that ANSI C78.377 gives to white LEDs. JPEG
# keeps colour at half resolution, so a narrow window takes on the colour of the wall.
OFF_WHITE_MIRED, OFF_WHITE_DUV, OFF_WHITE_MIN_PX = 35.0, 0.012, 8.0
# Half width, frame px, up to which lens blur takes a stop and more from an opening's level: windows
# seen edge-on. Nothing so narrow is called dim.
SLIM_PX = 2.0
MIN_CLASS = 2  # fewer lit ones have no median to differ from
MIN_WHITES = 3  # of two whites one cannot say which is off
# Words in a beacon's name that say its colour, COLREGs 1972 rule 21; the first found holds, for a
# masthead or stern light is white on either side.
NAMED = {"masthead": "white", "stern": "white", "port": "red", "starboard": "green"}


@dataclass(frozen=True)
class Lamp:
    """One opening as it shines, in pixels of the lights-on photo."""

    name: str
    kind: Kind
    x: float  # centre, px
    y: float
    area_px: float  # 0 where it was not measured
    lit: bool = False
    level: float | None = None  # mean luminance inside, lights off subtracted; None: not measured
    level_at_least: bool = False  # it is clipped: the true level is higher
    clipped_share: float = 0.0  # of its pixels
    stops_less_exposure: float | None = None  # that would measure it; None: none, or unknown
    stops_class: float | None = None  # log2 of level / median of its kind; None: dark, or no median
    stops_class_bound: Bound = ""
    row: str | None = None  # such as "window row 1", counted from the top of the photo
    stops_row: float | None = None  # log2 of level / median of its row
    stops_row_bound: Bound = ""
    evenness: float | None = None  # U0 = minimum / mean; None: clipped, too small or too noisy
    hot_spot: bool = False  # one spot shows the LED itself
    colour: Colour | None = None  # as this camera renders it; None: dark, clipped or too noisy
    cct_from_median_k: float | None = None  # K above the median window; None: one is not white
    mired_from_median: float | None = None  # the same in mired, 1e6 / K: equal steps look equal
    rim_colour: Colour | None = None  # of a beacon clipped to white in its middle; else None
    expected: str | None = None  # colour asked for by the file, or by a beacon's name
    expected_met: bool | None = None  # None: nothing is asked, or nothing can be said
    findings: tuple[Finding, ...] = ()  # empty where all is well
    advice: str = ""  # what to do; empty where there is nothing to do
    caution: str = ""  # what to mind while doing it

    @property
    def colour_too_thin(self) -> bool:
        """True where it is clipped to white in the middle and coloured at the rim."""
        return self.rim_colour is not None

    @property
    def fault(self) -> bool:
        """True where something is wrong with the model, not only with the photo."""
        return bool(set(self.findings) - PHOTO_FINDINGS)


@dataclass(frozen=True, eq=False)
class _Glow:
    """One opening by itself, before it is compared with the others."""

    opening: Opening
    kind: Kind
    expected: str | None
    place: Place
    level: float
    above: float  # level over its surroundings
    clipped_share: float
    lit: bool = False
    row: str | None = None
    colour: Colour | None = None

    @property
    def at_least(self) -> bool:
        return self.clipped_share > CLIPPED_SHARE


@dataclass(frozen=True)
class _White:
    """The median of some white windows."""

    kelvin: float
    duv: float


def measure_lamps(
    added: Image,
    *,
    lit_clipped: Mask,
    labels: NDArray[np.int32],
    openings: tuple[Opening, ...],
    usable: Mask,
    scale: int,
    noise_sigma: float | Image,
) -> tuple[Lamp, ...]:
    """Measure every window and beacon, by itself and against its like.

    Args:
        added: (rows, cols, 3), the lights-on light less the matched lights-off light, linear sRGB.
        lit_clipped: (rows, cols, 3), True where the lights-on photo is at the end of its scale.
        labels: (rows, cols), k + 1 in openings[k], 0 elsewhere.
        openings: shapes in photo pixels; `ignore` and `model` shapes are passed over.
        usable: (rows, cols), True where both photos show the place and the lights-off photo is
            not clipped. A clipped pixel of the lights-on photo must stay usable.
        scale: photo pixels per frame pixel.
        noise_sigma: standard deviation of one pixel's added luminance, a number or (rows, cols).
    Returns: one Lamp for each window and beacon, in the order of `openings`.
    """
    windows = boxes(labels)
    glows: dict[int, _Glow] = {}
    for k, opening in enumerate(openings):
        kind = _kind(opening)
        place = None
        if kind is not None and k + 1 in windows:
            place = place_of(
                added,
                lit_clipped=lit_clipped,
                labels=labels,
                usable=usable,
                noise_sigma=noise_sigma,
                label=k + 1,
                box=windows[k + 1],
            )
        if kind is not None and place is not None:
            glows[k] = _glow(opening, kind, place)
    compared = _with_colours(_with_rows(_with_lit(list(glows.values()))))
    by_opening = dict(zip(glows, compared, strict=True))
    return tuple(
        _lamp(by_opening[k], compared, scale) if k in by_opening else _unseen(opening, kind)
        for k, opening in enumerate(openings)
        if (kind := _kind(opening)) is not None
    )


def class_level(lamps: Sequence[Lamp], kind: Kind) -> tuple[float, bool] | None:
    """The median level of the lit openings of one kind, and whether it is clipped (at least).

    None where none is lit.
    """
    lit = [(lamp.level, lamp.level_at_least) for lamp in lamps if lamp.kind == kind and lamp.lit]
    return _median([(level, at_least) for level, at_least in lit if level is not None])


def expected_colour(opening: Opening) -> str | None:
    """The colour asked for: by the openings file, else by words in a beacon's name.

    "port-sidelight", "StarboardLight" and "stern_2" are understood; "porthole" is no port light.
    """
    if opening.colour or opening.kind != "beacon":
        return opening.colour
    words = {word.lower() for word in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", opening.name)}
    return next((colour for word, colour in NAMED.items() if word in words), None)


def _kind(opening: Opening) -> Kind | None:
    if opening.kind == "window":
        return "window"
    return "beacon" if opening.kind == "beacon" else None


def _glow(opening: Opening, kind: Kind, place: Place) -> _Glow:
    level = float(place.luminance[place.core].mean())
    return _Glow(
        opening=opening,
        kind=kind,
        expected=expected_colour(opening),
        place=place,
        level=level,
        above=level - float(place.ring @ LUMINANCE),
        clipped_share=float(place.clipped[place.core].any(axis=1).mean()),
    )


def _with_lit(glows: list[_Glow]) -> list[_Glow]:
    """Say which are lit: beyond noise, and not far below the median of those beyond noise."""
    least: dict[Kind, float] = {}
    sure = [g for g in glows if g.above > LIT_SIGMA * g.place.mean_noise]
    for kind in ("window", "beacon"):
        above = [g.above for g in sure if g.kind == kind]
        least[kind] = DARK_SHARE * float(np.median(above)) if above else np.inf
    shining = {id(g) for g in sure if g.above > least[g.kind]}
    return [replace(g, lit=id(g) in shining) for g in glows]


def _with_rows(glows: list[_Glow]) -> list[_Glow]:
    named = list(glows)
    for kind in ("window", "beacon"):
        members = [i for i, g in enumerate(glows) if g.kind == kind]
        centres = np.array([glows[i].place.centre for i in members], float).reshape(-1, 2)
        sizes = np.sqrt([float(glows[i].place.pixels) for i in members])
        for number, row in enumerate(find_rows(centres, sizes), start=1):
            for i in row:
                k = members[i]
                named[k] = replace(glows[k], row=f"{kind} row {number}")
    return named


def _with_colours(glows: list[_Glow]) -> list[_Glow]:
    return [replace(g, colour=colour_inside(g.place) if g.lit else None) for g in glows]


def _median(levels: list[tuple[float, bool]]) -> tuple[float, bool] | None:
    """Median of levels, and whether it is only a lower bound because a middle one is clipped."""
    if not levels:
        return None
    ordered = sorted(levels)
    middle = ordered[(len(ordered) - 1) // 2 : len(ordered) // 2 + 1]
    return float(np.mean([level for level, _ in middle])), any(clip for _, clip in middle)


def _stops(glow: _Glow, peers: list[_Glow], least: int) -> tuple[float | None, Bound]:
    """Stops between an opening and the median of its lit peers, and how far that is known."""
    median = _median([(g.level, g.at_least) for g in peers if g.lit])
    lit = sum(g.lit for g in peers)
    if median is None or lit < least or not glow.lit or (glow.at_least and median[1]):
        return None, ""
    bound: Bound = "at least" if glow.at_least else "at most" if median[1] else ""
    return float(np.log2(glow.level / median[0])), bound


def _median_white(windows: list[_Glow]) -> _White | None:
    whites = [g.colour for g in windows if g.colour and g.colour.word.endswith("white")]
    known = [(1 / c.cct_k, c.duv) for c in whites if c.cct_k and c.duv is not None]
    if len(known) < MIN_WHITES:
        return None
    inverse, duv = np.median(known, axis=0)
    return _White(kelvin=float(1 / inverse), duv=float(duv))


def _mired(colour: Colour | None, white: _White | None) -> float | None:
    if colour is None or white is None or not colour.cct_k or not colour.word.endswith("white"):
        return None
    return 1e6 / colour.cct_k - 1e6 / white.kelvin


def _off_white(colour: Colour | None, white: _White | None) -> bool:
    """Whether a window is no white like the others, though the others are white."""
    if colour is None or white is None:
        return False
    mired = _mired(colour, white)
    if mired is None or colour.duv is None:
        return True
    return abs(mired) >= OFF_WHITE_MIRED or abs(colour.duv - white.duv) >= OFF_WHITE_DUV


def _unlike(kind: Kind, stops: float | None, bound: Bound) -> Finding | None:
    """Dim or outshining, where what is known of the level is enough to say so."""
    if stops is None:
        return None
    if stops <= -UNLIKE_STOPS[kind] and bound != "at least":
        return "dim"
    return "outshines" if stops >= UNLIKE_STOPS[kind] and bound != "at most" else None


def _findings(lamp: Lamp, *, off_white: bool, slim: bool) -> tuple[Finding, ...]:
    """All that is to be said of an opening, what matters most first."""
    if not lamp.lit:
        return ("dark",)
    row_known = lamp.stops_row is not None
    stops = lamp.stops_row if row_known else lamp.stops_class
    bound = lamp.stops_row_bound if row_known else lamp.stops_class_bound
    unlike = _unlike(lamp.kind, stops, bound)
    window = lamp.kind == "window"  # a beacon is its LED: it need be neither even nor spotless
    uneven = window and lamp.evenness is not None and lamp.evenness < EVEN_LIMIT
    found: list[tuple[Finding, bool]] = [
        ("dim", unlike == "dim" and not slim),
        ("outshines", unlike == "outshines"),
        ("wrong colour", lamp.expected_met is False),
        ("off-colour", window and off_white and lamp.expected_met is not False),
        ("colour too thin", lamp.colour_too_thin),
        ("hot spot", window and lamp.hot_spot),
        ("uneven", uneven and not lamp.hot_spot),  # where one LED shows, that says it all
        ("clipped", lamp.level_at_least),
    ]
    return tuple(finding for finding, holds in found if holds)


def _lamp(glow: _Glow, glows: list[_Glow], scale: int) -> Lamp:
    """One opening against all others."""
    kin = [g for g in glows if g.kind == glow.kind]
    row = [g for g in kin if g.row == glow.row] if glow.row else []
    stops_class, class_bound = _stops(glow, kin, MIN_CLASS)
    stops_row, row_bound = _stops(glow, row, MIN_ROW)
    # A window is held against windows of which the same is asked, a beacon against all windows.
    alike = glow.kind == "beacon"
    white = _median_white(
        [g for g in glows if g.kind == "window" and (alike or g.expected == glow.expected)]
    )
    mired = _mired(glow.colour, white)
    cct = glow.colour.cct_k if glow.colour else None
    x, y = frame_to_photo_px(np.array([glow.place.centre]), scale)[0]
    coloured = glow.lit and glow.kind == "beacon" and glow.expected != "white"
    met = meets(glow.expected, glow.colour) if glow.expected and glow.colour else None
    lamp = Lamp(
        name=glow.opening.name,
        kind=glow.kind,
        x=float(x),
        y=float(y),
        area_px=float(glow.place.pixels * scale**2),
        lit=glow.lit,
        level=glow.level,
        level_at_least=glow.at_least,
        clipped_share=glow.clipped_share,
        stops_less_exposure=stops_less(glow.place),
        stops_class=stops_class,
        stops_class_bound=class_bound,
        row=glow.row,
        stops_row=stops_row,
        stops_row_bound=row_bound,
        evenness=evenness(glow.place) if glow.lit else None,
        hot_spot=glow.lit and has_hot_spot(glow.place),
        colour=glow.colour,
        cct_from_median_k=cct - white.kelvin if cct and white and mired is not None else None,
        mired_from_median=mired,
        rim_colour=rim_colour(glow.place) if coloured else None,
        expected=glow.expected,
        expected_met=met,
    )
    wide = 2 * glow.place.half_width * scale >= OFF_WHITE_MIN_PX
    slim = glow.place.half_width <= SLIM_PX
    off_white = wide and _off_white(glow.colour, white)
    return _with_words(lamp, _findings(lamp, off_white=off_white, slim=slim))


def _with_words(lamp: Lamp, findings: tuple[Finding, ...]) -> Lamp:
    advice, caution = advise(
        findings,
        stops=lamp.stops_less_exposure,
        expected=lamp.expected,
        word=lamp.colour.word if lamp.colour else None,
        rim=lamp.rim_colour.word if lamp.rim_colour else None,
    )
    return replace(lamp, findings=findings, advice=advice, caution=caution)


def _unseen(opening: Opening, kind: Kind) -> Lamp:
    """An opening that the two photos do not both show."""
    x, y = np.concatenate(opening.rings).mean(axis=0)
    expected = expected_colour(opening)
    lamp = Lamp(opening.name, kind, x=float(x), y=float(y), area_px=0.0, expected=expected)
    return _with_words(lamp, ("not measured",))
