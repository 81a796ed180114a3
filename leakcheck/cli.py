"""The command line: arguments in, one call, exit code out."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import sys
import traceback
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from leakcheck.cli_batch import register_on as register_batch_on
from leakcheck.cli_compare import register_on
from leakcheck.cli_demo import register_on as register_demo_on
from leakcheck.cli_page import register_on as register_page
from leakcheck.cli_report import register_on as register_report_on
from leakcheck.errors import (
    EXIT_BAD_INPUT,
    EXIT_FAULT,
    EXIT_INTERRUPTED,
    EXIT_LEAKS,
    EXIT_NOT_MEASURED,
    EXIT_TIGHT,
    LeakcheckError,
    MeasurementError,
    UsageError,
)
from leakcheck.heap import keep_freed_memory, take_small_pages
from leakcheck.settings import Settings

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.openings import Openings
    from leakcheck.photo import Photo

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.

PIPE_COLUMNS = 80
LEAST_COLUMNS = 60  # the table needs them; a narrower terminal breaks the lines itself
MOST_COLUMNS = 110  # longer lines are hard to follow
DEFAULTS = Settings()
TRACEBACK_VARIABLE = "LEAKCHECK_TRACEBACK"
# What the command line parser raises on a wrong option; typer has no public name for it.
_PARSER_ERROR: type[Exception] = typer.BadParameter.__mro__[1]

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


def _print_version(wanted: bool) -> None:
    if wanted:
        from leakcheck import __version__

        typer.echo(f"leakcheck {__version__}")
        raise typer.Exit


@app.callback()
def leakcheck(
    _: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_print_version, help="Show the version and stop."
        ),
    ] = False,
) -> None:
    """Find the light that leaves a lit scale model where it should not.

    Exit status: 0 tight, 1 leaks found (with --lamps also where an opening is not as it should
    be), 2 wrong command line or a file that cannot be read or
    written, 3 the photos cannot be measured, 4 a fault of the program, 130 interrupted.
    """


@app.command()
def check(
    off: Annotated[Path, typer.Argument(metavar="OFF", help="Photo with the model's lights off.")],
    on: Annotated[Path, typer.Argument(metavar="ON", help="Photo with the model's lights on.")],
    openings: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Windows and beacons drawn on the lights-on photo: SVG or mask."
        ),
    ] = None,
    length_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="The model's real length.")
    ] = None,
    tripod: Annotated[
        bool, typer.Option("--tripod", help="The camera did not move; this is checked.")
    ] = False,
    lamps: Annotated[
        bool,
        typer.Option("--lamps", help="Exit status 1 also where an opening is not as it should be."),
    ] = False,
    false_alarms: Annotated[
        float,
        typer.Option(metavar="N", help="False alarms that noise alone may raise in a pair."),
    ] = DEFAULTS.false_alarms_per_pair,
    noticeable: Annotated[
        float,
        typer.Option(
            metavar="SHARE", help="Added light / room light from which a person notices a leak."
        ),
    ] = DEFAULTS.noticeable_contrast,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JSON; - for stdout.")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the leaks as a table; - for stdout.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Write report, pictures, JSON and tables into this folder."
        ),
    ] = None,
    save_openings: Annotated[
        Path | None,
        typer.Option(metavar="FILE.svg", help="Write the likely openings down for editing."),
    ] = None,
    picture_width: Annotated[
        int | None, typer.Option(metavar="PX", min=320, max=20_000, help="Width of the pictures.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace existing results.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the verdict alone.")] = False,
) -> int:
    """Find the leaks in one pair of photos, say what kind they are and what to do."""
    from leakcheck.check import check as measure
    from leakcheck.photo import read_pair
    from leakcheck.report.outputs import Outputs
    from leakcheck.report.progress import progress_line

    settings = Settings(
        false_alarms_per_pair=above_zero(false_alarms, "--false-alarms"),
        noticeable_contrast=above_zero(noticeable, "--noticeable"),
        length_mm=None if length_mm is None else above_zero(length_mm, "--length-mm"),
        tripod=tripod,
    )
    outputs = Outputs(json, csv, out, save_openings, picture_width, force)
    outputs.refuse_impossible(inputs=[path for path in (off, on, openings) if path])
    with progress_line(sys.stderr, wanted=not quiet) as progress:
        progress("Reading the photos")
        keep_freed_memory()
        unlit, lit = read_pair(off, on)
        shapes = _openings_on(lit, openings) if openings else None
        with _naming(off, on):
            result = measure(unlit, lit, shapes, settings=settings, progress=progress)
    # What was found is on the screen before anything can go wrong with writing it.
    if not outputs.on_stdout:
        _show(result, quiet=quiet, lamps=lamps)
    if not quiet:
        warn([*(shapes.warnings if shapes else ()), *result.warnings])
    with progress_line(sys.stderr, wanted=not quiet) as progress:
        progress("Writing the results")
        outputs.write(result, off=unlit, on=lit, glow=result.glow)
    faulty = lamps and any(lamp.fault for lamp in result.lamps)
    return EXIT_TIGHT if result.tight and not faulty else EXIT_LEAKS


register_on(app)
register_batch_on(app)
register_page(app)
register_report_on(app)
register_demo_on(app)


@contextlib.contextmanager
def _naming(*photos: Path) -> Iterator[None]:
    """Put the photos' names before what a step could not do that knows its arrays alone."""
    try:
        yield
    except MeasurementError as error:
        if any(photo.name in str(error) for photo in photos):
            raise
        names = " and ".join(photo.name for photo in photos)
        raise type(error)(f"{names}: {error}") from error


def _openings_on(photo: Photo, path: Path) -> Openings:
    """The openings of a file on this photo, carried over where they were drawn on another one."""
    from leakcheck.carry import carried_to
    from leakcheck.openings import linked_photo, read_openings
    from leakcheck.photo import frame_scale, linear_light, read_photo

    linked = linked_photo(path)
    drawn_on = read_photo(linked) if linked else photo
    openings = read_openings(path, size=drawn_on.encoded.shape[1::-1])
    if drawn_on.content_hash == photo.content_hash:
        return openings
    here, there = (
        linear_light(p, scale=frame_scale(*p.encoded.shape[:2])) for p in (photo, drawn_on)
    )
    return carried_to(here, openings, there)[0]


def above_zero(value: float, option: str) -> float:
    """The option's value, refused where it is no length or count at all."""
    if not (value > 0 and math.isfinite(value)):
        raise UsageError(f"{option} must be a number above 0, not {value:g}.")
    return value


def _show(result: Check, *, quiet: bool, lamps: bool) -> None:
    """Print the result, or its verdict alone, as it suits what stdout is."""
    from leakcheck.report.files import write_stdout
    from leakcheck.report.terminal import check_text, verdict_text

    terminal = sys.stdout.isatty()
    colour = terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    if quiet:
        text = verdict_text(result, lamps=lamps, colour=colour)
    else:
        columns = shutil.get_terminal_size().columns if terminal else PIPE_COLUMNS
        width = max(LEAST_COLUMNS, min(columns, MOST_COLUMNS))
        text = check_text(result, width=width, colour=colour)
    write_stdout(text.encode(sys.stdout.encoding or "utf-8", errors="replace"))


def warn(sentences: list[str]) -> None:
    """Print each sentence once, on stderr."""
    for sentence in dict.fromkeys(sentences):
        _say(f"Warning: {sentence}")


def _say(text: str) -> None:
    """One line on stderr; a stderr that is closed must not change the exit code."""
    from leakcheck.report.words import printable

    with contextlib.suppress(OSError):
        print(printable(" ".join(text.split())), file=sys.stderr, flush=True)


def main(args: Sequence[str]) -> int:
    """Run one command line and return its exit code; every failure becomes one sentence here."""
    try:
        command = typer.main.get_command(app)
        with command.make_context("leakcheck", list(args)) as context:
            return int(command.invoke(context) or 0)
    except typer.Exit as end:
        return end.exit_code
    except BrokenPipeError:
        from leakcheck.report.files import close_stdout

        close_stdout()
        return EXIT_FAULT  # not 0: that would read as "tight"
    except (KeyboardInterrupt, typer.Abort):
        _say("leakcheck: interrupted.")
        return EXIT_INTERRUPTED
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE):
            traceback.print_exc()
        sentence, code = _explained(error)
        _say(f"leakcheck: {sentence}")
        return code


def _explained(error: Exception) -> tuple[str, int]:
    """What went wrong in one sentence for the user, and the exit code."""
    if isinstance(error, LeakcheckError):
        return str(error), error.exit_code
    if isinstance(error, _PARSER_ERROR):
        context = getattr(error, "ctx", None)
        path = context.command_path if context else "leakcheck"
        message = getattr(error, "format_message", error.__str__)()
        return f"{message} See {path} --help.", EXIT_BAD_INPUT
    if isinstance(error, MemoryError) or "Insufficient memory" in str(error):
        return (
            "the memory is not enough for these photos. Close other programs, or make both"
            " photos smaller by the same factor.",
            EXIT_NOT_MEASURED,
        )
    return (
        f"a fault of the program, not of your photos: {type(error).__name__}: {error}."
        f" Please report it with what {TRACEBACK_VARIABLE}=1 shows in addition.",
        EXIT_FAULT,
    )


def _open_closed_streams() -> None:
    """Let closed standard streams (`>&-`) lead nowhere, and keep their numbers from other files."""
    for number, stream in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, stream) is None:
            with contextlib.suppress(OSError):
                lowest = os.open(os.devnull, os.O_RDWR)  # the number of the closed one
                os.set_inheritable(lowest, True)
                setattr(sys, stream, os.fdopen(lowest, "r" if number == 0 else "w"))


def run() -> NoReturn:
    """Entry point of the console script."""
    _open_closed_streams()
    take_small_pages()
    if not os.environ.get(TRACEBACK_VARIABLE):
        # What libraries mutter about a damaged file is said by leakcheck in its own words.
        warnings.simplefilter("ignore")
        os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    sys.exit(main(sys.argv[1:]))
