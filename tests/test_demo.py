"""`leakcheck demo`: samples into a folder, both commands on them; from a clone and a wheel."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from leakcheck import demo
from leakcheck.cli import main
from leakcheck.errors import OutputError

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_images"


def test_it_copies_the_samples_and_both_commands_run(tmp_path, capfd):
    """Judge: exit status 0, the files that check and compare write, and the copies byte by byte."""
    folder = tmp_path / "heron"
    assert main(["demo", str(folder)]) == 0
    for name in (*demo.PHOTOS, demo.OPENINGS):
        assert (folder / name).read_bytes() == (SAMPLES / name).read_bytes()
    checked = json.loads((folder / "coat-1" / "result.json").read_text("utf-8"))
    assert checked["verdict"] == "leaks"
    compared = json.loads((folder / "coats" / "compare.json").read_text("utf-8"))
    assert len(compared["stages"]) == 3
    for where in ("coat-1", "coats"):
        assert (folder / where / "report.html").is_file()
    shown = capfd.readouterr().out
    assert shown.count("$ leakcheck ") == 2
    assert "report.html" in shown.splitlines()[-1]


def test_it_overwrites_nothing_unasked(tmp_path, capsys):
    (tmp_path / demo.PHOTOS[0]).write_text("mine")
    assert main(["demo", str(tmp_path)]) == 2
    assert "--force" in capsys.readouterr().err
    assert (tmp_path / demo.PHOTOS[0]).read_text() == "mine"
    assert sorted(os.listdir(tmp_path)) == [demo.PHOTOS[0]]


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="file"):
        demo.copy_samples(tmp_path / "file" / "demo", force=False)


def test_an_installation_without_samples_says_what_to_do(tmp_path, monkeypatch):
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "leakcheck" / "demo.py"))
    with pytest.raises(OutputError, match="clone"):
        demo.sample_folder()


def test_a_wheel_brings_the_samples_along(tmp_path):
    """Built as pip builds it, unpacked, and asked from another folder."""
    pytest.importorskip("hatchling")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "site")
    code = (
        "from pathlib import Path; from leakcheck import demo;"
        "print(demo.sample_folder()); print(len(demo.copy_samples(Path('demo'), force=False)))"
    )
    asked = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path / "site")},
        check=True,
        capture_output=True,
        text=True,
    )
    where, count = asked.stdout.split()
    assert Path(where) == tmp_path / "site" / "leakcheck" / "samples"
    assert int(count) == len(demo.PHOTOS) + 1
    assert wheel.stat().st_size < 5e6
