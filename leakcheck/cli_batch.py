"""The command that takes a whole folder of light tests: `batch`."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from leakcheck.settings import Settings

if TYPE_CHECKING:
    from leakcheck.batch import Plan

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.

DEFAULTS = Settings()
RESULTS = "leakcheck"  # folder of results, in the folder of photos


def batch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Photos, at any depth.")],
    dry_run: Annotated[
        bool,
        typer.Option("--dry-run", help="Say what would be paired and why; write pairs.csv only."),
    ] = False,
    pairs: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Pair as this table says; see --dry-run."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder of results, usually FOLDER/leakcheck."),
    ] = None,
    length_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="The model's real length, where all sides show it."),
    ] = None,
    coats: Annotated[
        int, typer.Option(metavar="N", min=1, help="Coats between one stage and the next.")
    ] = 1,
    stage_gap: Annotated[
        float,
        typer.Option(metavar="MIN", help="A pause of so many minutes begins a new stage."),
    ] = 30.0,
    tripod: Annotated[
        bool, typer.Option("--tripod", help="The camera did not move within any pair.")
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
    jobs: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, help="Pairs at once; usually as many as cores."),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Dask scheduler that the work is handed to."),
    ] = None,
    picture_width: Annotated[
        int | None, typer.Option(metavar="PX", min=640, max=20_000, help="Width of the pictures.")
    ] = None,
    force: Annotated[
        bool,
        typer.Option("--force", help="Replace pairs.csv; use a folder that holds other files."),
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the verdict alone.")] = False,
) -> int:
    """Check a whole folder of photos: find the pairs, measure them all, give one overview.

    Exit status: the worst of all pairs, as in check. A pair that cannot be measured stops nothing.
    """
    from leakcheck.batch import Wishes, planned, results_folder
    from leakcheck.cli import above_zero
    from leakcheck.report.progress import progress_line

    wishes = Wishes(
        out=out or folder / RESULTS,
        settings=Settings(
            false_alarms_per_pair=above_zero(false_alarms, "--false-alarms"),
            noticeable_contrast=above_zero(noticeable, "--noticeable"),
            length_mm=None if length_mm is None else above_zero(length_mm, "--length-mm"),
            tripod=tripod,
        ),
        coats=coats,
        stage_gap=timedelta(minutes=above_zero(stage_gap, "--stage-gap")),
        pairs_file=pairs,
        picture_width_px=picture_width,
        jobs=jobs,
    )
    results_folder(wishes.out, force=force)
    with progress_line(sys.stderr, wanted=not quiet) as progress:
        plan = planned(folder, wishes, progress=progress)
    if dry_run:
        return _show_plan(plan, force=force)
    return _run(plan, cluster=cluster, lamps=lamps, quiet=quiet)


def register_on(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(batch)


def _show_plan(plan: Plan, *, force: bool) -> int:
    """What would be paired, on the terminal and as a file for correcting."""
    from leakcheck.cli_compare import print_text, terminal
    from leakcheck.pairs_csv import pairs_csv
    from leakcheck.report.overview_outputs import write_pairs
    from leakcheck.report.overview_terminal import plan_text

    colour, width = terminal()
    print_text(plan_text(plan, width=width, colour=colour))
    names = {k: d.path.relative_to(plan.folder).as_posix() for k, d in plan.served.items()}
    content = pairs_csv(plan.pairs, plan.left_out, names, plan.lengths)
    path = write_pairs(content, plan.wishes.out, force=force)
    print_text(f"\nWritten to {path}: correct it and give it with --pairs.\n")
    return 0


def _run(plan: Plan, *, cluster: str | None, lamps: bool, quiet: bool) -> int:
    """Measure, then say and write what was found."""
    from leakcheck.batch_run import alone, run
    from leakcheck.cli_compare import print_text, terminal
    from leakcheck.overview import overview_of
    from leakcheck.report.overview_outputs import PAGE, write_overview
    from leakcheck.report.overview_terminal import overview_text, overview_verdict
    from leakcheck.report.overview_words import counted

    out = plan.wishes.out
    with alone(out, waiting=lambda: say(f"Another run is writing to {out}; waiting for it.")):
        with _progress_bar(wanted=not quiet) as progress:
            try:
                done = run(plan, cluster=cluster, progress=progress)
            except KeyboardInterrupt:
                say("Stopped. What is done is kept; the same command goes on from there.")
                raise
        overview = overview_of(plan, done, lamps=lamps)
        colour, width = terminal()
        print_text(
            overview_verdict(overview, colour=colour)
            if quiet
            else overview_text(overview, width=width, colour=colour)
        )
        write_overview(overview, out, plan.wishes.settings)
    if not quiet:
        kept = f" ({done.kept} done before)" if done.kept else ""
        results = counted(done.measured + done.kept, "result")
        say(f"{results}{kept}; overview: {out / PAGE}")
    return overview.exit_code


@contextlib.contextmanager
def _progress_bar(*, wanted: bool) -> Iterator[Callable[[int, int, str], None]]:
    """A bar with the time left, on a terminal only."""
    if not (wanted and sys.stderr.isatty()):
        yield lambda _done, _all, _name: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    from leakcheck.report.words import printable

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Measuring", total=None)
        first: list[int] = []  # jobs that were done before the run: they tell nothing of its pace

        def told(done: int, every: int, name: str) -> None:
            first.append(done)
            words = f"Done: {printable(name)[:28]}" if name else "Measuring"
            bar.update(task, description=words, total=every - first[0], completed=done - first[0])

        yield told


def say(text: str) -> None:
    """One line on stderr; a stderr that is closed must not change the exit code."""
    from leakcheck.report.words import printable

    with contextlib.suppress(OSError):
        print(printable(text), file=sys.stderr, flush=True)
