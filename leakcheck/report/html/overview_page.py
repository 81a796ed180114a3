"""The page of a folder of light tests: `overview.html` of `leakcheck batch`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import cv2
import numpy as np

from leakcheck.report.html.page import render
from leakcheck.report.html.pictures import Embedded, embedded
from leakcheck.report.overview_words import (
    VERDICTS,
    counted,
    failures,
    left_out,
    notes,
    side_heading,
    verdict,
    work_of,
    worst_words,
)
from leakcheck.report.words import (
    cautions,
    of_window,
    on_surface,
    signs,
)

if TYPE_CHECKING:
    from leakcheck.overview import LeakLine, Overview, PairLine, ViewLine

PICTURES_BYTES = 3_500_000  # of all pictures together: a page that can be sent
MOST_BYTES, LEAST_BYTES = 60_000, 9_000  # of one of them
CLASSES = {"tight": "tight", "leaks": "leaks", "not measured": "failed"}


def overview_page(overview: Overview, out: Path) -> bytes:
    """The page's bytes.

    Args:
        overview: of a folder.
        out: the folder of results, where the page will be; pictures are read from there.
    """
    count = sum(pair.picture is not None for pair in overview.pairs)
    budget = int(min(MOST_BYTES, max(LEAST_BYTES, PICTURES_BYTES / max(count, 1))))
    lasts = [pair for view in overview.views if (pair := overview.last_of(view))]
    leaks = [leak for view in overview.views for leak in overview.left_on(view)]
    openings = [opening for pair in lasts for opening in pair.faulty_openings]
    good = overview.exit_code == 0
    word = "TIGHT" if good else "LEAKS" if overview.exit_code == 1 else "NOT COMPLETE"
    return render(
        "overview.html.jinja",
        word=word,
        sentence=verdict(overview),
        good=good,
        folder=overview.folder,
        failures=failures(overview),
        views=[_view(overview, k, view, out, budget) for k, view in enumerate(overview.views)],
        work=[side for view in overview.views if (side := _work(overview, view))],
        doubtful=any(leak.doubtful for leak in leaks),
        at_most=any(leak.level_at_most for leak in leaks),
        at_least=any(leak.clipped for leak in leaks),
        cautions=cautions([*leaks, *openings]),
        notes=notes(overview),
        left_out=left_out(overview),
        pairs=overview.pairs,
    )


def _view(
    overview: Overview, number: int, view: ViewLine, out: Path, budget: int
) -> dict[str, object]:
    """One side with its pairs by stage."""
    comparison = view.comparison if view.comparison and view.comparison.results else None
    return {
        "id": f"side-{number + 1}",
        "name": view.name,
        "compared": comparison.text if comparison else "",
        "compared_page": _link(comparison.page) if comparison else "",
        "cards": [_card(overview.pairs[k], out, budget) for k in view.pairs],
    }


def _card(pair: PairLine, out: Path, budget: int) -> dict[str, object]:
    again = f" ({pair.number})" if pair.number > 1 else ""
    text = worst_words(pair)
    if pair.leaks:
        many = counted(len(pair.leaks), "leak")
        doubtful = sum(leak.doubtful for leak in pair.leaks)
        many += f", {doubtful} doubtful" if doubtful else ""
        text = f"{many}; the worst: {text.removesuffix('?')} on its surface"
    return {
        "name": pair.name,
        "stage": pair.stage + again,
        "verdict": VERDICTS[pair.verdict],
        "class": CLASSES[pair.verdict],
        "text": text,
        "off": pair.off,
        "on": pair.on,
        "alt": f"{pair.name} with its lights on, leaks outlined: {pair.text}",
        "page": _link(pair.page),
        "picture": _picture(out, pair.picture, budget),
    }


def _work(overview: Overview, view: ViewLine) -> dict[str, object] | None:
    """What is left to do on one side; None where nothing is."""
    last = overview.last_of(view)
    left = overview.left_on(view)
    if last is None or not (left or last.faulty_openings):
        return None
    return {
        "heading": side_heading(overview, view),
        "coats": any(leak.coats for leak in left),
        "work": [(advice, [_row(leak, last) for leak in leaks]) for advice, leaks in work_of(left)],
        "openings": [
            {"name": each.name, "findings": ", ".join(each.findings), "advice": each.advice}
            for each in last.faulty_openings
        ],
    }


def _row(leak: LeakLine, pair: PairLine) -> dict[str, object]:
    page = pair.page if leak.number is not None and (pair.page or "").endswith(".html") else None
    return {
        "page": f"{_link(page)}#leak-{leak.number}" if page else "",
        "number": "-" if leak.number is None else str(leak.number),
        "kind": leak.kind,
        "where": leak.where,
        "doubtful": leak.doubtful,
        "level": signs(of_window(leak)),
        "contrast": signs(on_surface(leak)),
        "coats": leak.coats or "-",
    }


def _link(path: str | None) -> str:
    """A relative link that a browser follows whatever the name holds."""
    return "" if path is None else quote(path)


def _picture(out: Path, name: str | None, budget: int) -> Embedded | None:
    """A small picture from the folder of results; None where it cannot be read."""
    if name is None:
        return None
    try:
        data = np.frombuffer((out / name).read_bytes(), np.uint8)
    except OSError:
        return None
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if picture is None:
        return None
    rgb = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), np.uint8)
    return embedded(rgb, most_bytes=budget)
