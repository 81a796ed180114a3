"""Where a user runs it: no home, no locale, no terminal, no colours; names of any kind.

Truth: the results of a run in ordinary surroundings.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from faults import COMMANDS, ENVIRONMENT, LEAKS, RESULT, SOON_S, ended, results, shots_in, started

from leakcheck.cli import main

# Of 250 bytes with "off.jpg" behind it; a folder's or a file's name may have 255.
LONG = ("heron " * 50)[: 250 - len("off.jpg") - 1] + " "
NAMES = {
    "spaces and umlauts": "Fähre öüß backbord ",
    "emoji and marks": "🚢💡 it's 100% #1 (a) & [b];$x ",
    "250 characters": LONG,
}


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    """With a name that ASCII does not have."""
    return shots_in(tmp_path_factory.mktemp("shots") / "Fähre 🚢", name="ü ")


def bare(home: Path) -> dict[str, str]:
    """An environment without home, locale and terminal; a home that cannot be written."""
    kept = ("PATH", "PYTHONPATH", "LD_LIBRARY_PATH", "VIRTUAL_ENV", "TMPDIR")
    return {name: ENVIRONMENT[name] for name in kept if name in ENVIRONMENT} | {
        "HOME": str(home / "nowhere"),
        "LC_ALL": "C",
        "LANG": "C",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONUTF8": "0",
        "NO_COLOR": "1",
    }


@pytest.mark.parametrize("command", COMMANDS)
def test_no_home_no_locale_no_terminal(shots, tmp_path, command):
    """In a session of its own, as a server's scheduler starts it: nothing but ASCII on stdout, and
    on stderr no word of a library that misses its folders."""
    environment = bare(tmp_path)
    if command == "check":
        del environment["HOME"]
    out = tmp_path / "out"
    run = started(*shots.arguments(command, out), env=environment, start_new_session=True)
    code, said, warned = ended(run)
    assert code == LEAKS, warned
    assert said.isascii()
    assert "leaks" in said
    assert "\x1b" not in said + warned
    own = ("Warning: ", "3 results")  # batch: two pairs and their comparison
    assert [line for line in warned.splitlines() if not line.startswith(own)] == []
    kept = json.loads((out / RESULT[command]).read_text("utf-8"))
    assert "ü on.jpg" in json.dumps(kept, ensure_ascii=False)


@pytest.mark.parametrize("command", COMMANDS)
def test_standard_streams_that_are_closed(shots, tmp_path, command):
    """As in `leakcheck ... <&- >&- 2>&-`: the results are written, and the exit code says what is
    so; a full result on a closed stdout is no reason to say that the ship is tight."""
    out = tmp_path / "out"
    line = [sys.executable, "-m", "leakcheck", *shots.arguments(command, out), "--quiet"]
    shell = ["sh", "-c", 'exec "$@" <&- >&- 2>&-', "sh", *line]
    done = subprocess.run(shell, env=ENVIRONMENT, check=False, timeout=SOON_S)
    assert done.returncode == LEAKS
    assert (out / RESULT[command]).is_file()


@pytest.mark.parametrize(
    ("command", "no_colour", "coloured"),
    [("check", "1", False), ("compare", "1", False), ("batch", "1", False), ("compare", "", True)],
)
def test_no_color(shots, tmp_path, command, no_colour, coloured):
    """On a terminal; https://no-color.org: "when present and not an empty string"."""
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()
    environment = {k: v for k, v in ENVIRONMENT.items() if k != "COLUMNS"}
    run = subprocess.Popen(
        [sys.executable, "-m", "leakcheck", *shots.arguments(command, tmp_path / "out")],
        env=environment | {"NO_COLOR": no_colour, "TERM": "xterm"},
        stdout=slave,
        stderr=subprocess.DEVNULL,
    )
    os.close(slave)
    shown = b""
    with contextlib.suppress(OSError):  # how a closed pseudo-terminal ends on Linux
        while part := os.read(master, 65536):
            shown += part
    os.close(master)
    assert run.wait(SOON_S) == LEAKS
    assert b"leaks" in shown
    assert (b"\x1b[" in shown) == coloured


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES.keys())
@pytest.mark.parametrize("command", COMMANDS)
def test_names_of_photos_and_folders(tmp_path, capfd, command, name):
    """The same leaks as under plain names, and the name stands in the result as it is."""
    folder = name.strip()
    shots = shots_in(tmp_path / folder, name=name, before=f"{folder[:200]} 1", after=folder)
    out = tmp_path / folder / "results of it"
    arguments = shots.arguments(command, out)
    assert main(arguments) == LEAKS
    said = capfd.readouterr()
    assert "Traceback" not in said.err
    assert "fault of the program" not in said.out + said.err
    kept = json.loads((out / RESULT[command]).read_text("utf-8"))
    assert f"{name}on.jpg" in json.dumps(kept, ensure_ascii=False)
    if command == "batch":
        assert [pair["exit_code"] for pair in kept["pairs"]] == [LEAKS, LEAKS]
        assert len([name for name in results(out) if name.endswith("compare.json")]) == 1


def test_the_longest_name_is_as_long_as_it_says():
    """No system in use allows more than 255 bytes."""
    assert len(f"{LONG}off.jpg".encode()) == 250
