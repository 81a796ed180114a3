"""The command `demo`: the sample photos in a folder, and what check and compare say about them."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer

from leakcheck.errors import EXIT_LEAKS, EXIT_TIGHT

FOLDER = Path("heron-demo")

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="Folder for the photos and the results.")
    ] = FOLDER,
    force: Annotated[
        bool, typer.Option("--force", help="Replace photos and results of an earlier demo.")
    ] = False,
) -> int:
    """Copy the sample photos into a folder and run check and compare on them.

    The model in them leaks, so both find something. Exit status: 0 where both ran.
    """
    from leakcheck.demo import LENGTH_MM, OPENINGS, PHOTOS, copy_samples

    copy_samples(folder, force=force)
    print(f'The harbour ferry "Heron", 1:72, port side, after coats 1 to 3: now in {folder}.')
    photos = [str(folder / name) for name in PHOTOS]
    common = ["--openings", str(folder / OPENINGS), "--length-mm", str(LENGTH_MM)]
    common += ["--force"] if force else []
    checked, compared = folder / "coat-1", folder / "coats"
    code = _shown(["check", *photos[:2], *common, "--out", str(checked)])
    if code <= EXIT_LEAKS:
        code = _shown(["compare", *photos, *common, "--out", str(compared)])
    if code > EXIT_LEAKS:
        return code
    print(f"\nLook at {checked / 'report.html'} and {compared / 'report.html'} in a browser.")
    return EXIT_TIGHT


def _shown(args: list[str]) -> int:
    """Run a command as if it had been typed, its line shown first."""
    from leakcheck.cli import main

    print(f"\n$ leakcheck {shlex.join(args)}\n", flush=True)
    code = main(args)
    sys.stdout.flush()
    return code


def register_on(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(demo)
