"""One unit of a batch's work: a pair measured, or a view compared over its stages; on any machine.

A job holds names of files, not pixels, and leaves results on the disk; what comes back is small.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import json
import os
import signal
import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import joblib
import threadpoolctl

from leakcheck import __version__
from leakcheck.carry import carried_to
from leakcheck.check import Check, check
from leakcheck.compare import compared
from leakcheck.errors import (
    EXIT_FAULT,
    EXIT_LEAKS,
    EXIT_NOT_MEASURED,
    EXIT_TIGHT,
    LeakcheckError,
    PhotoError,
    RegistrationError,
)
from leakcheck.openings import Openings, read_openings
from leakcheck.photo import Frame, Photo, frame_scale, linear_light, read_pair, read_photo
from leakcheck.register import Registration, register
from leakcheck.report import compare_outputs
from leakcheck.report.contact import contact_picture
from leakcheck.report.files import write_files
from leakcheck.report.outputs import GLOW, LAMPS, LEAKS, MARKED, PAGE, RESULT, Outputs
from leakcheck.settings import Settings
from leakcheck.shots import BATCH_MARK
from leakcheck.stages import Stage

SMALL = "small.jpg"  # for the contact sheet
RESULTS = (RESULT, PAGE, MARKED, GLOW, LEAKS, LAMPS, SMALL)
COMPARED = compare_outputs.RESULT
COMPARE_RESULTS = (
    COMPARED,
    compare_outputs.PAGE,
    compare_outputs.CHANGES,
    compare_outputs.SIDES,
    compare_outputs.COURSE,
)
FORMAT = "leakcheck batch record"
PARENT = os.getppid()  # of this process while its run goes on
VERSION = 3  # of records and of what a job does beyond the measuring: raised, all is done again


@dataclass(frozen=True)
class PairJob:
    """One pair to be measured."""

    name: str  # of its folder of results, and of its record
    off: Path
    on: Path
    hashes: tuple[str, str]  # of both photos, as they were paired
    openings: Path | None
    openings_hash: str
    drawn_on: Path | None  # the photo that the openings were drawn on
    drawn_hash: str
    keep: bool  # put aside what comparing needs: other stages of its view are to be compared
    settings: Settings
    picture_width_px: int | None
    out: Path

    @property
    def key(self) -> str:
        """Equal where the result would be the same: contents, settings and version, no names."""
        settings = json.dumps(asdict(self.settings), sort_keys=True)
        drawing = (self.openings_hash, self.drawn_hash)
        return _key([*self.hashes, *drawing, settings, self.picture_width_px])

    @property
    def stage_file(self) -> Path:
        """What comparing needs of the check, until the view is compared."""
        return _inner(self.out) / "stages" / f"{self.name}.joblib"


@dataclass(frozen=True)
class CompareJob:
    """One view to be compared over its stages."""

    name: str
    stages: tuple[tuple[str, PairJob], ...]  # name and pair, in order
    coats: int
    out: Path

    @property
    def key(self) -> str:
        """Equal where the result would be the same."""
        names = [name for name, _ in self.stages]
        return _key([*names, *(job.key for _, job in self.stages), self.coats])


@dataclass(frozen=True)
class Record:
    """What became of a job: beside its results, so that a run that was stopped can go on."""

    name: str
    key: str
    exit_code: int
    reason: str = ""  # of a failure, one sentence
    notes: tuple[str, ...] = ()  # what else is to be said: openings that could not be carried

    @property
    def final(self) -> bool:
        """Whether doing it again would give the same: not where memory or the program failed."""
        return self.exit_code != EXIT_FAULT and "memory" not in self.reason


def run_job(job: PairJob | CompareJob, threads: int) -> Record:
    """Do one job in a worker. Whatever goes wrong is in the record.

    Args:
        job: what is to be done.
        threads: that OpenCV and the linear algebra may use.
    """
    if threading.current_thread() is threading.main_thread() and _is_worker():
        # Ctrl-C reaches all processes of a terminal; the one that the user started decides.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(threads)
    with threadpoolctl.threadpool_limits(threads):
        record = _recorded(job)
    gc.collect()  # photos that an exception's traceback kept alive
    return record


def record_path(out: Path, name: str) -> Path:
    """Where the record of a job is."""
    return _inner(out) / "records" / f"{name}.json"


def read_record(out: Path, name: str) -> Record | None:
    """The record of a job that was done, or None."""
    try:
        content = json.loads(record_path(out, name).read_text("utf-8"))
        if content.pop("format") != FORMAT:
            return None
        return Record(**{**content, "notes": tuple(content["notes"])})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def done_already(job: PairJob | CompareJob) -> Record | None:
    """The record of a job whose result would be the same and is still there."""
    record = read_record(job.out, job.name)
    if record is None or record.key != job.key or not record.final:
        return None
    result = job.out / job.name / (RESULT if isinstance(job, PairJob) else COMPARED)
    return record if record.exit_code > EXIT_LEAKS or result.is_file() else None


def _is_worker() -> bool:
    import multiprocessing

    return multiprocessing.parent_process() is not None


def _end_if_orphaned() -> None:
    """End a worker whose run was killed before it writes: another run may hold the folder now."""
    if _is_worker() and os.getppid() != PARENT:
        raise SystemExit


def _inner(out: Path) -> Path:
    return out / BATCH_MARK


def _key(parts: Sequence[object]) -> str:
    text = json.dumps([__version__, VERSION, *parts], default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _recorded(job: PairJob | CompareJob) -> Record:
    """Do a job; results first, the record last, so that a record means whole results."""
    record_path(job.out, job.name).unlink(missing_ok=True)
    try:
        record = _measure(job) if isinstance(job, PairJob) else _compare(job)
    except LeakcheckError as error:
        record = Record(job.name, job.key, error.exit_code, str(error))
    except Exception as error:
        record = Record(job.name, job.key, *_unexpected(error))
    if record.exit_code > EXIT_LEAKS:
        _remove_results(job.out / job.name)  # of a run before: they would not be this job's
    content = {"format": FORMAT, **asdict(record)}
    path = record_path(job.out, job.name)
    with contextlib.suppress(LeakcheckError):  # a full disk: it is only done again next time
        write_files({path: json.dumps(content, indent=1).encode()}, force=True)
    return record


def _remove_results(folder: Path) -> None:
    for name in (*RESULTS, *COMPARE_RESULTS):
        (folder / name).unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # absent, or the user keeps something there
        folder.rmdir()


def _unexpected(error: Exception) -> tuple[int, str]:
    if isinstance(error, MemoryError) or "Insufficient memory" in str(error):
        return EXIT_NOT_MEASURED, "the memory is not enough; run again with fewer --jobs"
    return EXIT_FAULT, f"a fault of the program: {type(error).__name__}: {error}"


def _measure(job: PairJob) -> Record:
    """Check one pair and write its results."""
    kept, off, on, notes = _checked(job)
    result = kept.check
    _end_if_orphaned()
    Outputs(None, None, job.out / job.name, None, job.picture_width_px, True).write(
        result, off=off, on=on, glow=result.glow
    )
    if job.keep:
        _keep(job, kept)
    small = contact_picture(on, result)
    write_files({job.out / job.name / SMALL: small}, force=True)
    code = EXIT_TIGHT if result.tight else EXIT_LEAKS
    return Record(job.name, job.key, code, notes=tuple(notes))


@dataclass(frozen=True, eq=False)
class _Kept:
    """What comparing needs of a check."""

    key: str  # of the job
    check: Check
    link: Registration | None  # px of the photo that its openings were drawn on -> its own


def _checked(job: PairJob) -> tuple[_Kept, Photo, Photo, list[str]]:
    """The check of a pair, its photos, and what is to be said about its openings."""
    off, on = read_pair(job.off, job.on)
    for photo, wanted in ((off, job.hashes[0]), (on, job.hashes[1])):
        if photo.content_hash != wanted:
            raise PhotoError(f"{photo.name} was changed during the run; run it again")
    notes: list[str] = []
    openings, link = _openings(job, on, notes)
    result = check(off, on, openings, settings=job.settings)
    notes += openings.warnings if openings else ()
    return _Kept(job.key, result, link), off, on, notes


def _openings(
    job: PairJob, on: Photo, notes: list[str]
) -> tuple[Openings | None, Registration | None]:
    """The openings on this pair, and the registration that carried them, if any did."""
    if job.openings is None or job.drawn_on is None:
        return None, None
    if job.drawn_hash == on.content_hash:
        return read_openings(job.openings, size=_size(on)), None
    drawn = read_photo(job.drawn_on)
    openings = read_openings(job.openings, size=_size(drawn))
    try:
        return carried_to(_frame(on), openings, _frame(drawn))
    except RegistrationError as error:
        notes.append(
            f"{job.openings.name} cannot be carried from {drawn.name} to {on.name} ({error}): "
            "measured without openings."
        )
        return None, None


def _frame(photo: Photo) -> Frame:
    rows, cols = photo.encoded.shape[:2]
    return linear_light(photo, scale=frame_scale(rows, cols))


def _size(photo: Photo) -> tuple[int, int]:
    return photo.encoded.shape[1], photo.encoded.shape[0]


def _keep(job: PairJob, kept: _Kept) -> None:
    """Put it aside with its arrays as they are, so that they can be read in parts."""
    job.stage_file.parent.mkdir(parents=True, exist_ok=True)
    temporary = job.stage_file.with_suffix(".tmp")
    joblib.dump(replace(kept, check=replace(kept.check, glow=None)), temporary)
    temporary.replace(job.stage_file)


def _compare(job: CompareJob) -> Record:
    """Compare a view over its stages and write the results."""
    notes: list[str] = []
    jobs = [pair for _, pair in job.stages]
    base = next((k for k, pair in enumerate(jobs) if pair.drawn_hash == pair.hashes[1]), 0)
    middle = _frame(read_photo(jobs[base].on))
    stages = [
        stage
        for name, pair in job.stages
        if (stage := _stage(name, pair, jobs[base], middle, notes)) is not None
    ]
    if len(stages) < 2:
        raise RegistrationError(
            "the stages cannot be laid onto each other; photograph the side from the same place "
            "each time"
        )
    result = compared(tuple(stages), coats=job.coats, settings=jobs[-1].settings)
    _end_if_orphaned()
    compare_outputs.CompareOutputs(
        None, None, job.out / job.name, jobs[-1].picture_width_px, True
    ).write(result)
    for pair in jobs:
        pair.stage_file.unlink(missing_ok=True)
    code = EXIT_TIGHT if result.closed else EXIT_LEAKS
    return Record(job.name, job.key, code, notes=tuple(notes))


def _stage(name: str, job: PairJob, base: PairJob, middle: Frame, notes: list[str]) -> Stage | None:
    """A stage laid onto the base's lights-on photo; None where it cannot be."""
    kept = _put_aside(job)
    if kept is None:
        _keep(job, _checked(job)[0])
        kept = _put_aside(job)
        assert kept is not None, "it was written just now"
    on = read_photo(job.on)
    frame = _frame(on)
    if job is base:
        return Stage(name, kept.check, on, frame, None)
    link = kept.link if job.drawn_hash == base.hashes[1] else None
    try:
        return Stage(name, kept.check, on, frame, link or register(frame, middle))
    except RegistrationError as error:
        notes.append(f"{name} is left out of the comparison: {error}.")
        return None


def _put_aside(job: PairJob) -> _Kept | None:
    """What was put aside, its arrays left on the disk until they are looked at; None: nothing."""
    try:
        kept = joblib.load(job.stage_file, mmap_mode="r")
    except Exception:  # absent, cut off, or of another version of a library
        return None
    return kept if isinstance(kept, _Kept) and kept.key == job.key else None
