"""Where the sample photos are, and copying them for a first try."""

from __future__ import annotations

import shutil
from pathlib import Path

from leakcheck.errors import OutputError

STAGES = ("coat-1", "coat-2", "coat-3")
OPENINGS = "port.svg"
PHOTOS = tuple(f"port-{stage}-{part}.jpg" for stage in STAGES for part in ("off", "on"))
LENGTH_MM = 332  # of the model, from stem to stern


def sample_folder() -> Path:
    """The folder of the sample photos: in the installed package, else beside it in the sources.

    Raises: OutputError where neither holds them.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "samples", package.parent / "sample_images"):
        if all((folder / name).is_file() for name in (*PHOTOS, OPENINGS)):
            return folder
    raise OutputError(
        "the sample photos are not with this installation. Install leakcheck again with pip, or"
        " run the demo in a clone of its repository."
    )


def copy_samples(folder: Path, *, force: bool) -> list[Path]:
    """Put the port side's three pairs and their openings into a folder; returns the new files.

    Args:
        folder: made where it is not there yet.
        force: replace files of these names.
    Raises: OutputError where a file is there already or cannot be written.
    """
    source = sample_folder()
    copies = [folder / name for name in (*PHOTOS, OPENINGS)]
    there = [path.name for path in copies if path.exists()]
    if there and not force:
        raise OutputError(
            f"{folder} holds {there[0]} already. Name another folder, or replace it with --force."
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in copies:
            shutil.copyfile(source / path.name, path)
    except OSError as error:
        raise OutputError(f"{folder} cannot be written: {error.strerror}.") from error
    return copies
