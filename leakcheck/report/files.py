"""Results reach the disk whole or not at all, and never on top of something of the user's."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import sys
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from leakcheck.errors import OutputError, UsageError

_REASONS = {
    errno.EACCES: "there is no permission to write there. Choose another folder",
    errno.EPERM: "there is no permission to write there. Choose another folder",
    errno.EROFS: "the disk can only be read. Choose another folder",
    errno.ENOSPC: "the disk is full. Free some space and run it again",
    errno.EDQUOT: "your share of the disk is full. Free some space and run it again",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter one",
    errno.ENOENT: "its folder does not exist. Create it first",
    errno.ENOTDIR: "a part of its folder's path is a file. Choose another folder",
}


def refuse_unwritable(
    paths: Collection[Path],
    *,
    inputs: Collection[Path],
    force: bool,
    new_folder: Path | None = None,
) -> None:
    """Find out before the measurement whether its results could be written after it.

    Args:
        paths: the files that will be written.
        inputs: photos and openings, never overwritten, not even with `force`.
        force: existing files may be replaced.
        new_folder: a folder that will be created when it is missing.
    Raises:
        OutputError: a file exists, is an input, or its folder is missing or cannot be written.
        UsageError: two outputs have the same name.
    """
    seen: set[Path] = set()
    for path in paths:
        _refuse_occupied(path, inputs=inputs, force=force)
        if path.resolve() in seen:
            raise UsageError(f"{path} is asked for twice. Give each output a name of its own.")
        seen.add(path.resolve())
        if not _is_special(path):
            _refuse_unwritable_folder(path, new_folder=new_folder)


def write_files(contents: Mapping[Path, bytes], *, force: bool) -> None:
    """Write all the files, or none of them where one cannot be written.

    Each goes to a temporary file beside its place first and is moved there when all are on the
    disk. Missing folders are created; permissions follow the user's umask. Devices and pipes
    (`/dev/null`, a shell's `>(...)`) are written to as they are.

    Raises: OutputError, after the temporary files are gone.
    """
    with contextlib.ExitStack() as undo:
        staged = [
            (undo.enter_context(_staged(path, data)), path)
            for path, data in contents.items()
            if not _is_special(path)
        ]
        for _, path in staged:
            _refuse_occupied(path, inputs=(), force=force)
        for temporary, path in staged:
            with _plain_errors(path):
                temporary.replace(path.resolve())
    for path, data in contents.items():
        if _is_special(path):
            with _plain_errors(path):
                path.write_bytes(data)


def write_stdout(data: bytes) -> None:
    """Write to standard output. A reader that has seen enough (`| head`) is no error.

    Raises: OutputError, for instance where it leads to a full disk.
    """
    try:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        close_stdout()
    except OSError as error:
        close_stdout()
        raise OutputError(f"Standard output cannot be written: {_reason(error)}.") from error


def close_stdout() -> None:
    """Let what is still to be printed vanish, so that Python does not fail on it at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse_occupied(path: Path, *, inputs: Collection[Path], force: bool) -> None:
    """Raise OutputError where something is at `path` that must stay."""
    with _plain_errors(path):
        if any(_same_file(path, other) for other in inputs):
            raise OutputError(
                f"{path} is one of the files to read and is never overwritten."
                " Give the result another name."
            )
        if path.is_dir():
            raise OutputError(f"{path} is a folder. Give the name of a file in it.")
        if path.exists() and not _is_special(path) and not force:
            raise OutputError(
                f"{path} exists already. Give another name, or --force to replace it."
            )


def _refuse_unwritable_folder(path: Path, *, new_folder: Path | None) -> None:
    """Raise OutputError where no file can be made in the folder of `path`."""
    with _plain_errors(path):
        folder = path.resolve().parent
        if new_folder is not None and folder == new_folder.resolve():
            while not folder.exists() and folder != folder.parent:
                folder = folder.parent
        trial = folder / _temporary_name()
        with trial.open("xb"):
            pass
        trial.unlink()


@contextlib.contextmanager
def _staged(path: Path, data: bytes) -> Iterator[Path]:
    """A temporary file with `data` on the disk beside `path`; removed unless moved away."""
    folder = path.resolve().parent
    with _plain_errors(path), _new_folder(folder):
        temporary = folder / _temporary_name()
        try:
            with temporary.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            yield temporary
        finally:
            temporary.unlink(missing_ok=True)


@contextlib.contextmanager
def _new_folder(folder: Path) -> Iterator[None]:
    """Create a folder and its parents where missing; take them away again when empty at the end."""
    missing = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        for each in missing:
            with contextlib.suppress(OSError):
                each.rmdir()
        raise


@contextlib.contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    """Turn what the system says about `path` into an OutputError of one sentence."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {_reason(error)}.") from error


def _reason(error: OSError) -> str:
    return _REASONS.get(error.errno or 0, f"{error.strerror or error}. Choose another place")


def _temporary_name() -> str:
    return f".leakcheck-{secrets.token_hex(6)}.tmp"


def _same_file(path: Path, other: Path) -> bool:
    """True where both lead to one file, through links and on disks that ignore case as well."""
    if path.exists() and other.exists():
        return path.samefile(other)
    return path.resolve() == other.resolve()


def _is_special(path: Path) -> bool:
    """True for a device or a pipe: nothing is kept there that could be lost."""
    return path.exists() and not path.is_file() and not path.is_dir()
