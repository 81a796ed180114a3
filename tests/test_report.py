"""What is made of a result in words: verdict, terminal text, JSON, CSV."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from typing import get_args

import jsonschema
import made_checks as made
import numpy as np
import pytest

from leakcheck.diagnose import ADVICE, LeakKind, SpotKind
from leakcheck.lampwords import ADVICE as LAMP_ADVICE
from leakcheck.lampwords import Finding
from leakcheck.report import words
from leakcheck.report.result_json import check_to_dict, check_to_json, schema
from leakcheck.report.table_csv import COLUMNS, check_to_csv
from leakcheck.report.terminal import check_text, verdict_text

# --- words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0342, "3.4 %"),
        (0.00999, "1.0 %"),
        (0.0995, "10 %"),
        (0.34, "34 %"),
        (1.234, "120 %"),
        (56.78, "5,700 %"),
        (0.00034, "0.034 %"),
        (0.00001, "under 0.01 %"),
        (0.0, "0 %"),
        (None, "-"),
        (float("nan"), "-"),
    ],
)
def test_a_percentage_has_two_digits_that_count(share, text):
    """Expected texts written by hand."""
    assert words.percent(share) == text


@pytest.mark.parametrize(
    ("contrast", "text"), [(0.35, "+35 %"), (9.94, "+990 %"), (14.2, "14 x"), (1234.0, "1,200 x")]
)
def test_much_added_light_is_a_factor(contrast, text):
    """Expected texts written by hand."""
    assert words.added_light(contrast) == text


@pytest.mark.parametrize(
    ("numbers", "text"), [([3], "3"), ([1, 2], "1, 2"), ([9, 3, 5, 4, 1], "1, 3-5, 9")]
)
def test_runs_of_numbers_are_drawn_together(numbers, text):
    assert words.number_list(numbers) == text


def test_the_verdict_counts_kinds_and_names_the_doubtful_one():
    """Counted by hand: `made.leaks` has a seam leak, two pinholes and a doubtful show-through."""
    assert words.verdict(made.check()) == (
        "LEAKS: 4 found (1 seam leak, 2 pinholes, 1 show-through). 1 of them may be spill and no"
        " leak."
    )


def test_a_tight_verdict_says_what_would_have_shown():
    """0.0034 and 0.0005 of a window in `made.limit`, as percentages."""
    text = words.verdict(made.tight())
    assert text.startswith("TIGHT: no leak found.")
    assert "0.34 %" in text
    assert "0.050 %" in text


def test_tight_without_a_lit_window_is_measured_against_the_room_light():
    faint = replace(made.limit().pinhole_far, level=None)
    limit = made.limit(pinhole_far=faint, broad_far=replace(faint, contrast=0.02))
    text = words.verdict(made.tight(limit=limit, window_level=None))
    assert "A pinhole that adds 4.1 % to the room light" in text


def test_a_verdict_over_a_part_of_the_model_says_so():
    text = words.verdict(made.tight(limit=made.limit(blind_share=0.4)))
    assert "on the 60 % of the model that could be measured" in text


def test_cautions_are_not_repeated():
    """Two of the four hand-made leaks' cautions share a sentence, three are the same."""
    text = " ".join(words.cautions(made.leaks()))
    assert text.count("Switch the power off") == 1
    assert "respirator" in text


def test_names_cannot_steer_a_terminal():
    assert words.printable("a\x1b[31mb\u202ec\u0085") == "a?[31mb?c?"
    assert words.printable("Fähre „Möwe“ 船") == "Fähre „Möwe“ 船"


# --- terminal --------------------------------------------------------------------------------


def test_the_text_keeps_within_80_columns_and_has_no_control_characters():
    long = "x" * 300 + " " + "wheelhouse window " * 20
    leaks = (*made.leaks(), made.leak(5, made.circle(50, 50, 5), where=long, level=None))
    text = check_text(made.check(leaks=leaks, photo_tips=(long,)))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text
    assert text.isascii()
    assert all(line == line.rstrip() for line in text.splitlines())


def test_a_narrow_terminal_still_gets_every_column():
    """60 columns are the least that the command line asks for."""
    text = check_text(made.check(), width=60)
    assert max(len(line) for line in text.splitlines()) <= 60
    for part in ("show-through ?", "14 x", "Noticed", "31 %"):
        assert part in text


def test_the_verdict_comes_first_and_each_leak_has_a_row():
    text = check_text(made.check())
    assert text.startswith("LEAKS: 4 found")
    table = text[: text.index("What to do")]
    for start in (" 1  seam leak ", " 2  pinhole ", " 3  pinhole ", " 4  show-through ? "):
        assert sum(line.startswith(start) for line in table.splitlines()) == 1
    assert "31 %" in table  # level 0.31 of the seam leak
    assert "14 x" in table  # and its contrast, 14.2


def test_advice_stands_once_for_all_its_leaks():
    text = check_text(made.check())
    assert text.count("Dab it from inside") == 1
    assert "2, 3  Dab it" in text


def test_doubtful_leaks_get_the_tape_test():
    assert "First the tape test" in check_text(made.check())
    sure = tuple(replace(leak, doubtful=False) for leak in made.leaks())
    assert "tape test" not in check_text(made.check(leaks=sure))


def test_doubtful_spill_gets_the_tape_test_as_well():
    """Of four spills the second and the last are doubtful."""
    spill = tuple(
        made.leak(i, made.circle(100 * i, 990, 20), kind="spill", doubtful=i in (2, 4))
        for i in range(1, 5)
    )
    text = " ".join(check_text(made.tight(spill=spill)).split())
    assert "S2, S4: doubtful." in text
    assert "doubtful" not in check_text(made.tight(spill=spill[:1]))


def test_clipped_windows_make_every_brightness_an_upper_end():
    leaks = tuple(replace(leak, level_at_most=True) for leak in made.leaks())
    text = check_text(made.check(leaks=leaks, window_clipped=True))
    assert "<= 31 %" in text
    assert "at most" in text


def test_a_clipped_leak_is_at_least_as_strong_and_beside_clipped_windows_unknown():
    leaks = tuple(replace(leak, clipped=True) for leak in made.leaks())
    text = " ".join(check_text(made.check(leaks=leaks)).split())
    assert ">= 31 %" in text
    assert ">=: at least, as it is blown out" in text
    assert "cannot be told" not in text
    both = tuple(replace(leak, level_at_most=True) for leak in leaks)
    text = " ".join(check_text(made.check(leaks=both, window_clipped=True)).split())
    assert "31 %" not in text
    assert "?: cannot be told, as both are" in text


def test_likely_openings_are_offered_and_a_long_list_is_cut():
    likely = tuple(made.leak(i, made.circle(40 * i, 80, 9)) for i in range(1, 31))
    text = check_text(made.tight(likely_openings=likely, openings=()))
    assert text.startswith("TIGHT")
    assert "O1 " in text
    assert "O7 " not in text
    assert "and 24 more" in text  # 30 less the 6 shown
    assert "--save-openings" in text


def test_without_a_lit_window_there_is_no_near():
    text = check_text(made.tight(window_level=None))
    assert "within 21 mm" in check_text(made.tight())  # 84 px of 0.25 mm
    assert "within 21 mm" not in text


def test_colour_only_where_wanted():
    assert "\x1b[" in check_text(made.check(), colour=True)
    assert "\x1b[" not in check_text(made.check(), colour=False)


def test_names_in_a_result_are_not_markup():
    leaks = (made.leak(1, made.circle(9, 9, 3), where="left of [bold red]x[/] :smile: \x1b[2J"),)
    text = check_text(made.check(leaks=leaks), width=120)
    assert "[bold red]x[/] :smile: ?[2J" in text


def test_quiet_is_one_line():
    text = verdict_text(made.tight(limit=made.limit(blind_share=0.5)))
    assert text.count("\n") == 1
    assert text.startswith("TIGHT: ")


# --- JSON ------------------------------------------------------------------------------------


def _strange_check():
    """A result with everything that could not be measured or is missing."""
    nowhere = made.leak(
        1,
        made.circle(3, 3, 1),
        contrast=float("inf"),
        glow_px=float("nan"),
        level=None,
        significance=float("inf"),
    )
    registration = replace(
        made.check().registration,
        shift_px=np.full((2, 3, 2), np.nan, np.float32),
        residual_grid_px=np.ones((2, 3), np.float32),
        residual_px=float("nan"),
    )
    unknown = replace(
        made.facts("é \udcff.jpg"),
        path=None,
        exposure=replace(made.exposure(), time_s=None, taken=None, camera=None),
    )
    return made.check(
        leaks=(nowhere,),
        registration=registration,
        off=unknown,
        window_level=None,
        mm_per_px=None,
        exposure=replace(made.check().exposure, exif_gain=None),
        openings=(),
    )


@pytest.mark.parametrize(
    "result",
    [made.check(), made.tight(), _strange_check(), made.tight(openings=(), photo_tips=())],
    ids=["leaks", "tight", "strange", "bare"],
)
def test_every_json_fulfils_the_schema(result):
    """Judge: the jsonschema library, draft 2020-12."""
    jsonschema.Draft202012Validator.check_schema(schema())
    data = json.loads(check_to_json(result), parse_constant=pytest.fail)  # no NaN, no Infinity
    jsonschema.Draft202012Validator(schema()).validate(data)


def test_the_schema_refuses_a_field_that_it_does_not_describe():
    data = check_to_dict(made.check())
    data["leaks"][0]["surprise"] = 1
    with pytest.raises(jsonschema.ValidationError, match="surprise"):
        jsonschema.Draft202012Validator(schema()).validate(data)


def test_every_field_of_the_schema_is_explained():
    def walk(node):
        if isinstance(node, dict):
            for name, field in node.get("properties", {}).items():
                assert field["description"], name
            for child in node.values():
                walk(child)
        elif isinstance(node, list):
            for child in node:
                walk(child)

    walk(schema())


def test_every_kind_is_known_everywhere():
    """The words of `diagnose` are the truth: advice, plural and schema must have each of them."""
    kinds = set(get_args(SpotKind))
    assert set(get_args(LeakKind)) == kinds - {"spill"}
    assert set(ADVICE) == set(words.KINDS) == kinds
    assert set(schema()["$defs"]["leak"]["properties"]["kind"]["enum"]) == kinds
    findings = schema()["$defs"]["lamp"]["properties"]["findings"]["items"]["enum"]
    assert set(findings) == set(get_args(Finding)) == set(LAMP_ADVICE)
    reasons = schema()["$defs"]["limit"]["properties"]["limited_by"]["enum"]
    assert set(reasons) == set(words.LIMITS)


def test_json_rounds_positions_to_hundredths_and_numbers_to_four_digits():
    """Rounded by hand from the values in `made_checks`."""
    data = check_to_dict(made.check())
    pinhole = data["leaks"][1]
    assert pinhole["x"] == 900.4
    assert pinhole["glow_px"] == 14.71
    assert pinhole["contrast"] == 0.3512
    assert pinhole["outline"][3] == [903.23, 503.03]  # 900.4 + 4 cos 45 deg, 500.2 + 4 sin 45 deg
    # A homography is not rounded: four digits would be pixels at the photo's far corner.
    assert data["registration"]["homography"][0][0] == 1.0001234567
    assert data["photos"]["on"]["exposure"]["taken"] == "2024-11-25T20:15:00"
    assert data["verdict"] == "leaks"
    assert check_to_dict(made.tight())["verdict"] == "tight"


# --- CSV -------------------------------------------------------------------------------------


def test_csv_has_a_row_for_each_leak_and_marks_spill():
    """Judge: Python's csv module; RFC 4180 asks for CRLF."""
    data = check_to_csv(made.check())
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    assert [row["list"] for row in rows] == ["leak"] * 4 + ["spill"]
    assert rows[0]["kind"] == "seam leak"
    assert rows[0]["length_mm"] == "80.0"  # 320 px of 0.25 mm
    assert rows[1]["x_px"] == "900.4"
    assert rows[3]["doubtful"] == "yes"
    assert data.count(b"\r\n") == data.count(b"\n") == 6
    assert data.startswith(b"list,number,kind,x_px,y_px,")


def test_csv_survives_any_name():
    where = 'above "=x", line\r\ntwo, é'
    leaks = (
        made.leak(1, made.circle(9, 9, 3), where=where),
        made.leak(2, made.circle(9, 9, 3), where="=HYPERLINK(1)", level=None),
    )
    text = check_to_csv(made.check(leaks=leaks, mm_per_px=None)).decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert rows[0]["where"] == where
    assert rows[1]["where"] == "'=HYPERLINK(1)"  # not a formula for a spreadsheet
    assert rows[1]["level_of_median_window_ratio"] == ""
    assert rows[1]["length_mm"] == ""
    assert set(rows[0]) == set(COLUMNS)
