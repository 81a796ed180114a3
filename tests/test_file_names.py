"""Names of files that are no text on this system. What the bytes mean, Unicode's UTF-8 says."""

from __future__ import annotations

import json
import os
import shutil

import pytest
from faults import COMMANDS, LEAKS, RESULT, results, shots_in

from leakcheck.cli import main
from leakcheck.file_names import shown


def test_a_name_that_is_text_stays():
    assert shown("Fähre 🚢 an.jpg") == "Fähre 🚢 an.jpg"


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("F\udcc3\udca4hre", "Fähre"),  # the UTF-8 of ä as the locale "C" has it
        ("F\udce4hre", "F\ufffdhre"),  # ä in Latin-1
        ("F\ud83dhre", "F?hre"),  # half a pair: no bytes at all
    ],
)
def test_bytes_that_the_system_does_not_know(name, written):
    assert shown(name) == written
    assert shown(name).encode("utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_photos_named_on_an_old_disk(tmp_path, capfd, command):
    """Latin-1 in the name, which Linux keeps as it is: measured, written as UTF-8, named in it."""
    shots = shots_in(tmp_path / "shots")
    for path in shots.photos():
        old = os.fsencode(path.parent) + b"/F\xe4hre " + os.fsencode(path.name)
        try:
            os.rename(path, old)
        except OSError:
            pytest.skip("this system's names are text")
    photos = [
        os.fsdecode(os.fsencode(p.parent) + b"/F\xe4hre " + p.name.encode()) for p in shots.photos()
    ]
    out = tmp_path / "out"
    arguments = shots.arguments(command, out)
    if command == "check":
        arguments[1:3] = photos[:2]
    assert main(arguments) == LEAKS
    assert "fault of the program" not in capfd.readouterr().err
    found = results(out)
    for name, data in found.items():
        if name.endswith((".html", ".json", ".csv")):
            data.decode("utf-8")
    assert "F\ufffdhre on.jpg" in json.dumps(json.loads(found[RESULT[command]]), ensure_ascii=False)
    shutil.rmtree(os.fsencode(shots.before.parent))
