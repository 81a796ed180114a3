"""`leakcheck report`: the page of a saved result, made again without measuring."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from leakcheck.errors import EXIT_TIGHT, UsageError

PAGE_SUFFIXES = (".html", ".htm")

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.


def report(
    result: Annotated[
        Path,
        typer.Argument(metavar="RESULT", help="result.json of check or compare.json of compare."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The page; usually report.html beside the result."),
    ] = None,
    off: Annotated[
        Path | None,
        typer.Option(metavar="PHOTO", help="The photo with the lights off, where it was moved."),
    ] = None,
    on: Annotated[
        Path | None,
        typer.Option(metavar="PHOTO", help="The photo with the lights on, where it was moved."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing page.")] = False,
) -> int:
    """Make report.html again from a saved result and its photos; nothing is measured anew.

    Exit status: 0 written, 2 where the result or a photo is not there or has changed.
    """
    from leakcheck.report.again_page import page_again
    from leakcheck.report.files import refuse_unwritable, write_files
    from leakcheck.report.outputs import PAGE
    from leakcheck.report.progress import progress_line

    page = out or result.parent / PAGE
    if page.suffix.lower() not in PAGE_SUFFIXES:
        # So that no slip of the hand can put a page in a photo's place, not even with --force.
        raise UsageError(f"--out {page} must end in .html, as it is a page.")
    inputs = [path for path in (result, off, on) if path]
    refuse_unwritable([page], inputs=inputs, force=force)
    with progress_line(sys.stderr) as progress:
        data = page_again(result, off=off, on=on, progress=progress)
        write_files({page: data}, force=force)
    return EXIT_TIGHT


def register_on(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(report)
