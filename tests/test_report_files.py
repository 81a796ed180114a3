"""Results on the disk, whole or not at all; the progress line."""

from __future__ import annotations

import errno
import io
import os
import shutil
import stat
import subprocess
import time
from pathlib import Path

import pytest

from leakcheck.errors import OutputError, UsageError
from leakcheck.report import files
from leakcheck.report.progress import SILENT_S, progress_line

# --- files -----------------------------------------------------------------------------------


def _left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_files_are_written_with_the_users_rights(tmp_path):
    before = os.umask(0o027)
    try:
        files.write_files({tmp_path / "a.json": b"{}", tmp_path / "n/b.csv": b"x"}, force=False)
    finally:
        os.umask(before)
    assert (tmp_path / "a.json").read_bytes() == b"{}"
    assert (tmp_path / "n/b.csv").read_bytes() == b"x"
    assert _left(tmp_path) == ["a.json", "n"]
    if os.name == "posix":
        assert stat.S_IMODE((tmp_path / "a.json").stat().st_mode) == 0o640


def test_an_existing_file_stays_without_force(tmp_path):
    path = tmp_path / "mine.json"
    path.write_bytes(b"mine")
    for attempt in (
        lambda: files.refuse_unwritable([path], inputs=[], force=False),
        lambda: files.write_files({path: b"new"}, force=False),
    ):
        with pytest.raises(OutputError, match=r"mine\.json exists already.*--force"):
            attempt()
    assert path.read_bytes() == b"mine"
    files.write_files({path: b"new"}, force=True)
    assert path.read_bytes() == b"new"
    assert _left(tmp_path) == ["mine.json"]


@pytest.mark.parametrize("disguise", ["same", "dots", "symlink", "hardlink"])
def test_a_photo_is_never_overwritten(tmp_path, disguise):
    photo = tmp_path / "on.jpg"
    photo.write_bytes(b"photo")
    target = tmp_path / "other.json"
    if disguise == "same":
        target = photo
    elif disguise == "dots":
        target = tmp_path / ".." / tmp_path.name / "on.jpg"
    elif disguise == "symlink":
        target.symlink_to(photo)
    else:
        target.hardlink_to(photo)
    with pytest.raises(OutputError, match="never overwritten"):
        files.refuse_unwritable([target], inputs=[photo], force=True)
    assert photo.read_bytes() == b"photo"


def test_a_link_is_written_through(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link.json").symlink_to(tmp_path / "real" / "r.json")
    files.write_files({tmp_path / "link.json": b"1"}, force=False)
    assert (tmp_path / "real" / "r.json").read_bytes() == b"1"
    assert (tmp_path / "link.json").is_symlink()


def test_folders_in_the_way_are_named(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    for path, words_expected in (
        (tmp_path, "is a folder"),
        (tmp_path / "no" / "r.json", "folder does not exist"),
        (tmp_path / "file" / "r.json", "is a file"),
        (tmp_path / ("x" * 300), "name is too long"),
    ):
        with pytest.raises(OutputError, match=words_expected):
            files.refuse_unwritable([path], inputs=[], force=False)
    assert _left(tmp_path) == ["file"]


def test_a_new_folder_is_tried_but_not_made_before_the_measurement(tmp_path):
    folder = tmp_path / "a" / "b"
    files.refuse_unwritable([folder / "r"], inputs=[], force=False, new_folder=folder)
    assert _left(tmp_path) == []
    (tmp_path / "a").write_bytes(b"a file in its way")
    with pytest.raises(OutputError, match="is a file"):
        files.refuse_unwritable([folder / "r"], inputs=[], force=False, new_folder=folder)


def test_the_same_name_twice_is_refused(tmp_path):
    paths = [tmp_path / "r", tmp_path / "." / "r"]
    with pytest.raises(UsageError, match="twice"):
        files.refuse_unwritable(paths, inputs=[], force=False)


def _failing_open(monkeypatch, number: int, *, after: int = 0) -> None:
    """Let opening a new file fail with this error after so many successes."""
    really_open = Path.open
    count = 0

    def open_(self, mode="r", *args, **kwargs):
        nonlocal count
        if "x" in mode:
            count += 1
            if count > after:
                raise OSError(number, os.strerror(number), str(self))
        return really_open(self, mode, *args, **kwargs)

    monkeypatch.setattr(Path, "open", open_)


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (errno.EACCES, "no permission"),
        (errno.EROFS, "can only be read"),
        (errno.ENOSPC, "disk is full"),
        (errno.EIO, "error"),
    ],
)
def test_a_place_that_cannot_be_written_is_found_before_measuring(
    tmp_path, monkeypatch, number, text
):
    """The system's errors are played, as root may write everywhere."""
    _failing_open(monkeypatch, number)
    with pytest.raises(OutputError, match=text) as failure:
        files.refuse_unwritable([tmp_path / "r.json"], inputs=[], force=False)
    assert "r.json" in str(failure.value)
    assert _left(tmp_path) == []


def test_all_files_or_none(tmp_path, monkeypatch):
    """The second of two files fails: the first, already on the disk, must go as well."""
    _failing_open(monkeypatch, errno.ENOSPC, after=1)
    with pytest.raises(OutputError, match=r"b\.csv cannot be written: the disk is full"):
        files.write_files({tmp_path / "n/a": b"1", tmp_path / "n/b.csv": b"2"}, force=False)
    assert _left(tmp_path) == []


def test_an_interruption_leaves_nothing(tmp_path, monkeypatch):
    def interrupted(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        files.write_files({tmp_path / "a": b"1"}, force=False)
    assert _left(tmp_path) == []


def test_a_disk_that_is_really_full(tmp_path):
    """Truth: a small disk in memory, where this machine lets the tests mount one."""
    if shutil.which("mount") is None:
        pytest.skip("there is no command to mount with")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(tmp_path)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("mounting is not allowed here")
    try:
        with pytest.raises(OutputError, match="the disk is full"):
            files.write_files(
                {tmp_path / "small": b"1", tmp_path / "large": bytes(200_000)}, force=False
            )
        assert _left(tmp_path) == []
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="needs a Unix device")
def test_devices_are_written_to_and_stay():
    null = Path("/dev/null")
    files.refuse_unwritable([null], inputs=[], force=False)
    files.write_files({null: b"gone"}, force=False)
    assert null.is_char_device()


# --- progress --------------------------------------------------------------------------------


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_fast_run_shows_no_progress():
    stream = _Terminal()
    with progress_line(stream) as progress:
        progress("Reading the photos")
    assert stream.getvalue() == ""


def test_a_slow_run_shows_its_step_and_wipes_it(monkeypatch):
    """A carriage return, the step, and at the end blanks over it: read off the stream."""
    monkeypatch.setattr("leakcheck.report.progress.SILENT_S", 0.02)
    stream = _Terminal()
    with progress_line(stream) as progress:
        progress("Reading the photos")
        deadline = time.monotonic() + 10
        while not stream.getvalue() and time.monotonic() < deadline:
            time.sleep(0.01)
        progress("Lining them up")
    shown = [part.strip() for part in stream.getvalue().split("\r")]
    assert shown == ["", "Reading the photos", "Lining them up", "", ""]


def test_a_pipe_gets_no_progress(monkeypatch):
    monkeypatch.setattr("leakcheck.report.progress.SILENT_S", 0.0)
    stream = io.StringIO()
    with progress_line(stream) as progress:
        progress("Reading the photos")
        time.sleep(0.05)
    assert stream.getvalue() == ""
    assert SILENT_S == 1.0  # "a progress line for anything over a second"
