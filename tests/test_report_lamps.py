"""What is made of the openings themselves: terminal, CSV, JSON, marks in the picture."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import cv2
import made_checks as made
import numpy as np
import pytest

from leakcheck.colour import CAMERA_NOTE
from leakcheck.report.lamp_table import LONGEST_TABLE, level_text, stops_less, the_rest
from leakcheck.report.lamps_csv import COLUMNS, lamps_to_csv
from leakcheck.report.picture import FAULTY, MOST_LAMP_LABELS, marked_picture
from leakcheck.report.result_json import check_to_dict
from leakcheck.report.terminal import check_text, verdict_text


def _section(text: str, start: str, end: str) -> str:
    """One part of a text, its lines joined."""
    part = text[text.index(start) : text.index(end)]
    return " ".join(part.split())


# --- terminal --------------------------------------------------------------------------------


def test_the_openings_verdict_is_the_second_sentence():
    """Counted by hand: of the 8 made lamps three are faulty and one more is blown out."""
    text = check_text(made.tight())
    assert text.startswith("TIGHT: ")
    assert "Openings: 5 of 8 as they should be. Dark: saloon 3. Dim: saloon 5." in _section(
        text, "Openings:", "The openings themselves"
    )


def test_only_openings_with_a_fault_have_a_row():
    text = check_text(made.check())
    table = _section(text, "The openings themselves", "What to do about them")
    assert "saloon 5 dim, uneven -1.3 0.31 warm white 2,860 K" in table
    assert "stern lamp wrong colour +0.1 0.71 green 530 nm" in table
    assert "saloon 1" not in table
    assert "4 are as they should be" in table  # and the one that is blown out is named by itself
    assert "-0.4 to +0.1 stops from the median of their kind, 0.55 to 0.71 even" in table
    assert "saloon 7 is blown out to full white" in table
    assert "1.5 stops less exposure" in table


def test_a_colour_is_never_shown_without_what_to_mind_about_it():
    """The note must stand where a colour is called wrong; no openings, no note."""
    note = CAMERA_NOTE.split(":")[0]
    assert note in " ".join(check_text(made.check()).split())
    assert note not in " ".join(check_text(made.check(lamps=(), openings=())).split())


def test_without_openings_nothing_is_said_of_them():
    text = check_text(made.tight(lamps=(), openings=()))
    assert "Openings:" not in text
    assert "themselves" not in text


def test_a_dark_ship_keeps_to_a_table_of_some_rows():
    """All of 40 dark: the table is cut, their advice stands once and names a few."""
    lamps = tuple(
        made.lamp(f"w{i:02d}", "dark", lit=False, evenness=None, colour=None) for i in range(40)
    )
    text = check_text(made.tight(lamps=lamps))
    assert f"and {40 - LONGEST_TABLE} more" in text
    assert text.count("It stays dark") == 1
    assert "w00, w01, w02, w03 and 36 more" in " ".join(text.split())


def test_names_of_openings_cannot_steer_the_terminal():
    lamps = (made.lamp("w\x1b[2J[red]", "dark", lit=False),)
    text = check_text(made.tight(lamps=lamps), width=100)
    assert "\x1b" not in text
    assert "w?[2J[red]" in text


def test_long_names_stay_within_the_columns():
    lamps = tuple(made.lamp(f"{'starboard saloon ' * 5}{i}", "dim", "hot spot") for i in range(3))
    for width in (60, 80):
        text = check_text(made.tight(lamps=lamps), width=width)
        assert max(len(line) for line in text.splitlines()) <= width


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"stops_row": -1.34}, "-1.3"),
        ({"stops_row": 0.42, "stops_row_bound": "at least"}, ">= +0.4"),
        ({"stops_row": None, "stops_class": -0.2, "stops_class_bound": "at most"}, "<= -0.2"),
        ({"stops_row": None, "stops_class": None}, "-"),
    ],
)
def test_a_level_says_how_far_it_is_known(changes, text):
    """Expected texts written by hand; the row counts before the kind."""
    assert level_text(made.lamp("w", **changes)) == text


@pytest.mark.parametrize(
    ("stops", "text"),
    [
        ((1.5, 0.5), "1.5 stops"),
        ((1.0,), "1 stop"),
        ((0.5, None), "at least 2 stops"),
        ((3.0, None), "at least 3 stops"),
    ],
)
def test_less_exposure_is_enough_for_the_brightest(stops, text):
    """Expected texts written by hand: the largest known, at least two where one is not known."""
    assert stops_less([made.lamp("w", stops_less_exposure=value) for value in stops]) == text


def test_what_could_not_be_measured_is_not_called_well():
    """All blown out: one sentence, no names, and nothing on how alike or even they are."""
    lamps = [made.lamp(f"w{i}", "clipped", level_at_least=True) for i in range(9)]
    (sentence,) = the_rest(lamps)
    assert sentence.startswith("All 9 are blown out to full white")


def test_an_opening_that_one_photo_lacks_is_named():
    lamp = made.lamp("stern", "not measured", lit=False, level=None)
    (sentence,) = the_rest([lamp])
    assert sentence.startswith("stern: not measured")


def test_quiet_has_a_second_line_only_where_lamps_count():
    assert verdict_text(made.tight()).count("\n") == 1
    two = verdict_text(made.tight(), lamps=True).splitlines()
    assert two[0].startswith("TIGHT: ")
    assert two[1].startswith("Openings: 5 of 8")


# --- CSV and JSON ----------------------------------------------------------------------------


def test_lamps_csv_has_a_row_for_each_window_and_beacon():
    """Judge: Python's csv module. Values of `made_checks`, read off there."""
    data = lamps_to_csv(made.check())
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    assert [row["name"] for row in rows] == [f"saloon {i}" for i in range(1, 8)] + ["stern lamp"]
    assert all(set(row) == set(COLUMNS) for row in rows)
    saloon_3, saloon_5, saloon_7, stern = rows[2], rows[4], rows[6], rows[7]
    assert (saloon_3["lit"], saloon_3["fault"], saloon_3["cct_k"]) == ("no", "yes", "")
    assert (saloon_5["findings"], saloon_5["stops_from_its_row"]) == ("dim, uneven", "-1.34")
    assert (saloon_5["cct_k"], saloon_5["chromaticity_x"]) == ("2856.0", "0.4476")
    assert rows[2]["cct_mccamy_k"] == ""
    mccamy = made.check().lamps[4].colour.cct_mccamy_k
    assert float(saloon_5["cct_mccamy_k"]) == pytest.approx(mccamy, rel=1e-3)  # 4 digits
    assert (saloon_7["fault"], saloon_7["level_is_at_least"]) == ("no", "yes")
    assert saloon_7["stops_less_exposure"] == "1.5"
    assert (stern["expected"], stern["expected_met"]) == ("white", "no")
    assert (stern["dominant_nm"], stern["within_colregs_limits"]) == ("530.0", "no")


def test_lamps_csv_without_openings_is_a_header():
    assert lamps_to_csv(made.tight(lamps=())).decode() == ",".join(COLUMNS) + "\r\n"


def test_json_keeps_chromaticities_that_positions_would_round_away():
    """0.4476 to a hundredth would be 0.45: 300 K on the Planckian locus."""
    data = check_to_dict(made.check())
    assert data["lamps"][0]["colour"]["x"] == 0.4476
    assert data["lamps"][2]["colour"] is None
    assert [lamp["fault"] for lamp in data["lamps"]].count(True) == 3
    assert data["lamps_text"].startswith("Openings: 5 of 8")
    assert data["colour_note"] == CAMERA_NOTE


# --- picture ---------------------------------------------------------------------------------


def _share_of_line(check, ring: np.ndarray) -> float:
    """Share of 64 places along a ring where the picture shows the colour of a faulty opening."""
    photo = made.photo(np.zeros((made.HEIGHT_PX, made.WIDTH_PX, 3), np.uint8))
    png = np.frombuffer(marked_picture(photo, check), np.uint8)
    picture = cv2.imdecode(png, cv2.IMREAD_COLOR_RGB).astype(int)
    wanted = np.array([int(FAULTY.colour[i : i + 2], 16) for i in (1, 3, 5)])
    closed = np.vstack([ring, ring[:1]])
    hits = 0
    for place in np.linspace(0, len(ring), 64, endpoint=False):
        k, share = int(place), place % 1
        x, y = np.round(closed[k] * (1 - share) + closed[k + 1] * share).astype(int)
        hits += bool(np.abs(picture[y, x] - wanted).max() < 40)
    return hits / 64


def test_a_faulty_opening_has_a_strong_outline_and_a_good_one_a_thin_one():
    """The line is 3.5 px wide at full size for a fault, 1.6 px else: only one is at full colour."""
    check = made.tight(mm_per_px=None)
    faulty, well = check.openings[2].rings[0], check.openings[0].rings[0]
    assert _share_of_line(check, faulty) > 0.9
    assert _share_of_line(check, well + 3) < 0.2  # three px beside the thin line: nothing


def test_an_opening_of_several_shapes_is_outlined_whole():
    """A window with a bar across it: two rings, both strong."""
    check = made.tight(mm_per_px=None)
    upper, lower = made.box(500, 600, 540, 620), made.box(500, 640, 540, 660)
    split = replace(check.openings[2], rings=(upper, lower))
    check = replace(check, openings=(*check.openings[:2], split, *check.openings[3:]))
    assert _share_of_line(check, upper) > 0.9
    assert _share_of_line(check, lower) > 0.9


def test_many_faults_are_outlined_without_labels():
    """One more than there may be labels for; each outline is still there."""
    count = MOST_LAMP_LABELS + 1
    shapes = tuple(
        replace(
            made.openings()[0], name=f"w{i}", rings=(made.box(40 + 90 * i, 80, 90 + 90 * i, 130),)
        )
        for i in range(count)
    )
    lamps = tuple(made.lamp(f"w{i}", "dim") for i in range(count))
    check = made.tight(openings=shapes, lamps=lamps, mm_per_px=None)
    for shape in shapes[::5]:
        assert _share_of_line(check, shape.rings[0]) > 0.9
