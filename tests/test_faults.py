"""What the system can do to a run: no room, no right, files that go, a kill, a second run.

Truth: the results of a run that nothing happened to, byte by byte, and what is on the disk after.
"""

from __future__ import annotations

import os
import pkgutil
import shutil
import signal
import subprocess
from contextlib import contextmanager
from pathlib import Path

import pytest
from faults import COMMANDS, LEAKS, RESULT, ended, results, sentence, shots_in, started

from leakcheck.cli import main
from leakcheck.errors import EXIT_BAD_INPUT


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    return shots_in(tmp_path_factory.mktemp("shots"))


@pytest.fixture(scope="module")
def whole(shots, tmp_path_factory):
    """Results of runs that nothing happens to, by command."""
    found = {}
    for command in COMMANDS:
        out = tmp_path_factory.mktemp("whole") / command
        assert main([*shots.arguments(command, out), "--quiet"]) == LEAKS
        found[command] = results(out)
        assert RESULT[command] in found[command]
    return found


@contextmanager
def disk(folder: Path, options: str):
    """A disk in memory of its own at a folder, where this machine lets the tests mount one."""
    if shutil.which("mount") is None:
        pytest.skip("there is no command to mount with")
    mount = ["mount", "-t", "tmpfs", "-o", options, "none", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


# What the results of check take is 0.7 MB; of compare 1.1 MB; of a pair in batch 0.8 MB, and 1 MB
# put aside for comparing.
@pytest.mark.parametrize(
    ("command", "size"), [("check", "300k"), ("compare", "500k"), ("batch", "300k")]
)
def test_a_full_disk(shots, tmp_path, capfd, command, size):
    """What was found is on the screen, the sentence says why it is not on the disk, and what is
    on the disk is whole."""
    with disk(tmp_path, f"size={size}"):
        assert main(shots.arguments(command, tmp_path / "out")) == EXIT_BAD_INPUT
        said = capfd.readouterr()
        assert "disk is full" in (said.err if command != "batch" else said.out + said.err)
        assert "leak" in said.out
        assert "Traceback" not in said.err
        assert "fault of the program" not in said.out + said.err
        left = [path.name for path in tmp_path.rglob("*") if path.is_file()]
        assert [name for name in left if name.endswith(".tmp")] == []
        results_left = [name for name in results(tmp_path) if "overview." not in name]
        assert results_left == []  # what batch says of all pairs fits, and tells why


def test_a_disk_that_fills_while_batch_puts_things_aside(shots, tmp_path, capfd):
    """The first pair's results fit and what is kept for comparing does not."""
    with disk(tmp_path, "size=1000k"):
        assert main(shots.arguments("batch", tmp_path / "out")) == EXIT_BAD_INPUT
        said = capfd.readouterr()
        assert "disk is full" in said.out + said.err
        assert "fault of the program" not in said.out + said.err
        assert "Traceback" not in said.err


@pytest.mark.parametrize("command", COMMANDS)
def test_a_disk_that_can_only_be_read(shots, tmp_path, capfd, command):
    with disk(tmp_path, "ro"):
        assert main(shots.arguments(command, tmp_path / "out")) == EXIT_BAD_INPUT
    said = capfd.readouterr()
    assert str(tmp_path) in sentence(said.err)
    assert "ead" in said.err  # "can only be read", "Read-only file system"
    assert said.out == ""  # found out before anything was measured


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_without_the_right_to_write(shots, tmp_path, command):
    """As a user meets it: root may write everywhere, so root gives that right up first."""
    tmp_path.chmod(0o500)
    give_up = ()
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root may write everywhere, and there is no setpriv to give that up")
        give_up = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    arguments = shots.arguments(command, tmp_path / "out")
    code, out, err = ended(started(*arguments, before=give_up))
    assert code == EXIT_BAD_INPUT
    assert str(tmp_path / "out") in sentence(err)
    assert "ermission" in err
    assert out == ""
    assert list(tmp_path.iterdir()) == []


# What looks first, and then comes back to read: a folder's listing, or the other photo's bytes.
LOOKS = {
    "check": "pathlib.Path.read_bytes",
    "compare": "pathlib.Path.iterdir",
    "batch": "leakcheck.batch.photo_paths",
}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_photo_that_goes_between_listing_and_reading(tmp_path, monkeypatch, capfd, command):
    shots = shots_in(tmp_path / "shots")
    lost = shots.photos()[1]
    really = pkgutil.resolve_name(LOOKS[command])

    def then_gone(path, **options):
        near = path in lost.parents or path.parent == lost.parent
        if command == "check":  # both photos are read at once: it goes before either is read
            if near:
                lost.unlink(missing_ok=True)
            return really(path, **options)
        found = list(really(path, **options))
        if near:
            lost.unlink(missing_ok=True)
        return found

    monkeypatch.setattr(LOOKS[command], then_gone)
    out = tmp_path / "out"
    assert main(shots.arguments(command, out)) == EXIT_BAD_INPUT
    said = capfd.readouterr()
    assert not lost.exists()
    assert lost.name in said.err + said.out
    assert "Traceback" not in said.err
    assert "fault of the program" not in said.out + said.err
    if command == "batch":  # one bad pair stops nothing: the other is measured all the same
        assert any(name.endswith("result.json") for name in results(out))
    else:
        assert sentence(said.err)
        assert results(out) == {}


def test_photos_that_go_once_batch_has_looked_at_them(tmp_path, monkeypatch, capfd):
    """Gone between the plan and the measuring."""
    from leakcheck import batch_run

    shots = shots_in(tmp_path / "shots")
    measure = batch_run.run

    def run(*args, **options):
        shots.photos()[0].unlink()
        return measure(*args, **options)

    monkeypatch.setattr(batch_run, "run", run)
    out = tmp_path / "out"
    assert main(shots.arguments("batch", out)) == EXIT_BAD_INPUT
    said = capfd.readouterr()
    assert "off.jpg" in said.out
    assert "fault of the program" not in said.out + said.err
    assert any(name.endswith("result.json") for name in results(out))


# Ends the process as `kill -9` does at the n-th call of a function that puts results on the disk.
KILLED = """
import os, pathlib, signal, sys
where, left = sys.argv.pop(1), [int(sys.argv.pop(1))]
owner = {"fsync": os, "replace": pathlib.Path}[where]
really = getattr(owner, where)
def counted(*args):
    left[0] -= 1
    if not left[0]:
        os.kill(os.getpid(), signal.SIGKILL)
    return really(*args)
setattr(owner, where, counted)
from leakcheck.cli import run
run()
"""


@pytest.mark.parametrize(
    ("command", "where", "number"),
    [("check", "replace", 2), ("compare", "fsync", 3), ("batch", "fsync", 9)],
)
def test_kill_9_while_writing(shots, whole, tmp_path, command, where, number):
    """What stands under a result's name is whole; the same command then makes all of it."""
    out = tmp_path / "out"
    arguments = [*shots.arguments(command, out), "--quiet"]
    killed = started(where, str(number), *arguments, program=("-c", KILLED))
    assert ended(killed)[0] == -signal.SIGKILL
    left = results(out)
    assert len(left) < len(whole[command])
    assert left == {name: whole[command][name] for name in left}
    assert main([*arguments, "--force"]) == LEAKS
    assert results(out) == whole[command]


@pytest.mark.parametrize("command", COMMANDS)
def test_two_runs_at_once_into_one_folder(shots, whole, tmp_path, command):
    """One of them writes; the other waits (batch), or refuses to write over it (the rest)."""
    out = tmp_path / "out"
    arguments = [*shots.arguments(command, out), "--quiet"]
    both = [started(*arguments) for _ in range(2)]
    told = sorted(ended(each) for each in both)
    codes = [code for code, _, _ in told]
    assert codes in ([LEAKS, LEAKS], [LEAKS, EXIT_BAD_INPUT])
    if codes[1] == EXIT_BAD_INPUT:
        assert "exists already" in sentence(told[1][2])
    assert results(out) == whole[command]


@pytest.mark.parametrize("command", COMMANDS)
def test_photos_that_can_only_be_read(tmp_path, command):
    """They are measured, and are the same bytes with the same times and rights afterwards."""
    shots = shots_in(tmp_path / "shots")
    files = [*shots.photos(), shots.before / "openings.svg"]
    for path in files:
        path.chmod(0o444)
    for folder in (shots.before, shots.after):
        folder.chmod(0o555)
    before = [(path.read_bytes(), path.stat().st_mtime_ns, path.stat().st_mode) for path in files]
    try:
        assert main([*shots.arguments(command, tmp_path / "out"), "--quiet"]) == LEAKS
    finally:
        for folder in (shots.before, shots.after):
            folder.chmod(0o755)
    after = [(path.read_bytes(), path.stat().st_mtime_ns, path.stat().st_mode) for path in files]
    assert after == before
    assert {path.name for path in shots.before.iterdir()} == {"off.jpg", "on.jpg", "openings.svg"}
