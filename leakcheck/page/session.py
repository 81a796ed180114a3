"""What is being worked on: the pair, its openings as last saved, the job under way, the result."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import math
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leakcheck.errors import LeakcheckError
from leakcheck.opening_words import COLOURS
from leakcheck.page.drawing import KINDS, Shape, drawing_bytes, from_page
from leakcheck.page.errors import PageError
from leakcheck.page.folder import Folder
from leakcheck.page.jobs import Worker
from leakcheck.report.files import write_files

STEPS = {"open": 6, "check": 6}  # that a job tells of; only the progress bar rests on it
# In the order in which somebody would open them.
RESULT_FILES = ("report.html", "marked.png", "glow.png", "leaks.csv", "lamps.csv", "result.json")


@dataclass
class Job:
    """What the worker is doing."""

    name: str
    step: str = "Starting"
    number: int = 0
    began: float = field(default_factory=time.monotonic)

    def to_page(self) -> dict[str, Any]:
        """As the page shows it."""
        share = min(self.number / (STEPS[self.name] + 1), 0.97)
        seconds = round(time.monotonic() - self.began)
        return {"name": self.name, "step": self.step, "share": share, "seconds": seconds}


@dataclass
class Work:
    """One opened pair."""

    off: str
    on: str
    off_path: Path
    on_path: Path
    own_file: Path  # where changes of the openings go
    size: tuple[int, int] | None = None
    pictures: int = 0  # goes up with every new picture, so that no old one is shown
    aligned: bool = False
    shapes: list[Any] = field(default_factory=list)  # as the page has them
    revision: int = 0
    ready: bool = False  # openings read or guessed: they may be changed
    saved: bool = False
    digest: str | None = None  # of the own file as last read or written
    source: str = ""  # where the openings came from, for the user
    warnings: list[str] = field(default_factory=list)
    note: str | None = None
    result: int = 0  # goes up with every result
    result_revision: int | None = None  # of the openings that it was made with
    result_folder: Path | None = None
    result_files: list[str] = field(default_factory=list)
    result_note: str | None = None


class Session:
    """Everything behind the page; its methods are called from the event loop alone."""

    def __init__(self, folder: Folder, scratch: Path) -> None:
        """Args: folder: of the photos. scratch: private, gone when the page is closed."""
        self.folder = folder
        self.scratch = scratch
        self.work: Work | None = None
        self.job: Job | None = None
        self.error: str | None = None
        self._worker = Worker()
        self._task: asyncio.Task[None] | None = None
        self._saving = asyncio.Lock()

    def state(self) -> dict[str, Any]:
        """All that the page needs to draw itself, but for the shapes and the result."""
        work = self.work
        return {
            "folder": str(self.folder.root),
            "photos": self.folder.photos(),
            "drawings": self.folder.drawings(),
            "kinds": KINDS,
            "colours": COLOURS,
            "job": self.job.to_page() if self.job else None,
            "error": self.error,
            "work": None
            if work is None
            else {
                "off": work.off,
                "on": work.on,
                "size": work.size,
                "pictures": work.pictures,
                "aligned": work.aligned,
                "ready": work.ready,
                "revision": work.revision,
                "saved": work.saved,
                "file": work.own_file.name,
                "source": work.source,
                "warnings": work.warnings,
                "note": work.note,
                "result": work.result,
                "result_fits": work.result_revision == work.revision,
                "result_folder": str(work.result_folder or ""),
                "result_files": work.result_files,
                "result_note": work.result_note,
            },
        }

    async def open(self, off: str, on: str, *, drawing: str | None = None) -> None:
        """Open a pair, with its own openings, those of a drawing, or guessed ones.

        Args:
            off, on: names of photos.
            drawing: name of a drawing to take the openings from; "" guesses them anew; None: the
                file that belongs to the lights-on photo, and a guess where there is none.
        """
        if off == on:
            raise PageError("Choose two photos: one with the lights off, one with them on.")
        off_path, on_path = self.folder.photo(off), self.folder.photo(on)
        own, own_file = await asyncio.to_thread(self.folder.openings_for, on_path)
        chosen = self.folder.drawing(drawing) if drawing else own if drawing is None else None
        await self._end_job()
        work = Work(off, on, off_path, on_path, own_file, digest=_digest(own_file))
        if self.work and (self.work.off, self.work.on) == (off, on):
            work.pictures = self.work.pictures  # the page knows these numbers already
            work.revision = self.work.revision
            work.result = self.work.result
        work.source = f"read from {chosen.name}" if chosen else "guessed from the photos"
        work.saved = chosen == own_file
        self.work = work
        job = {
            "job": "open",
            "off": str(off_path),
            "on": str(on_path),
            "openings": str(chosen) if chosen else None,
            "folder": str(self.scratch),
        }
        self._begin("open", lambda: self._open(work, job))

    async def save(self, given: object, revision: object) -> int:
        """Save the openings as the page has them now.

        Returns: the new revision. Raises: PageError, with status 409 where they were changed
            elsewhere since the page read them.
        """
        work = self._ready()
        async with self._saving:
            if revision != work.revision:
                raise PageError("The openings were changed in another window.", status=409)
            if _digest(work.own_file) != work.digest:
                raise PageError(f"{work.own_file.name} was changed by another program.", status=409)
            shapes = from_page(given)
            await self._write(work, shapes)
            work.shapes = given if isinstance(given, list) else []
            work.revision += 1
            return work.revision

    async def check(self, *, length_mm: object, tripod: object) -> None:
        """Start a check with the openings as saved last."""
        work = self._ready()
        length = _length(length_mm)
        async with self._saving:
            self._refuse_second()
            shapes = from_page(work.shapes)
            if shapes and not work.saved:
                await self._write(work, shapes)
        self._refuse_second()  # another may have been asked for meanwhile; from here nothing waits
        results = self.folder.results_for(work.on_path)
        job = {
            "job": "check",
            "off": str(work.off_path),
            "on": str(work.on_path),
            "openings": str(work.own_file) if shapes else None,
            "length_mm": length,
            "tripod": tripod is True,
            "results": str(results),
            "view": str(self.scratch / "view.json"),
        }
        self._begin("check", lambda: self._check(work, job, results))

    def view(self) -> bytes:
        """The last result as JSON. Raises: PageError where there is none."""
        if self.work is None or not self.work.result:
            raise PageError("Nothing has been checked yet.", status=404)
        return (self.scratch / "view.json").read_bytes()

    def picture(self, which: str) -> Path:
        """The picture of one photo. Raises: PageError where there is none."""
        if self.work is None or not self.work.pictures or which not in ("off", "on"):
            raise PageError("There is no such picture.", status=404)
        return self.scratch / f"{which}.jpg"

    def result_file(self, name: str) -> Path:
        """A file that the last check wrote. Raises: PageError where it wrote no such."""
        work = self.work
        if work is None or work.result_folder is None or name not in work.result_files:
            raise PageError("There is no such result.", status=404)
        return work.result_folder / name

    async def stop(self) -> None:
        """Break off what the worker is doing."""
        await self._end_job()

    async def close(self) -> None:
        """End everything; nothing of it is left running."""
        await self._end_job()
        await self._worker.stop()

    async def _open(self, work: Work, job: dict[str, Any]) -> None:
        def tell(message: dict[str, Any]) -> None:
            if message["shown"] == "pictures":
                work.size = (message["size"][0], message["size"][1])
                work.pictures += 1
            else:
                work.shapes, work.ready = message["shapes"], True
                work.revision += 1

        done = await self._run(job, tell)
        if not work.ready:  # else they may have been changed already
            work.shapes, work.ready = done["shapes"], True
            work.revision += 1
        work.warnings, work.note, work.aligned = done["warnings"], done["note"], done["aligned"]
        work.pictures += 1

    async def _check(self, work: Work, job: dict[str, Any], results: Path) -> None:
        revision = work.revision
        done = await self._run(job, lambda _: None)
        work.result += 1
        work.result_revision, work.result_folder = revision, results
        work.result_note = done["note"]
        there = [] if done["note"] else [n for n in RESULT_FILES if (results / n).is_file()]
        work.result_files = there

    async def _run(
        self, job: dict[str, Any], tell: Callable[[dict[str, Any]], None]
    ) -> dict[str, Any]:
        """A job of the worker, its steps shown."""

        def heard(message: dict[str, Any]) -> None:
            if "step" not in message:
                tell(message)
            elif self.job:
                self.job.step = message["step"]
                self.job.number += 1

        return await self._worker.run(job, heard)

    def _begin(self, name: str, run: Callable[[], Awaitable[None]]) -> None:
        self.job, self.error = Job(name), None

        async def whole(job: Job | None) -> None:
            try:
                await run()
            except LeakcheckError as error:
                self.error = str(error)
            finally:
                if self.job is job:
                    self.job = None

        self._task = asyncio.create_task(whole(self.job))

    def _refuse_second(self) -> None:
        """Raise PageError while a job is under way."""
        if self.job:
            raise PageError("Wait until the photos are laid onto each other.", status=409)

    async def _end_job(self) -> None:
        # While this waits for one job's end another may be begun.
        while self._task is not None and not self._task.done():
            await self._worker.stop()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        self.job = None

    def _ready(self) -> Work:
        if self.work is None or not self.work.ready or self.work.size is None:
            raise PageError("Open two photos first.", status=409)
        return self.work

    async def _write(self, work: Work, shapes: list[Shape]) -> None:
        assert work.size is not None
        data = drawing_bytes(shapes, size=work.size, photo=work.on_path)
        await asyncio.to_thread(write_files, {work.own_file: data}, force=True)
        work.digest, work.saved = hashlib.sha256(data).hexdigest(), True


def _digest(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _length(given: object) -> float | None:
    """The model's length in mm. Raises: PageError where it is no length."""
    if given is None:
        return None
    if isinstance(given, int | float) and math.isfinite(given) and given > 0:
        return float(given)
    raise PageError("The model's length must be a number of millimetres above 0.")


def json_bytes(content: object) -> bytes:
    """JSON as the page reads it."""
    return json.dumps(content).encode("ascii")
