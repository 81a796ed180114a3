"""What is handed out: source archive and wheel, used from another folder, without any extra."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest
from faults import LEAKS, shots_in

ROOT = Path(__file__).parent.parent
BUILD_S, SOON_S = 300, 180
EXTRAS = ("aiohttp", "dask", "distributed", "rawpy")
# Python with the extras' libraries away, as in an environment without them.
WITHOUT = f"import sys; sys.modules.update(dict.fromkeys({EXTRAS!r})); "


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The folder of a source archive, and of the wheel that was built from it alone."""
    pytest.importorskip("build", reason="pip install build")
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=BUILD_S, check=False)
    if done.returncode and "CI" not in os.environ and "LEAKCHECK_CI" not in os.environ:
        pytest.skip("no package index to build from")
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return out


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory):
    """The wheel's files alone, as pip lays them."""
    site = tmp_path_factory.mktemp("site")
    (wheel,) = built.glob("*.whl")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-compile"]
    subprocess.run([*pip, "--target", str(site), str(wheel)], check=True, timeout=BUILD_S)
    return site


def run(site: Path, folder: Path, code: str, *arguments: str) -> subprocess.CompletedProcess:
    environment = {**os.environ, "PYTHONPATH": str(site)}
    return subprocess.run(
        [sys.executable, "-c", WITHOUT + code, *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=SOON_S,
        check=False,
    )


COMMAND = "from leakcheck.cli import run; run()"


def test_the_archives_hold_what_they_should(built):
    """Every file of the package that git knows is in the wheel; the archive can be tested."""
    (wheel,), (source,) = built.glob("*.whl"), built.glob("*.tar.gz")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    listed = subprocess.run(
        ["git", "ls-files", "leakcheck"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    there = [name for name in listed if (ROOT / name).exists()]
    assert [name for name in there if name not in names] == []
    assert not any(name.startswith("tests/") for name in names)
    with tarfile.open(source) as archive:
        inside = {name.split("/", 1)[-1] for name in archive.getnames()}
    assert {"README.md", "LICENSE", "pyproject.toml", "tests/scene.py"} <= inside


def test_it_runs_from_another_folder_without_extras(installed, tmp_path):
    """Check and batch, which compares too, with the pages and pictures that they write."""
    where = run(installed, tmp_path, "import leakcheck; print(leakcheck.__file__)").stdout
    assert Path(where.strip()).is_relative_to(installed)
    shots = shots_in(tmp_path / "shots")
    for command, page in (("check", "report.html"), ("batch", "overview.html")):
        out = tmp_path / command
        done = run(installed, tmp_path, COMMAND, *shots.arguments(command, out))
        assert done.returncode == LEAKS, done.stderr
        assert (out / page).stat().st_size > 10_000


@pytest.mark.parametrize(
    ("arguments", "extra"),
    [
        (("page", "--no-browser", "."), "leakcheck[page]"),
        (("batch", "shots", "--cluster", "tcp://127.0.0.1:9"), "leakcheck[cluster]"),
        (("check", "off.dng", "on.dng"), "leakcheck[raw]"),
    ],
)
def test_what_needs_an_extra_names_it(installed, tmp_path, arguments, extra):
    """One sentence, exit code 2, and what to install."""
    shots_in(tmp_path / "shots")
    for name in ("off.dng", "on.dng"):
        (tmp_path / name).write_bytes(b"II*\0" + bytes(500))
    done = run(installed, tmp_path, COMMAND, *arguments)
    assert done.returncode == 2
    assert extra in done.stderr
    assert len(done.stderr.splitlines()) == 1
