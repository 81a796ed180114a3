"""What became of a folder: every pair, every view over its stages, what is left to do."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leakcheck.batch import Plan
from leakcheck.batch_job import COMPARED, SMALL, Record
from leakcheck.batch_run import Done
from leakcheck.errors import EXIT_LEAKS, EXIT_NOT_MEASURED, EXIT_TIGHT
from leakcheck.report.outputs import MARKED, PAGE, RESULT
from leakcheck.report.overview_words import coats_range
from leakcheck.views import PlacedPair

HOW = {"name": "by name", "content": "by content", "file": "as the file of pairs says"}


@dataclass(frozen=True)
class LeakLine:
    """One leak, as an overview tells it."""

    number: int | None  # in the pair's own results; None: it is in the comparison's alone
    kind: str
    where: str
    contrast: float | None  # added / room light on the same surface
    level: float | None  # of the median window
    level_at_most: bool
    clipped: bool  # contrast and level are higher
    noticeable: bool
    doubtful: bool
    advice: str
    caution: str
    coats: str = ""  # still needed, where the view's comparison says so: "3 (2 to 5)"


@dataclass(frozen=True)
class OpeningLine:
    """An opening that is not as it should be."""

    name: str
    findings: tuple[str, ...]
    advice: str
    caution: str


@dataclass(frozen=True)
class PairLine:
    """One pair and what became of it."""

    view: str
    stage: str
    number: int  # of that view in that stage: 2 is the first repeat
    off: str  # from the folder of photos
    on: str
    paired: str  # how, in words
    why: str
    openings: str | None  # the drawing it was measured with
    verdict: str  # tight, leaks or not measured
    text: str  # the verdict in words, or why there is none
    exit_code: int
    leaks: tuple[LeakLine, ...]  # strongest first
    openings_text: str  # on the openings themselves; empty where none are known
    faulty_openings: tuple[OpeningLine, ...]
    faintest: float | None  # pinhole that would have shown: added / room light
    notes: tuple[str, ...]
    results: str | None  # folder of its results, from that of the overview
    page: str | None  # what to look at first in there
    picture: str | None  # for the contact sheet

    @property
    def measured(self) -> bool:
        """Whether there is a result."""
        return self.exit_code <= EXIT_LEAKS

    @property
    def name(self) -> str:
        """For people: "bow, coat-1 (2)"."""
        return f"{self.view}, {self.stage}" + (f" ({self.number})" if self.number > 1 else "")


@dataclass(frozen=True)
class ComparisonLine:
    """A view over its stages."""

    stages: tuple[str, ...]
    text: str  # the verdict in words, or why there is none
    exit_code: int
    notes: tuple[str, ...]
    results: str | None
    page: str | None


@dataclass(frozen=True)
class ViewLine:
    """One side of the model."""

    name: str
    stages: tuple[str, ...]
    pairs: tuple[int, ...]  # places in the overview's list
    last: int | None  # the latest pair that was measured: what is left to do
    comparison: ComparisonLine | None
    # Leaks of earlier tests that the latest one still measures, or hides, but does not find.
    fading: tuple[LeakLine, ...] = ()


@dataclass(frozen=True)
class LeftOutLine:
    """A photo in no pair."""

    photo: str
    reason: str
    why: str
    exit_code: int


@dataclass(frozen=True)
class Overview:
    """A whole folder."""

    folder: str
    pairs: tuple[PairLine, ...]
    views: tuple[ViewLine, ...]  # the worst first
    left_out: tuple[LeftOutLine, ...]
    unused_openings: tuple[tuple[str, str], ...]  # drawing and why it served no pair
    exit_code: int  # the worst of all

    def left_on(self, view: ViewLine) -> tuple[LeakLine, ...]:
        """The leaks that are left on a side: of the latest test, then those that fade."""
        last = self.last_of(view)
        return (*last.leaks, *view.fading) if last is not None else ()

    def last_of(self, view: ViewLine) -> PairLine | None:
        """The pair that says what is left to do on a side."""
        return None if view.last is None else self.pairs[view.last]


def overview_of(plan: Plan, done: Done, *, lamps: bool = False) -> Overview:
    """Gather the results of a batch from its folder.

    Args:
        plan, done: of the batch.
        lamps: an opening that is not as it should be counts as a leak does.
    """
    out = plan.wishes.out
    comparisons = {
        view: _loaded(out / record.name / COMPARED) for view, record in done.comparisons.items()
    }
    pairs = tuple(
        _pair_line(plan, k, placed, done.pairs.get(k), comparisons.get(placed.view), lamps=lamps)
        for k, placed in enumerate(plan.pairs)
    )
    views = [
        _view_line(name, pairs, out, done.comparisons.get(name), comparisons.get(name))
        for name in dict.fromkeys(pair.view for pair in pairs)
    ]
    left = tuple(
        LeftOutLine(each.shot.rel, each.reason, each.why, each.shot.exit_code)
        for each in plan.left_out
    )
    codes = [pair.exit_code for pair in pairs] + [photo.exit_code for photo in left]
    codes += [view.comparison.exit_code for view in views if view.comparison]
    used = {drawing.path for drawing in plan.served.values()}
    return Overview(
        folder=str(plan.folder),
        pairs=pairs,
        views=tuple(sorted(views, key=lambda view: _badness(view, pairs))),
        left_out=left,
        unused_openings=tuple(
            (drawing.path.relative_to(plan.folder).as_posix(), drawing.why)
            for drawing in plan.drawings
            if drawing.path not in used
        ),
        # Nothing was measured where there is no pair: that must not pass for tight.
        exit_code=max([*codes, EXIT_TIGHT if pairs else EXIT_NOT_MEASURED]),
    )


def _pair_line(
    plan: Plan,
    k: int,
    placed: PlacedPair,
    record: Record | None,
    comparison: dict[str, Any] | None,
    *,
    lamps: bool,
) -> PairLine:
    """One pair, from its record and its result."""
    pair, out = placed.pair, plan.wishes.out
    bad = pair.damaged
    result = _loaded(out / record.name / RESULT) if record is not None else None
    failed = record is None or record.exit_code > EXIT_LEAKS or result is None
    if bad is not None:
        reason, code = bad.fault, bad.exit_code
    else:
        assert record is not None, "every pair that can be read has a job"
        reason, code = record.reason, record.exit_code
    content: dict[str, Any] = {} if failed or result is None else result
    faulty = tuple(_opening_line(lamp) for lamp in content.get("lamps", []) if lamp["fault"])
    if lamps and faulty and not failed:
        code = max(code, EXIT_LEAKS)
    folder = None if failed or record is None else record.name
    verdict = "not measured" if failed else str(content["verdict"])
    drawing = plan.served.get(k)
    return PairLine(
        view=placed.view,
        stage=placed.stage,
        number=placed.number,
        off=pair.off.rel,
        on=pair.on.rel,
        paired=HOW[pair.how],
        why=pair.why,
        openings=drawing.path.relative_to(plan.folder).as_posix() if drawing else None,
        verdict=verdict,
        text=reason if failed else str(content["verdict_text"]),
        exit_code=code,
        leaks=_leak_lines(content, placed.stage, comparison),
        openings_text=str(content.get("lamps_text", "")),
        faulty_openings=faulty,
        faintest=content["limit"]["pinhole_far"]["contrast"] if content else None,
        notes=(*(record.notes if record else ()), *content.get("warnings", [])),
        results=folder,
        page=_first_there(out, folder, PAGE, MARKED),
        picture=_first_there(out, folder, SMALL),
    )


def _leak_lines(
    content: dict[str, Any], stage: str, comparison: dict[str, Any] | None
) -> tuple[LeakLine, ...]:
    """The leaks of a result, with the coats that the view's comparison asks for them."""
    coats: dict[int, str] = {}
    if comparison is not None and comparison["stages"][-1]["name"] == stage:
        for change in comparison["changes"]:
            after = change["after"]
            if after is not None and after["number"] is not None:
                coats[after["number"]] = _coats(change)
    names = [name for name in LeakLine.__dataclass_fields__ if name != "coats"]
    return tuple(
        LeakLine(**{name: leak[name] for name in names}, coats=coats.get(leak["number"], ""))
        for leak in content.get("leaks", [])
    )


def _opening_line(lamp: dict[str, Any]) -> OpeningLine:
    return OpeningLine(lamp["name"], tuple(lamp["findings"]), lamp["advice"], lamp["caution"])


def _view_line(
    name: str,
    pairs: Sequence[PairLine],
    out: Path,
    record: Record | None,
    comparison: dict[str, Any] | None,
) -> ViewLine:
    own = [k for k, pair in enumerate(pairs) if pair.view == name]
    measured = [k for k in own if pairs[k].measured]
    line = None
    if record is not None:
        folder = record.name if comparison is not None else None
        line = ComparisonLine(
            stages=tuple(stage["name"] for stage in comparison["stages"]) if comparison else (),
            text=str(comparison["verdict_text"]) if comparison else record.reason,
            exit_code=record.exit_code,
            notes=record.notes,
            results=folder,
            page=_first_there(out, folder, PAGE, "before_after.png"),
        )
    return ViewLine(
        name=name,
        stages=tuple(dict.fromkeys(pairs[k].stage for k in own)),
        pairs=tuple(own),
        last=measured[-1] if measured else None,
        comparison=line,
        fading=_fading(comparison, pairs[measured[-1]].stage) if measured else (),
    )


def _fading(comparison: dict[str, Any] | None, stage: str) -> tuple[LeakLine, ...]:
    """What a comparison that ends with this stage still counts and the test itself does not.

    Where no coat is needed any more nothing is left to do.
    """
    if comparison is None or comparison["stages"][-1]["name"] != stage:
        return ()
    return tuple(
        _fading_line(change, comparison["noticeable_contrast"])
        for change in comparison["changes"]
        if change["state"] != "gone"
        and not (change["after"] and change["after"]["found"])
        and not (change["coats_needed"] == 0 and change["coats_needed_range"] == [0, 0])
    )


def _fading_line(change: dict[str, Any], noticeable: float) -> LeakLine:
    """A leak that only the comparison knows; where it cannot tell, that is what is to be done."""
    unknown = change["state"] == "cannot tell" or not change["after"]
    after = {} if unknown else change["after"]
    return LeakLine(
        number=None,
        kind=change["kind"],
        where=change["where"],
        contrast=after.get("contrast"),
        level=after.get("level"),
        level_at_most=False,
        clipped=False,
        noticeable=unknown or after["contrast"] >= noticeable,
        doubtful=False,
        advice=f"Test again: {change['reason']}." if change["reason"] else change["advice"],
        caution="" if change["reason"] else change["caution"],
        coats=_coats(change),
    )


def _coats(change: dict[str, Any]) -> str:
    shut = change["paint_will_not_close"]
    return coats_range(change["coats_needed"], change["coats_needed_range"], shut=shut)


def _badness(view: ViewLine, pairs: Sequence[PairLine]) -> tuple[float, ...]:
    """Views that were never measured first, then by the worst leak that is left.

    Certain leaks count before doubtful ones, and openings to look after come behind both.
    """
    if view.last is None:
        return (0,)
    last = pairs[view.last]
    left = (*last.leaks, *view.fading)
    certain = max((leak.contrast or 0.0 for leak in left if not leak.doubtful), default=-1.0)
    doubtful = max((leak.contrast or 0.0 for leak in left if leak.doubtful), default=-1.0)
    return 1, -certain, -doubtful, -len(last.faulty_openings)


def _first_there(out: Path, folder: str | None, *names: str) -> str | None:
    """The first of these files that is in a folder of results, from the overview's folder."""
    if folder is None:
        return None
    return next((f"{folder}/{name}" for name in names if (out / folder / name).is_file()), None)


def _loaded(path: Path) -> dict[str, Any] | None:
    """A JSON result, or None where there is none."""
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None
