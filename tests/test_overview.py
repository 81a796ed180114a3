"""The overview of a folder in words, tables and as a page; results made by hand."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import jsonschema
import numpy as np

from leakcheck.overview import (
    ComparisonLine,
    LeakLine,
    LeftOutLine,
    OpeningLine,
    Overview,
    PairLine,
    ViewLine,
    _badness,
)
from leakcheck.report.html.overview_page import overview_page
from leakcheck.report.overview_csv import overview_to_csv
from leakcheck.report.overview_json import overview_to_dict, schema
from leakcheck.report.overview_outputs import write_overview
from leakcheck.report.overview_terminal import overview_text, overview_verdict
from leakcheck.settings import Settings

CARE = "Switch the power off before you work inside."


def leak(number: int | None, contrast: float, **changes: object) -> LeakLine:
    values: dict[str, object] = {
        "number": number,
        "kind": "seam leak",
        "where": 'below "saloon 3", 9 mm away',
        "contrast": contrast,
        "level": 0.031,
        "level_at_most": True,
        "clipped": False,
        "noticeable": True,
        "doubtful": False,
        "advice": "Press the joint together and test again.",
        "caution": CARE,
    }
    return LeakLine(**{**values, **changes})


def pair(view: str, stage: str, *leaks: LeakLine, **changes: object) -> PairLine:
    values: dict[str, object] = {
        "view": view,
        "stage": stage,
        "number": 1,
        "off": f"{view}-{stage}-off.jpg",
        "on": f"{view}-{stage}-on.jpg",
        "paired": "by name",
        "why": "named so",
        "openings": None,
        "verdict": "leaks" if leaks else "tight",
        "text": "LEAKS" if leaks else "TIGHT: no leak found.",
        "exit_code": 1 if leaks else 0,
        "leaks": leaks,
        "openings_text": "",
        "faulty_openings": (),
        "faintest": 0.0412,
        "notes": (),
        "results": f"{view}-{stage}",
        "page": f"{view}-{stage}/report.html",
        "picture": None,
    }
    return PairLine(**{**values, **changes})


def overview(**changes: object) -> Overview:
    """Bow: two stages, one leak left and one that fades. Port: tight. Stern: not measured."""
    pairs = (
        pair("bow", "coat-1", leak(1, 1.4), leak(2, 0.4, doubtful=True)),
        pair("bow", "coat-2", leak(1, 0.35, coats="2 (1 to 3)")),
        pair("port", "coat-1", faulty_openings=(OpeningLine("window 4", ("dark",), "Look.", ""),)),
        pair(
            "stern",
            "coat-1",
            verdict="not measured",
            text="stern-on.jpg is a damaged JPEG file.",
            exit_code=2,
            results=None,
            page=None,
        ),
    )
    compared = ComparisonLine(
        ("coat-1", "coat-2"), "2 leaks: 2 fainter.", 1, (), "compare-bow", "compare-bow/report.html"
    )
    views = (
        ViewLine("stern", ("coat-1",), (3,), None, None),
        ViewLine("bow", ("coat-1", "coat-2"), (0, 1), 1, compared, (leak(None, 0.012),)),
        ViewLine("port", ("coat-1",), (2,), 2, None),
    )
    left = (LeftOutLine("cat.jpg", "no partner", "none that shows the same view", 0),)
    values = Overview("shots", pairs, views, left, (("old.svg", "it fits none"),), 2)
    return replace(values, **changes)


def test_the_verdict_counts_all():
    assert overview_verdict(overview()) == (
        "4 pairs of 3 sides: 1 tight, 2 with leaks, 1 not measured. 1 photo is in no pair.\n"
    )
    empty = overview(pairs=(), views=(), left_out=())
    assert overview_verdict(empty) == "No pair was found.\n"


def test_the_text_names_what_is_left_what_failed_and_what_was_not_used():
    text = overview_text(overview())
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for said in (
        "bow (coat-2): 2 leaks left",
        "Over the stages: 2 leaks: 2 fainter.",
        "+35 %, 2 (1 to 3) more coats",
        "port: nothing left, 1 opening to look after",
        "window 4: dark. Look.",
        "stern, coat-1 (stern-coat-1-off.jpg, stern-coat-1-on.jpg)",
        "cat.jpg none that shows the same view",
        "old.svg it fits none",
    ):
        assert said in flat
    assert flat.count(CARE) == 1, "each caution once"


def test_sides_that_were_never_measured_come_first_then_the_worst():
    given = overview()
    port_first = given.views[::-1]
    order = sorted(port_first, key=lambda view: _badness(view, given.pairs))
    assert [view.name for view in order] == ["stern", "bow", "port"]


def test_json_and_table_hold_everything():
    """JSON Schema 2020-12, and Python's csv."""
    content = json.loads(json.dumps(overview_to_dict(overview(), Settings()), allow_nan=False))
    jsonschema.Draft202012Validator(schema()).validate(content)
    assert content["views"][1]["fading"][0]["number"] is None
    rows = list(csv.DictReader(io.StringIO(overview_to_csv(overview()).decode(), newline="")))
    assert [row["verdict"] for row in rows] == [
        *("leaks", "leaks", "tight", "not measured"),
        "not paired",
    ]
    assert rows[0]["worst_contrast_ratio"] == "1.4", "a doubtful one does not come first"
    assert (rows[1]["worst_coats_needed"], rows[3]["leaks"]) == ("2 (1 to 3)", "")


def test_names_of_files_stay_names():
    """A name may hold markup, quotes, or what turns the direction of writing."""
    bad = '<img src=x onerror=alert(1)>"\u202e.jpg'
    pairs = (pair(bad, "a", on=bad, page=f"x/{bad}", notes=(f"{bad} is odd",)),)
    given = overview(
        pairs=pairs, views=(ViewLine(bad, ("a",), (0,), 0, None),), left_out=(), folder=bad
    )
    page = overview_page(given, Path("/nowhere")).decode()
    assert "<img src=x" not in page
    assert "\u202e" not in page
    assert "\u202e" not in overview_text(given)


def test_pictures_are_within_the_page_and_within_its_budget(tmp_path):
    """A hundred pairs whose pictures do not shrink well: the page can still be sent."""
    noise = np.random.default_rng(1).integers(0, 255, (360, 480, 3), dtype=np.uint8)
    assert cv2.imwrite(str(tmp_path / "small.jpg"), noise)
    pairs = tuple(pair("bow", str(k), leak(1, 0.2), picture="small.jpg") for k in range(100))
    view = ViewLine("bow", tuple(map(str, range(100))), tuple(range(100)), 99, None)
    write_overview(overview(pairs=pairs, views=(view,)), tmp_path, Settings())
    page = (tmp_path / "overview.html").read_bytes()
    assert page.count(b"data:image/jpeg") == 100
    assert len(page) < 5_000_000
    assert sorted(path.suffix for path in tmp_path.glob("overview.*")) == [".csv", ".html", ".json"]
