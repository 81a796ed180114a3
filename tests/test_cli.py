"""The command line from outside: what it prints, writes and returns."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import cv2
import made_checks as made
import numpy as np
import pytest

import leakcheck
from leakcheck.cli import main
from leakcheck.errors import RegistrationError
from leakcheck.openings import Opening, read_openings


def _files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


PAIR = ("check", "heron_off.png", "heron_on.png")

# Arguments, and what the one sentence on stderr must name. All are exit code 2.
WRONG = {
    "no command": ((), "Missing command"),
    "unknown command": (("chek", "a", "b"), "chek"),
    "one photo": (("check", "heron_off.png"), "ON"),
    "unknown option": ((*PAIR, "--jsn", "x"), "--jsn"),
    "option without value": ((*PAIR, "--json"), "--json"),
    "missing photo": (("check", "heron_off.png", "nowhere.jpg"), "nowhere.jpg"),
    "folder for a photo": (("check", "album", "heron_on.png"), "album"),
    "empty photo": (("check", "empty.jpg", "heron_on.png"), "empty.jpg"),
    "text for a photo": (("check", "text.jpg", "heron_on.png"), "text.jpg"),
    "truncated photo": (("check", "heron_off.png", "cut.png"), "cut.png"),
    "missing openings": ((*PAIR, "--openings", "none.svg"), "none.svg"),
    "folder for openings": ((*PAIR, "--openings", "album"), "album"),
    "broken openings": ((*PAIR, "--openings", "broken.svg"), "broken.svg"),
    "existing result": ((*PAIR, "--json", "old.json"), "old.json exists already"),
    "missing folder": ((*PAIR, "--csv", "no/table.csv"), "no/table.csv"),
    "folder for a result": ((*PAIR, "--json", "album"), "album is a folder"),
    "file for the folder": ((*PAIR, "--out", "old.json"), "old.json"),
    "photo as result": ((*PAIR, "--force", "--json", "heron_on.png"), "never overwritten"),
    "openings as result": (
        (*PAIR, "--force", "--openings", "openings.svg", "--save-openings", "openings.svg"),
        "never overwritten",
    ),
    "one name twice": ((*PAIR, "--json", "r", "--csv", "r"), "twice"),
    "two on stdout": ((*PAIR, "--json", "-", "--csv", "-"), "standard output"),
    "no length": ((*PAIR, "--length-mm", "0"), "--length-mm"),
    "length not a number": ((*PAIR, "--length-mm", "nan"), "--length-mm"),
    "no false alarms": ((*PAIR, "--false-alarms", "0"), "--false-alarms"),
    "negative share": ((*PAIR, "--noticeable", "-0.1"), "--noticeable"),
    "length in words": ((*PAIR, "--length-mm", "long"), "--length-mm"),
    "narrow picture": ((*PAIR, "--picture-width", "5"), "--picture-width"),
}


@pytest.mark.parametrize(("arguments", "named"), WRONG.values(), ids=WRONG.keys())
def test_bad_input_is_one_sentence_and_leaves_nothing(folder, measure, capsys, arguments, named):
    before = _files(folder)
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("leakcheck: ")
    assert printed.err.count("\n") == 1
    assert named in printed.err
    assert "Traceback" not in printed.err
    assert _files(folder) == before
    assert measure.calls == []


FAILURES = {
    "not measured": (RegistrationError("a.jpg and b.jpg do not line up."), 3, "do not line up."),
    "not measured, unnamed": (
        RegistrationError("the two photos do not line up"),
        3,
        "heron_off.png and heron_on.png: the two photos do not line up",
    ),
    "no memory": (MemoryError(), 3, "memory is not enough"),
    "no memory in OpenCV": (cv2.error("(-4:Insufficient memory)"), 3, "memory is not enough"),
    "fault": (ValueError("one\ntwo"), 4, "ValueError: one two. Please report"),
    "interrupted": (KeyboardInterrupt(), 130, "interrupted"),
}


@pytest.mark.parametrize(("failure", "code", "text"), FAILURES.values(), ids=FAILURES.keys())
def test_every_failure_has_its_code_and_sentence(folder, measure, capsys, failure, code, text):
    measure.result = failure
    before = _files(folder)
    assert main((*PAIR, "--json", "r.json", "--out", "results")) == code
    printed = capsys.readouterr()
    assert text in printed.err
    assert printed.err.count("\n") == 1
    assert printed.out == ""
    assert _files(folder) == before
    assert not (folder / "results").exists()


def test_the_traceback_can_be_asked_for(folder, measure, capsys, monkeypatch):
    measure.result = ValueError("inside")
    monkeypatch.setenv("LEAKCHECK_TRACEBACK", "1")
    assert main(PAIR) == 4
    assert "Traceback" in capsys.readouterr().err


def test_exit_code_and_text_of_leaks_and_of_none(folder, measure, capsys):
    assert main(PAIR) == 1
    assert capsys.readouterr().out.startswith("LEAKS: 4 found")
    measure.result = made.tight()
    assert main(PAIR) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith("TIGHT: ")
    assert "\x1b" not in printed.out
    assert max(len(line) for line in printed.out.splitlines()) <= 80
    assert printed.err == ""


def test_the_core_gets_the_pair_in_order_with_openings_and_settings(folder, measure):
    main((*PAIR, "--openings", "openings.svg", "--length-mm", "325", "--tripod"))
    ((off, on, openings, settings),) = measure.calls
    assert (off.name, on.name) == ("heron_off.png", "heron_on.png")
    assert [shape.name for shape in openings.shapes] == ["saloon"]
    assert settings.length_mm == 325
    assert settings.tripod


def test_numbers_given_on_the_command_line_reach_the_core(folder, measure):
    main((*PAIR, "--false-alarms", "0.5", "--noticeable", "0.01"))
    main(PAIR)
    asked, usual = (settings for _, _, _, settings in measure.calls)
    assert (asked.false_alarms_per_pair, asked.noticeable_contrast) == (0.5, 0.01)
    assert usual == leakcheck.Settings()


LAMPS = {  # openings, options, exit code
    "a fault does not count by itself": (made.lamps(), (), 0),
    "a fault counts where asked for": (made.lamps(), ("--lamps",), 1),
    "all well": (made.lamps()[:2], ("--lamps",), 0),
    "the photo's fault is none of the model": (made.lamps()[6:7], ("--lamps",), 0),
    "no openings": ((), ("--lamps",), 0),
}


@pytest.mark.parametrize(("lamps", "options", "code"), LAMPS.values(), ids=LAMPS.keys())
def test_openings_count_only_where_asked_for(folder, measure, capsys, lamps, options, code):
    measure.result = made.tight(lamps=lamps)
    assert main((*PAIR, *options)) == code
    assert capsys.readouterr().out.startswith("TIGHT: ")


def test_leaks_are_exit_code_1_whatever_the_openings(folder, measure):
    measure.result = made.check(lamps=made.lamps()[:2])
    assert main((*PAIR, "--lamps", "--quiet")) == 1


def test_openings_of_another_photo_are_carried_over(folder, measure, monkeypatch):
    """The drawing links its own photo; that one is registered by a function that shifts by (5, 3).

    Rectangle 10 to 30 in drawing units is 9.5 to 29.5 counted from pixel centres.
    """
    shifted = replace(
        made.check().registration,
        homography=np.array([[1.0, 0, 5], [0, 1, 3], [0, 0, 1]]),
    )
    monkeypatch.setattr("leakcheck.carry.register", lambda *_, **__: shifted)
    other = cv2.imread("heron_on.png")[:, ::-1]
    cv2.imwrite("another.png", other)
    main(("check", "heron_off.png", "another.png", "--openings", "openings.svg"))
    (ring,) = measure.calls[0][2].shapes[0].rings
    assert ring.min(axis=0) == pytest.approx([14.5, 12.5])
    assert ring.max(axis=0) == pytest.approx([34.5, 32.5])


def test_warnings_go_to_stderr_once(folder, measure, capsys):
    measure.result = made.check(warnings=("The room was bright.", "The room was bright."))
    main(PAIR)
    printed = capsys.readouterr()
    assert printed.err == "Warning: The room was bright.\n"
    assert "The room" not in printed.out.replace("The room looks", "")
    main((*PAIR, "--quiet"))
    printed = capsys.readouterr()
    assert printed.err == ""
    assert printed.out.count("\n") == 1


def test_json_on_stdout_is_all_there_is(folder, measure, capsys):
    assert main((*PAIR, "--json", "-")) == 1
    assert json.loads(capsys.readouterr().out)["verdict"] == "leaks"


def test_the_folder_gets_pictures_json_and_table(folder, measure, capsys):
    assert main((*PAIR, "--out", "new/results", "--picture-width", "640")) == 1
    results = folder / "new" / "results"
    assert {p.name for p in results.iterdir()} == {
        "glow.png",
        "lamps.csv",
        "leaks.csv",
        "marked.png",
        "report.html",
        "result.json",
    }
    assert cv2.imread(str(results / "marked.png")).shape[1] == 640
    assert json.loads((results / "result.json").read_text())["version"] == 1
    assert not [p for p in folder.rglob("*") if p.name.endswith(".tmp")]
    # A second run must not take the first one's place unasked.
    before = _files(folder)
    capsys.readouterr()
    assert main((*PAIR, "--out", "new/results")) == 2
    assert "--force" in capsys.readouterr().err
    assert _files(folder) == before
    measure.result = made.tight()
    assert main((*PAIR, "--out", "new/results", "--force")) == 0
    assert json.loads((results / "result.json").read_text())["verdict"] == "tight"


def test_what_was_found_is_printed_even_when_it_cannot_be_written(
    folder, measure, capsys, monkeypatch
):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert main((*PAIR, "--json", "r.json")) == 2
    printed = capsys.readouterr()
    assert printed.out.startswith("LEAKS: 4 found")
    assert "r.json cannot be written: the disk is full" in printed.err
    assert not (folder / "r.json").exists()


def test_saved_openings_can_be_read_again(folder, measure):
    """Written by the command, read by the openings reader: same places to a hundredth."""
    window = Opening("window-a1", "window", (made.box(20, 30, 60, 50),))
    lamp = Opening("beacon-red-1", "beacon", (made.circle(90, 70, 12),))
    facts = replace(made.facts("heron_on.png"), width_px=160, height_px=120)
    measure.result = made.tight(guessed=(window, lamp), openings=(), on=facts)
    assert main((*PAIR, "--save-openings", "album/new.svg")) == 0
    shapes = read_openings("album/new.svg", size=(160, 120)).shapes
    assert [shape.name for shape in shapes] == ["window-a1", "beacon-red-1"]
    assert [shape.kind for shape in shapes] == ["window", "beacon"]
    assert shapes[0].rings[0] == pytest.approx(window.rings[0], abs=0.01)
    assert "../heron_on.png" in Path("album/new.svg").read_text()
