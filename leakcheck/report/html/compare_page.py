"""The page of a comparison: `report.html` of `leakcheck compare`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from leakcheck.photo import display_image
from leakcheck.report.compare_picture import STYLES, model_view, outline_on_first
from leakcheck.report.compare_plot import course_plot
from leakcheck.report.compare_words import (
    coat_sentence,
    coats_words,
    density_words,
    limit_rows,
    measured_sentences,
    side_words,
    stops_words,
    verdict,
)
from leakcheck.report.html.closeups import closeup_bytes, closeup_count, closeup_view
from leakcheck.report.html.overlay import (
    Crop,
    KeyEntry,
    Line,
    Stage,
    Wanted,
    detail_of,
    path_of,
    placed,
    ring_of,
    view_box,
)
from leakcheck.report.html.page import plain, render
from leakcheck.report.html.pictures import embedded, png_uri
from leakcheck.report.laid_on import Moved, View, seen_from
from leakcheck.report.words import cautions
from leakcheck.stages import way

if TYPE_CHECKING:
    from leakcheck.compare import Change, Comparison
    from leakcheck.report.sheet import LineStyle, Polygon, Rgb

PHOTO_SIDE_PX = 2000
PHOTO_BYTES = 800_000
PICTURES = 2  # of each leak: before, after
PX_OF_UNIT = 11.5  # dashes count in hundredths of the picture's width


@dataclass(frozen=True)
class ChangeCard:
    """One leak as the table and its close-up show it."""

    id: str  # empty where there is no room for its close-up
    number: str
    mark: str
    kind: str
    where: str
    state: str
    colour: str
    before: str
    after: str
    stops: str
    density: str
    coats: str
    advice: str
    caution: str
    reason: str
    crops: Sequence[Crop]


@dataclass(frozen=True, eq=False)
class _Photos:
    """First and last lights-on photo, the last as the first one's camera would have seen it."""

    comparison: Comparison
    first: Rgb
    last: Rgb
    moved: Moved | None

    @property
    def names(self) -> tuple[str, str]:
        return self.comparison.stages[0].name, self.comparison.stages[-1].name

    def both_in(self, view: View) -> tuple[Rgb, Rgb]:
        return seen_from(self.first, view), seen_from(self.last, view, moved=self.moved)


def compare_page(comparison: Comparison) -> bytes:
    """The whole page as the bytes of one HTML file, below 4 MB."""
    stages = comparison.stages
    photos = _Photos(
        comparison,
        display_image(stages[0].on),
        display_image(stages[-1].on),
        way(stages, 0, len(stages) - 1),
    )
    left = [change for change in comparison.changes if change.open and change.advice]
    return render(
        "compare.html.jinja",
        comparison=comparison,
        title=f"{stages[0].name} and {stages[-1].name} compared: {verdict(comparison)}",
        word="TIGHT" if comparison.closed else "LEAKS",
        sentence=verdict(comparison),
        coat=coat_sentence(comparison),
        names=photos.names,
        stage=_stage(photos),
        cards=_cards(photos),
        cautions=cautions(left),
        plot=png_uri(course_plot(comparison)) if comparison.changes else "",
        lamps=[f'"{lamp.name}": {lamp.words}' for lamp in comparison.lamps],
        measured=measured_sentences(comparison),
        limits=limit_rows(comparison),
    )


def _stage(photos: _Photos) -> Stage:
    """Both photos with outlines and numbers, cut to the model."""
    comparison = photos.comparison
    part = model_view(comparison)
    view = View(part.left, part.top, part.size, min(1.0, PHOTO_SIDE_PX / max(part.size)))
    before, after = photos.both_in(view)
    names = [plain(name) for name in photos.names]
    lines, wanted = _outlines(photos, part)
    corner = np.array([part.left, part.top])
    lit = [s for s in comparison.stages[0].check.openings if s.kind in ("window", "beacon")]
    layers = [("leaks", "Leaks", True)] if comparison.changes else []
    if lit:
        layers.append(("openings", "Openings", True))
    states = {change.state for change in comparison.changes}
    key = [KeyEntry("leak", s, *_css(STYLES[s])) for s in STYLES if s in states]
    return Stage(
        label="The model before and after, leaks outlined and numbered",
        lower=embedded(before, most_bytes=PHOTO_BYTES),
        lower_alt=f"The model with its lights on, before: {names[0]}.",
        upper=embedded(after, most_bytes=PHOTO_BYTES),
        upper_alt=f"The same view of it after: {names[1]}. {plain(verdict(comparison))}",
        glow=None,
        view_box=view_box(0, 0, part.size),
        ratio=round(part.size[0] / part.size[1], 5),
        lines=lines,
        marks=placed(
            wanted, part.size, keep_clear=[r - corner for shape in lit for r in shape.rings]
        ),
        dimmer="Test",
        ends=("BEFORE", "AFTER"),
        switches=layers,
        key=key + ([KeyEntry("opening", "opening")] if lit else []),
    )


def _outlines(photos: _Photos, part: View) -> tuple[list[Line], list[Wanted]]:
    """Lines and numbers, px of the part; what lies on top comes last."""
    comparison = photos.comparison
    detail, corner = detail_of(part.size), np.array([part.left, part.top])
    lines = [
        Line(path_of(ring - corner, detail_px=detail), "opening", "openings")
        for shape in comparison.stages[0].check.openings
        if shape.kind in ("window", "beacon")
        for ring in shape.rings
    ]
    wanted = []
    shown = closeup_count(len(comparison.changes), PICTURES)
    for k, change in enumerate(comparison.changes):
        ring = ring_of(outline_on_first(comparison, change) - corner, part.size)
        to = f"leak-{change.number}" if k < shown else "leaks"
        colour, dashes = _css(STYLES[change.state])
        lines.append(Line(path_of(ring, detail_px=detail), "leak", "leaks", to, colour, dashes))
        label = f"Leak {change.number}, {change.kind}, {change.state}, {plain(change.where)}"
        number = str(change.number)
        wanted.append(Wanted(ring, f"mark-{number}", to, number, label, "leaks", colour))
    return lines, wanted


def _css(style: LineStyle) -> tuple[str, str]:
    """Colour and dashes of a line in the page's px."""
    return style.colour, " ".join(f"{dash * PX_OF_UNIT:.0f}" for dash in style.dashes)


def _cards(photos: _Photos) -> list[ChangeCard]:
    changes = photos.comparison.changes
    shown = closeup_count(len(changes), PICTURES)
    most = closeup_bytes(shown, PICTURES)
    return [
        ChangeCard(
            id=f"leak-{change.number}" if k < shown else "",
            number=str(change.number),
            mark=f"mark-{change.number}",
            kind=change.kind,
            where=change.where,
            state=change.state,
            colour=STYLES[change.state].colour,
            before=side_words(change, first=True),
            after=side_words(change, first=False),
            stops=stops_words(change),
            density=density_words(change).replace("+-", "±"),
            coats=coats_words(change),
            advice=change.advice if change.open else "",
            caution=change.caution,
            reason=change.reason,
            crops=_crops(photos, change, most) if k < shown else (),
        )
        for k, change in enumerate(changes)
    ]


def _crops(photos: _Photos, change: Change, most_bytes: int) -> list[Crop]:
    """The same place before and after."""
    size = (photos.first.shape[1], photos.first.shape[0])
    outline: Polygon = outline_on_first(photos.comparison, change)
    view = closeup_view(outline, size)
    path = path_of(ring_of(outline, size), detail_px=0.5)
    return [
        Crop(
            picture=embedded(picture, most_bytes=most_bytes),
            alt=f"The place of leak {change.number}, {word}: {plain(name)}.",
            caption=f"{word.capitalize()}: {name}",
            ratio=round(view.size[0] / view.size[1], 4),
            view_box=view_box(view.left, view.top, view.size),
            path=path,
        )
        for picture, word, name in zip(
            photos.both_in(view), ("before", "after"), photos.names, strict=True
        )
    ]
