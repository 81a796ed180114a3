"""The file of pairs, written, corrected and read; by hand."""

from __future__ import annotations

import unicodedata
from datetime import timedelta

import pytest
from sessions import Session, pattern

from leakcheck.errors import UsageError
from leakcheck.pairing import paired
from leakcheck.pairs_csv import COLUMNS, Row, pairs_csv, pairs_of_rows, read_rows
from leakcheck.shot_names import words_of
from leakcheck.shots import photo_paths, read_shots
from leakcheck.views import placed

HEAD = ",".join(COLUMNS)


def shots_of(session):
    return read_shots(photo_paths(session.folder), session.folder)


def rows_in(tmp_path, text):
    path = tmp_path / "pairs.csv"
    path.write_text(text, encoding="utf-8")
    return read_rows(path)


def test_what_is_written_reads_back_as_the_same_pairs(tmp_path):
    session = Session(tmp_path / "shots")
    off, on = session.pair(1)
    alone = session.shoot(pattern(2))
    shots = shots_of(session)
    pairing = paired(shots, stage_gap=timedelta(minutes=30))
    pairs = placed(pairing.pairs, stage_gap=timedelta(minutes=30))
    path = tmp_path / "pairs.csv"
    path.write_bytes(pairs_csv(pairs, pairing.left_out, {0: "port.svg"}, {0: 332.0}))
    assert read_rows(path) == [Row(2, "view 1", "test 1", off, on, "port.svg", 332.0)]
    assert alone in path.read_text(encoding="utf-8")
    given, left = pairs_of_rows(read_rows(path), shots, path)
    assert [(pair.off.rel, pair.on.rel, pair.how) for pair in given] == [(off, on, "file")]
    assert [each.shot.rel for each in left] == [alone]


def test_only_two_columns_are_needed_and_semicolons_do(tmp_path):
    assert rows_in(tmp_path, "Off;On\r\na.jpg;b.jpg\r\n;c.jpg\r\n") == [
        Row(2, "", "", "a.jpg", "b.jpg", "", None)
    ]


def test_umlauts_as_a_mac_names_files_and_as_excel_saves_them(tmp_path):
    """A Mac's disk keeps two characters for "ä" (Unicode NFD); Excel saves Windows-1252."""
    session = Session(tmp_path / "shots")
    names = [unicodedata.normalize("NFD", f"Fähre {state}.jpg") for state in ("off", "on")]
    for name in names:
        session.shoot(pattern(3), name=name)
    path = tmp_path / "pairs.csv"
    path.write_bytes("off;on\r\nFähre off.jpg;Fähre on.jpg\r\n".encode("cp1252"))
    ((pair,), left) = pairs_of_rows(read_rows(path), shots_of(session), path)
    assert ([pair.off.rel, pair.on.rel], left) == (names, [])
    assert words_of(names[0]) == ("fähre", "off", "jpg")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("view,stage\nbow,1\n", "no columns off and on"),
        (f"{HEAD}\nbow,1,a.jpg,b.jpg,,long,,\n", "line 2: length_mm"),
        (f"{HEAD}\nbow,1,a.jpg,b.jpg,,-3,,\n", "line 2: length_mm"),
        ("", "no columns off and on"),
    ],
)
def test_a_wrong_table_is_refused_with_its_line(tmp_path, text, said):
    with pytest.raises(UsageError, match=said):
        rows_in(tmp_path, text)


def test_photos_that_are_not_there_are_named(tmp_path):
    session = Session(tmp_path / "shots")
    off, _ = session.pair(1)
    for text, said in (
        (f"off,on\n{off},nowhere.jpg\n", "line 2: nowhere.jpg is no photo"),
        (f"off,on\n{off},{off}\n", "line 2: .* stands for both"),
    ):
        path = tmp_path / "pairs.csv"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UsageError, match=said):
            pairs_of_rows(read_rows(path), shots_of(session), path)
