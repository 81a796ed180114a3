"""The commands that look at more than one test: `compare`, and `coats` for a test strip."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from leakcheck.errors import EXIT_LEAKS, EXIT_TIGHT
from leakcheck.settings import Settings

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.

PIPE_COLUMNS, LEAST_COLUMNS, MOST_COLUMNS = 80, 72, 110
SCALES = {"room": "room light", "windows": "windows", "exposure": "exposure"}


def compare(
    stages: Annotated[
        list[Path],
        typer.Argument(
            metavar="BEFORE AFTER...",
            help="Folders with a pair each, or results of check, in order; or photos in pairs:"
            " before off, before on, after off, after on.",
        ),
    ],
    openings: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Windows and beacons, drawn on any of the lights-on photos."
        ),
    ] = None,
    coats: Annotated[
        int, typer.Option(metavar="N", min=1, help="Coats between one stage and the next.")
    ] = 1,
    scale: Annotated[
        Literal["auto", "room", "windows", "exposure"],
        typer.Option(help="What light is compared by."),
    ] = "auto",
    length_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="The model's real length.")
    ] = None,
    noticeable: Annotated[
        float,
        typer.Option(
            metavar="SHARE", help="Added light / room light from which a person notices a leak."
        ),
    ] = Settings().noticeable_contrast,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JSON; - for stdout.")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the changes as a table; - stdout.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write pictures, plot, JSON and table into this folder."),
    ] = None,
    picture_width: Annotated[
        int | None, typer.Option(metavar="PX", min=640, max=20_000, help="Width of the picture.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace existing results.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the verdict alone.")] = False,
) -> int:
    """Compare tests before and after a coat: what is gone, fainter, new; how many coats more.

    Exit status: 0 nothing left, 1 leaks left, 2 and 3 as in check.
    """
    from leakcheck.cli import above_zero, warn
    from leakcheck.compare import compare as measure
    from leakcheck.compare_inputs import openings_for, read_pairs, stage_files
    from leakcheck.report.compare_outputs import CompareOutputs
    from leakcheck.report.compare_terminal import comparison_text, comparison_verdict
    from leakcheck.report.progress import progress_line

    settings = Settings(
        noticeable_contrast=above_zero(noticeable, "--noticeable"),
        length_mm=None if length_mm is None else above_zero(length_mm, "--length-mm"),
    )
    files = stage_files(stages)
    outputs = CompareOutputs(json, csv, out, picture_width, force)
    inputs = [path for each in files for path in (each.off, each.on, each.result) if path]
    outputs.refuse_impossible(inputs=[*inputs, *([openings] if openings else [])])
    with progress_line(sys.stderr, wanted=not quiet) as progress:
        progress("Reading the photos")
        pairs = read_pairs(files)
        shapes, base = openings_for(openings, files, pairs)
        result = measure(
            pairs,
            shapes,
            base=base,
            coats=coats,
            scale=SCALES.get(scale),  # type: ignore[arg-type]
            settings=settings,
            progress=progress,
        )
    # What was found is on the screen before anything can go wrong with writing it.
    if not outputs.on_stdout:
        colour, width = terminal()
        text = comparison_text(result, width=width, colour=colour)
        print_text(comparison_verdict(result, colour=colour) if quiet else text)
    if not quiet:
        warn([*(shapes.warnings if shapes else ()), *result.warnings])
    with progress_line(sys.stderr, wanted=not quiet) as progress:
        progress("Writing the results")
        outputs.write(result)
    return EXIT_TIGHT if result.closed else EXIT_LEAKS


def coats(
    photo: Annotated[
        Path, typer.Argument(metavar="PHOTO", help="The test strip, lit from behind.")
    ],
    patches: Annotated[
        Path,
        typer.Option(
            metavar="FILE",
            help="SVG with a shape on every field, called coat-0, coat-1, coat-2 and so on; one"
            " called dark where no light comes through.",
        ),
    ],
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JSON; - for stdout.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace existing results.")] = False,
) -> int:
    """Measure a test strip sprayed with 0, 1, 2, 3... coats: what one coat of this paint stops."""
    from leakcheck.cli import warn
    from leakcheck.report.compare_strip import read_strip, strip_text, strip_to_json
    from leakcheck.report.files import refuse_unwritable, write_files, write_stdout

    stdout = json == Path("-")
    paths = [json] if json and not stdout else []
    refuse_unwritable(paths, inputs=[photo, patches], force=force)
    strip = read_strip(photo, patches)
    colour, width = terminal()
    if stdout:
        write_stdout(strip_to_json(strip))
    else:
        print_text(strip_text(strip, width=width, colour=colour))
    warn(list(strip.warnings))
    write_files({path: strip_to_json(strip) for path in paths}, force=force)
    return EXIT_TIGHT


def register_on(app: typer.Typer) -> None:
    """Add both commands to the command line."""
    app.command()(compare)
    app.command()(coats)


def terminal() -> tuple[bool, int]:
    """Whether stdout takes colours, and its columns."""
    terminal = sys.stdout.isatty()
    colour = terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    columns = shutil.get_terminal_size().columns if terminal else PIPE_COLUMNS
    return colour, max(LEAST_COLUMNS, min(columns, MOST_COLUMNS))


def print_text(text: str) -> None:
    """Print on stdout whatever its encoding is."""
    from leakcheck.report.files import write_stdout

    write_stdout(text.encode(sys.stdout.encoding or "utf-8", errors="replace"))
