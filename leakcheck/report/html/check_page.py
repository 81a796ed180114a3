"""The page of one light test: `report.html` of `leakcheck check`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from leakcheck.colour import CAMERA_NOTE
from leakcheck.photo import display_image
from leakcheck.report import lamp_table
from leakcheck.report.glow import fill_grey, glow_of_view, glow_over, glow_range, ramp_css
from leakcheck.report.html.check_words import (
    faintest_rows,
    lamps_words,
    limit_sentences,
    measured_sentences,
    photo_rows,
    setting_rows,
    size_words,
    title_of,
)
from leakcheck.report.html.closeups import closeup_bytes, closeup_count, closeup_view
from leakcheck.report.html.overlay import (
    Crop,
    KeyEntry,
    Line,
    Mark,
    Stage,
    Wanted,
    detail_of,
    path_of,
    placed,
    ring_of,
    view_box,
)
from leakcheck.report.html.page import plain, render
from leakcheck.report.html.pictures import embedded
from leakcheck.report.laid_on import View, seen_from
from leakcheck.report.shown import openings_numbered, spill_shown
from leakcheck.report.words import (
    added_light,
    cautions,
    of_window,
    on_surface,
    plain_advice,
    signs,
    verdict,
)

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.diagnose import Leak
    from leakcheck.photo import Image, Photo
    from leakcheck.report.sheet import Polygon, Rgb

PHOTO_SIDE_PX = 2000  # more than a page shows, so that one can zoom in
PHOTO_BYTES = 800_000  # for each of the two
GLOW_SIDE_PX, GLOW_BYTES = 1400, 260_000
PICTURES = 3  # of each leak: off, on, added
SHAPE_STYLES = {
    "window": ("opening", "opening"),
    "beacon": ("opening", "opening"),
    "ignore": ("ignore", "left out"),
    "model": ("outline", "outline of the model"),
}


@dataclass(frozen=True)
class LeakCard:
    """One leak as the table and its close-up show it."""

    id: str
    number: str
    mark: str  # id of its number over the photo
    kind: str
    doubtful: bool
    where: str
    level: str
    contrast: str
    noticed: str
    size: str
    colour: str
    advice: str
    caution: str
    crops: Sequence[Crop]  # empty where there is no room


@dataclass(frozen=True, eq=False)
class _Photos:
    """Both photos as displayed, the second laid onto the first where it is shown."""

    check: Check
    off: Rgb
    on: Rgb
    glow: Image | None
    ends: tuple[float, float]  # of the glow's scale

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows of the lights-on photo."""
        return self.on.shape[1], self.on.shape[0]

    def off_in(self, view: View) -> Rgb:
        moved = None if self.check.registration.identity else self.check.registration.on_to_off
        return seen_from(self.off, view, moved=moved)

    def on_in(self, view: View) -> Rgb:
        return seen_from(self.on, view)

    def glow_in(self, view: View) -> Rgb | None:
        """The added light in colours; None where it is not known."""
        if self.glow is None:
            return None
        low, high = self.ends
        part = glow_of_view(self.glow, view, self.size)
        picture = glow_over(self.on_in(view), part, low=low, high=high)
        for shape in self.check.openings:
            if shape.kind in ("window", "beacon"):
                fill_grey(picture, [view.to_picture(ring) for ring in shape.rings])
        return picture


def check_page(check: Check, *, off: Photo, on: Photo, glow: Image | None) -> bytes:
    """The whole page as the bytes of one HTML file, below 4 MB.

    Args:
        check: the result.
        off, on: its photos.
        glow: added light / room light on the same surface, over the whole lights-on photo at any
            resolution; None leaves pictures of it away.
    """
    ends = (0.01, 1.0) if glow is None else glow_range(glow, check)
    photos = _Photos(check, display_image(off), display_image(on), glow, ends)
    word, _, sentence = verdict(check).partition(": ")
    return render(
        "check.html.jinja",
        check=check,
        title=title_of(check),
        word=word,
        sentence=sentence[:1].upper() + sentence[1:],
        lamps_sentence=lamps_words(check),
        stage=_stage(photos),
        cards=_cards(photos),
        ramp=[added_light(value) for value in ends] if glow is not None else [],
        ramp_css=ramp_css(),
        cautions=cautions([*check.leaks, *lamp_table.faulty(check.lamps)]),
        lamp_heads=lamp_table.HEADS,
        lamp_rows=lamp_table.table_rows(check.lamps),
        lamp_legend=f"{lamp_table.LEGEND} {CAMERA_NOTE}",
        lamp_rest=lamp_table.the_rest(check.lamps),
        lamp_advice=lamp_table.advice_rows(check.lamps),
        spill=[_side_row(leak, "S") for leak in spill_shown(check.spill)],
        likely=[_side_row(leak, "O") for leak in openings_numbered(check.likely_openings)],
        faintest=faintest_rows(check),
        limits=limit_sentences(check),
        measured=measured_sentences(check),
        photo_rows=photo_rows(check),
        setting_rows=setting_rows(check),
    )


def _stage(photos: _Photos) -> Stage:
    """Both photos with outlines and numbers."""
    check, size = photos.check, photos.size
    view = View(0, 0, size, min(1.0, PHOTO_SIDE_PX / max(size)))
    small = View(0, 0, size, min(1.0, GLOW_SIDE_PX / max(size)))
    glow = photos.glow_in(small)
    lines, wanted, key = _outlines(check, size)
    layers = [("leaks", "Leaks", True)] if check.leaks else []
    if check.spill:
        layers.append(("spill", "Spill", True))
    if check.openings or check.likely_openings:
        layers.append(("openings", "Openings", True))
    if glow is not None:
        layers.append(("glow", "Added light in colours", False))
    return Stage(
        label="The model with its lights on, leaks outlined and numbered",
        lower=embedded(photos.off_in(view), most_bytes=PHOTO_BYTES),
        lower_alt=f"The model with its lights off: {plain(check.off.name)}.",
        upper=embedded(photos.on_in(view), most_bytes=PHOTO_BYTES),
        upper_alt=f"The model with its lights on: {plain(check.on.name)}. {_in_words(check)}",
        glow=None if glow is None else embedded(glow, most_bytes=GLOW_BYTES),
        view_box=view_box(0, 0, size),
        ratio=round(size[0] / size[1], 5),
        lines=lines,
        marks=_marks(check, size, wanted),
        dimmer="Lights",
        ends=("OFF", "ON"),
        switches=layers,
        key=key,
    )


def _in_words(check: Check) -> str:
    """Where the leaks are, for those who hear the page."""
    if check.tight:
        return "No leak is marked."
    count = len(check.leaks)
    places = "; ".join(f"{leak.number} {leak.kind} {plain(leak.where)}" for leak in check.leaks[:8])
    more = f"; and {count - 8} more" if count > 8 else ""
    return f"{count} {'leak is' if count == 1 else 'leaks are'} marked: {places}{more}."


def _outlines(
    check: Check, size: tuple[int, int]
) -> tuple[list[Line], list[Wanted], list[KeyEntry]]:
    """Lines, numbers and key; what lies on top comes last."""
    detail = detail_of(size)
    faulty = {lamp.name for lamp in lamp_table.faulty(check.lamps)}
    key: dict[str, str] = {}
    lines, wanted = [], []

    def draw(ring: Polygon, style: str, layer: str, meaning: str, to: str = "") -> None:
        lines.append(Line(path_of(ring, detail_px=detail), style, layer, to))
        key[style] = meaning

    for shape in check.openings:
        style, meaning = SHAPE_STYLES[shape.kind]
        if shape.kind in ("window", "beacon") and shape.name in faulty:
            style, meaning = "faulty", "opening not as it should be"
        for ring in shape.rings:
            draw(ring, style, "openings", meaning)
    numbered = {leak.number for leak in openings_numbered(check.likely_openings)}
    for leak in check.likely_openings:
        draw(leak.outline, "likely", "openings", "likely opening")
        if leak.number in numbered:
            wanted.append(_wanted(leak, leak.outline, "O", "openings", "likely-openings"))
    for leak in spill_shown(check.spill):
        ring = ring_of(leak.outline, size)
        draw(ring, "spill", "spill", "spill, not a leak")
        wanted.insert(0, _wanted(leak, ring, "S", "spill", "spill"))
    shown = closeup_count(len(check.leaks), PICTURES)
    for k, leak in reversed(list(enumerate(check.leaks))):
        ring = ring_of(leak.outline, size)
        to = f"leak-{leak.number}" if k < shown else "leaks"
        draw(ring, "leak", "leaks", "leak", to)
        wanted.insert(0, _wanted(leak, ring, "", "leaks", to))
    return lines, wanted, [KeyEntry(style, text) for style, text in reversed(key.items())]


def _wanted(leak: Leak, ring: Polygon, letter: str, layer: str, to: str) -> Wanted:
    what = {"": f"Leak {leak.number}, {leak.kind}", "S": f"Spill S{leak.number}"}
    label = what.get(letter, f"Likely opening O{leak.number}")
    doubt = ", doubtful" if leak.doubtful else ""
    return Wanted(
        ring,
        f"mark-{letter}{leak.number}",
        to,
        f"{letter}{leak.number}{'?' if leak.doubtful and not letter else ''}",
        f"{label}{doubt}, {plain(leak.where)}",
        layer,
    )


def _marks(check: Check, size: tuple[int, int], wanted: Sequence[Wanted]) -> list[Mark]:
    lit = [shape for shape in check.openings if shape.kind in ("window", "beacon")]
    return placed(wanted, size, keep_clear=[ring for shape in lit for ring in shape.rings])


def _cards(photos: _Photos) -> list[LeakCard]:
    leaks = photos.check.leaks
    shown = closeup_count(len(leaks), PICTURES)
    most = closeup_bytes(shown, PICTURES)
    return [
        LeakCard(
            id=f"leak-{leak.number}" if k < shown else "",
            number=str(leak.number),
            mark=f"mark-{leak.number}",
            kind=leak.kind,
            doubtful=leak.doubtful,
            where=leak.where,
            level=signs(of_window(leak)),
            contrast=signs(on_surface(leak)),
            noticed="yes" if leak.noticeable else "no",
            size=size_words(leak, photos.check.mm_per_px),
            colour=leak.colour,
            advice=plain_advice(leak),
            caution=leak.caution,
            crops=_crops(photos, leak, most) if k < shown else (),
        )
        for k, leak in enumerate(leaks)
    ]


def _crops(photos: _Photos, leak: Leak, most_bytes: int) -> list[Crop]:
    """The same place off, on and as added light."""
    view = closeup_view(np.asarray(leak.outline, float), photos.size)
    ring = path_of(ring_of(leak.outline, photos.size), detail_px=0.5)
    what = f"{leak.kind} {leak.number}"
    pictures = [
        (photos.off_in(view), "Lights off", f"The place of {what} with the lights off."),
        (photos.on_in(view), "Lights on", f"The same place with the lights on: {what}."),
    ]
    glow = photos.glow_in(view)
    if glow is not None:
        pictures.append((glow, "Added light", f"The light that {what} adds, in colours."))
    return [
        Crop(
            picture=embedded(picture, most_bytes=most_bytes),
            alt=alt,
            caption=caption if k else f"{caption}. {_width_words(view, photos.check.mm_per_px)}",
            ratio=round(view.size[0] / view.size[1], 4),
            view_box=view_box(view.left, view.top, view.size),
            path=ring,
        )
        for k, (picture, caption, alt) in enumerate(pictures)
    ]


def _width_words(view: View, mm_per_px: float | None) -> str:
    """How much of the model a close-up shows."""
    if mm_per_px is None:
        return f"{view.size[0]:,} px wide."
    return f"{float(f'{view.size[0] * mm_per_px:.2g}'):g} mm wide."


def _side_row(leak: Leak, letter: str) -> tuple[str, str, str, str, str, bool]:
    """Number, its mark's id, place, light on its surface, against a window, doubt."""
    number = f"{letter}{leak.number}"
    mark = f"mark-{number}"
    light, level = (signs(words) for words in (on_surface(leak), of_window(leak)))
    return number, mark, leak.where, light, level, leak.doubtful
