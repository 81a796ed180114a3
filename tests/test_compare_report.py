"""What is made of a comparison: words, terminal text, JSON, CSV, pictures, command line."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import cv2
import jsonschema
import made_checks as made
import made_comparisons as pairs
import numpy as np
import pytest

from leakcheck.cli import main
from leakcheck.report.compare_csv import COLUMNS, comparison_to_csv
from leakcheck.report.compare_json import comparison_to_dict, comparison_to_json, schema
from leakcheck.report.compare_outputs import CHANGES, COURSE, PAGE, RESULT, SIDES, CompareOutputs
from leakcheck.report.compare_picture import STYLES, side_by_side
from leakcheck.report.compare_plot import course_plot
from leakcheck.report.compare_terminal import comparison_text, comparison_verdict
from leakcheck.report.compare_words import STATES, coat_sentence, coats_words, side_words, verdict
from leakcheck.states import State


def pixels(png: bytes) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture


def test_verdict_counts_every_state():
    text = verdict(pairs.comparison())
    assert text.startswith(
        "6 leaks: 1 gone, 1 fainter, 1 unchanged, 1 brighter, 1 new, 1 cannot tell."
    )
    assert "Nothing is left" not in text


def test_verdict_of_a_closed_model():
    assert verdict(pairs.closed()) == "1 leak: 1 gone. Nothing is left."


def test_verdict_names_leaks_that_no_change_tells_of():
    """The last test lists two leaks, the only change tells of none of them."""
    gone = pairs.changes()[-1]
    text = verdict(pairs.comparison(changes=(gone,)))
    assert "2 more in coat-2 cannot be followed" in text
    assert "Nothing is left" not in text


def test_a_coat_in_words():
    """Hand calculation: a density of 0.602 lets 10^-0.602 = 25 % through."""
    assert "0.60 +- 0.05 (75 % of the light), by 3 leaks" in coat_sentence(pairs.comparison())
    assert coat_sentence(pairs.comparison(per_coat=None)) == ""


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({}, "1"),
        ({"coats_needed": 3, "coats_needed_range": (2, 5)}, "3 (2 to 5)"),
        ({"coats_needed": 3, "coats_needed_range": (2, None)}, "3 (2 or more)"),
        ({"paint_will_not_close": True}, "not paint"),
        ({"coats_needed": None, "coats_needed_range": None}, "?"),
    ],
)
def test_coats_in_words(changed, text):
    assert coats_words(pairs.change(1, "fainter", **changed)) == text


def test_what_is_not_seen_is_given_as_its_limit():
    gone = pairs.changes()[-1]
    assert side_words(gone, first=True) == "+16 %"
    assert side_words(gone, first=False) == "< 0.60 %"


def test_text_keeps_within_80_columns_and_names_every_change():
    text = comparison_text(pairs.comparison())
    assert max(map(len, text.splitlines())) <= 80
    assert text.isprintable() or set(text) - {"\n"} <= set(map(chr, range(32, 127)))
    rows = [line for line in text.splitlines()[1:] if line[:2].strip().isdigit()]
    assert [row.split()[1] for row in rows[:6]] == [
        "fainter", "unchanged", "brighter", "new", "cannot", "gone",
    ]  # fmt: skip


def test_text_says_what_to_do_and_what_cannot_be_told():
    text = " ".join(comparison_text(pairs.comparison(), width=110).split())
    assert "Paint will not close this one" in text
    assert "5: the place cannot be measured in coat-2." in text
    assert "saloon 2: 1.2 stops darker" in text
    assert "laid on to 0.3 px" in text


def test_text_says_what_only_the_change_tells():
    made = (pairs.change(1, "fainter"), pairs.change(2, "gone", by_change=True))
    text = " ".join(comparison_text(pairs.comparison(changes=made), width=110).split())
    assert "Only by the comparison leak 2 shows" in text
    assert "Only by the comparison" not in comparison_text(pairs.comparison(changes=made[:1]))


def test_quiet_is_one_line():
    assert comparison_verdict(pairs.comparison()).count("\n") == 1


def test_colour_only_where_wanted():
    assert "\x1b" not in comparison_text(pairs.comparison())
    assert "\x1b[" in comparison_text(pairs.comparison(), colour=True)


def test_names_cannot_steer_a_terminal():
    bad = pairs.change(1, "fainter", where="\x1b[31m[red]")
    text = comparison_text(pairs.comparison(changes=(bad,)))
    assert "\x1b" not in text
    assert "[red]" in text


def test_json_fulfils_its_schema():
    for comparison in (pairs.comparison(), pairs.closed()):
        jsonschema.Draft202012Validator.check_schema(schema())
        jsonschema.validate(comparison_to_dict(comparison), schema())
        assert json.loads(comparison_to_json(comparison)) == comparison_to_dict(comparison)


def test_schema_describes_every_field():
    def undescribed(node, path=""):
        if isinstance(node, dict):
            for name, value in node.get("properties", {}).items():
                if "description" not in value and "$ref" not in value:
                    yield f"{path}/{name}"
            for key, value in node.items():
                yield from undescribed(value, f"{path}/{key}")

    assert not list(undescribed(schema()))


def test_json_sides():
    """A new leak has no before, a gone one no after."""
    by_state = {c["state"]: c for c in comparison_to_dict(pairs.comparison())["changes"]}
    assert by_state["new"]["before"] is None
    assert by_state["gone"]["after"] is None
    side = by_state["fainter"]["after"]
    assert (side["x"], side["y"]) == (490.0, 675.0)
    assert set(side) >= {"x", "y", "outline", "glow_px", "level", "contrast"}


def test_states_are_the_same_everywhere():
    from typing import get_args

    assert set(STATES) == set(get_args(State)) == set(STYLES)
    assert set(STATES) == set(schema()["$defs"]["change"]["properties"]["state"]["enum"])


def test_csv_has_a_row_for_each_change():
    rows = list(csv.reader(io.StringIO(comparison_to_csv(pairs.comparison()).decode("utf-8"))))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 7
    assert all(len(row) == len(COLUMNS) for row in rows)
    first = dict(zip(COLUMNS, rows[1], strict=True))
    assert (first["state"], first["density"], first["after_x_px"]) == ("fainter", "0.602", "490.0")
    assert dict(zip(COLUMNS, rows[4], strict=True))["before_x_px"] == ""


def test_picture_lays_the_second_photo_onto_the_first():
    """A mark on the second photo, 40 px right and 25 px up of where it was, is drawn where it was.

    The picture shows the model's box with room; its halves differ by nothing but the mark.
    """
    first, last = pairs.stage("coat-1"), pairs.stage("coat-2")
    x, y = 800, 500
    marked = first.on.encoded.copy()
    marked[:] = 90
    moved = marked.copy()
    marked[y - 6 : y + 7, x - 6 : x + 7] = (255, 0, 0)
    right, down = (int(v) for v in pairs.SHIFT)
    moved[y + down - 6 : y + down + 7, x + right - 6 : x + right + 7] = (255, 0, 0)
    stages = tuple(
        replace(s, on=replace(s.on, encoded=e), check=replace(s.check, openings=OUTLINE))
        for s, e in ((first, marked), (last, moved))
    )
    picture = pixels(side_by_side(pairs.comparison(stages=stages, changes=())))
    red = (picture[..., 2] > 200) & (picture[..., 0] < 60) & (picture[..., 1] < 60)
    half = picture.shape[1] // 2
    centres = [
        np.argwhere(red[:, part]).mean(axis=0) for part in (slice(0, half), slice(half, None))
    ]
    gap = picture.shape[1] - 2 * half
    assert abs(gap) <= 1
    # Both halves begin at the same place of the model; half the gap between them is the shift.
    between = 0.004 * picture.shape[1] / 2
    assert centres[1][0] == pytest.approx(centres[0][0], abs=1.0)
    assert centres[1][1] - between == pytest.approx(centres[0][1], abs=1.5)


OUTLINE = tuple(shape for shape in made.openings() if shape.kind == "model")


def test_pictures_of_every_case_are_drawn():
    for comparison in (pairs.comparison(), pairs.closed(), pairs.comparison(changes=())):
        assert pixels(side_by_side(comparison, width_px=900)).shape[1] in (899, 900)
        assert pixels(course_plot(comparison)).std() > 5


def test_folder_gets_all_its_files(tmp_path):
    outputs = CompareOutputs(None, None, tmp_path / "result", 900, False)
    outputs.refuse_impossible(inputs=[])
    outputs.write(pairs.comparison())
    written = {p.name for p in (tmp_path / "result").iterdir()}
    assert written == {PAGE, SIDES, COURSE, RESULT, CHANGES}


def test_same_picture_every_time():
    assert course_plot(pairs.comparison()) == course_plot(pairs.comparison())


def test_missing_folder_is_code_2(tmp_path, capfd):
    assert main(["compare", str(tmp_path / "no"), str(tmp_path / "none")]) == 2
    assert "no" in capfd.readouterr().err


def test_unreadable_pair_leaves_no_report(tmp_path, capfd):
    """A file that is no photo: code 2, its name, and nothing written."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        for photo in ("off.jpg", "on.jpg"):
            (tmp_path / name / photo).write_bytes(b"no photo")
    report = tmp_path / "report.json"
    code = main(["compare", str(tmp_path / "one"), str(tmp_path / "two"), "--json", str(report)])
    assert code == 2
    assert "off.jpg" in capfd.readouterr().err
    assert not report.exists()


def test_an_input_is_never_overwritten(tmp_path, capfd):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        for photo in ("off.jpg", "on.jpg"):
            (tmp_path / name / photo).write_bytes(b"no photo")
    photo = tmp_path / "two" / "on.jpg"
    arguments = ["compare", str(tmp_path / "one"), str(tmp_path / "two"), "--json", str(photo)]
    assert main([*arguments, "--force"]) == 2
    assert "never overwritten" in capfd.readouterr().err
    assert photo.read_bytes() == b"no photo"
