"""A folder of photos becomes pairs, the pairs become results, whatever single ones do."""

from __future__ import annotations

import hashlib
import math
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from leakcheck.batch_job import PairJob
from leakcheck.errors import OutputError, PhotoError, UsageError
from leakcheck.folder_openings import Drawing, drawn_on, serving
from leakcheck.pairing import LeftOut, PhotoPair, paired
from leakcheck.pairs_csv import NONE, Row, pairs_of_rows, read_rows
from leakcheck.settings import Settings
from leakcheck.shot_names import composed
from leakcheck.shots import BATCH_MARK, Shot, drawing_paths, photo_paths, read_shots
from leakcheck.views import PlacedPair, placed

INNER = BATCH_MARK  # in the folder of results: records, lock, what is put aside
MOST_NAME = 80  # characters of a folder of results: paths must stay within 260 on Windows
DEFAULTS = Settings()
STAGE_GAP = timedelta(minutes=30)  # a coat takes hours, a side minutes


@dataclass(frozen=True)
class Wishes:
    """What the user asked for."""

    out: Path
    settings: Settings = DEFAULTS
    coats: int = 1
    stage_gap: timedelta = STAGE_GAP
    pairs_file: Path | None = None
    picture_width_px: int | None = None
    jobs: int | None = None  # at once; None: as many as cores and memory allow


@dataclass(frozen=True, eq=False)
class Plan:
    """What will be measured."""

    folder: Path
    wishes: Wishes
    pairs: tuple[PlacedPair, ...]
    left_out: tuple[LeftOut, ...]
    drawings: tuple[Drawing, ...]
    served: dict[int, Drawing]  # pair k: its openings
    lengths: dict[int, float]  # pair k: mm, where the file of pairs says so
    jobs: dict[int, PairJob]  # pair k; a pair with a photo that cannot be read has none
    largest_px: int  # pixels of the largest photo


def planned(
    folder: Path, wishes: Wishes, *, progress: Callable[[str], None] = lambda _: None
) -> Plan:
    """Look at all photos of a folder and sort them into pairs, views and stages.

    Raises:
        PhotoError: no folder, or no photo in it.
        UsageError: the file of pairs is wrong, or the results would lie among the photos.
    """
    if folder.resolve() == wishes.out.resolve():
        raise UsageError("the results need a folder of their own; give another one with --out.")
    rows = read_rows(wishes.pairs_file) if wishes.pairs_file else None
    paths = photo_paths(folder, leave_out=wishes.out)
    if not paths:
        raise PhotoError(f"{folder} holds no photos. Give the folder that holds them.")
    shots = read_shots(paths, folder, jobs=wishes.jobs or -1, progress=progress)
    if rows is None:
        pairing = paired(
            shots, stage_gap=wishes.stage_gap, jobs=wishes.jobs or -1, progress=progress
        )
        pairs = placed(pairing.pairs, stage_gap=wishes.stage_gap, progress=progress)
        left = pairing.left_out
        row_of: dict[int, Row] = {}
    else:
        assert wishes.pairs_file is not None
        given, unnamed = pairs_of_rows(rows, shots, wishes.pairs_file)
        stated = [(row.view, row.stage) for row in rows]
        pairs = placed(given, stage_gap=wishes.stage_gap, given=stated, progress=progress)
        left = tuple(unnamed)
        row_of = {k: rows[given.index(p.pair)] for k, p in enumerate(pairs)}
    progress("Looking for openings")
    drawings = drawn_on(drawing_paths(folder, leave_out=wishes.out), pairs, shots)
    served = _given_openings(serving(drawings, pairs), row_of, pairs, drawings, folder)
    lengths = {k: row.length_mm for k, row in row_of.items() if row.length_mm is not None}
    sizes = [math.prod(shot.look.size) for shot in shots if shot.look is not None]
    plan = Plan(
        folder,
        wishes,
        tuple(pairs),
        tuple(left),
        tuple(drawings),
        served,
        lengths,
        jobs={},
        largest_px=max(sizes, default=0),
    )
    return _without_looks(replace(plan, jobs=_jobs(plan)))


def results_folder(out: Path, *, force: bool) -> None:
    """Refuse a folder that holds something else than results of a batch. Raises: OutputError."""
    try:
        strange = (
            out.exists()
            and not (out / INNER).is_dir()
            and any(entry.name != "pairs.csv" for entry in out.iterdir())
        )
    except OSError as error:
        raise OutputError(f"{out} is no folder that results can be put into.") from error
    if strange and not force:
        raise OutputError(
            f"{out} holds files that are not results of a batch. Give another folder with --out, "
            "or --force to put the results there."
        )


def _without_looks(plan: Plan) -> Plan:
    """The plan without what its photos look like, which nobody asks any more: it is large."""

    def slim(shot: Shot) -> Shot:
        return replace(shot, look=None)

    return replace(
        plan,
        pairs=tuple(
            replace(p, pair=replace(p.pair, off=slim(p.pair.off), on=slim(p.pair.on)))
            for p in plan.pairs
        ),
        left_out=tuple(replace(left, shot=slim(left.shot)) for left in plan.left_out),
    )


def _given_openings(
    served: dict[int, Drawing],
    row_of: dict[int, Row],
    pairs: Sequence[PlacedPair],
    drawings: Sequence[Drawing],
    folder: Path,
) -> dict[int, Drawing]:
    """The openings as found, but as the file of pairs says where it says so."""
    found = dict(served)
    for k, row in row_of.items():
        if not row.openings:
            continue
        found.pop(k, None)
        if row.openings.lower() == NONE:
            continue
        path = folder / row.openings
        if not (path.is_file() and path.resolve().is_relative_to(folder.resolve())):
            raise UsageError(f"line {row.line} of the pairs: {row.openings} is not in the folder.")
        known = next((d for d in drawings if d.path == path and d.photo is not None), None)
        photo = pairs[k].pair.on.path
        found[k] = known or Drawing(path, photo, f"line {row.line} of the pairs says so")
    return found


def _jobs(plan: Plan) -> dict[int, PairJob]:
    """A job for every pair that can be read, each with a folder of its own."""
    names = _names([p.pair for p in plan.pairs])
    stages = [{q.stage for q in plan.pairs if q.view == p.view} for p in plan.pairs]
    hashes: dict[Path, str] = {}
    jobs = {}
    for k, placed_pair in enumerate(plan.pairs):
        pair = placed_pair.pair
        if pair.damaged is not None:
            continue
        drawing = plan.served.get(k)
        length = plan.lengths.get(k, plan.wishes.settings.length_mm)
        jobs[k] = PairJob(
            name=names[k],
            off=pair.off.path.resolve(),
            on=pair.on.path.resolve(),
            hashes=(pair.off.content_hash, pair.on.content_hash),
            openings=drawing.path.resolve() if drawing else None,
            openings_hash=_hash(drawing.path, hashes) if drawing else "",
            drawn_on=drawing.photo.resolve() if drawing and drawing.photo else None,
            drawn_hash=_hash(drawing.photo, hashes) if drawing and drawing.photo else "",
            keep=len(stages[k]) > 1,
            settings=replace(plan.wishes.settings, length_mm=length),
            picture_width_px=plan.wishes.picture_width_px,
            out=plan.wishes.out.resolve(),
        )
    return jobs


def _hash(path: Path, known: dict[Path, str]) -> str:
    if path not in known:
        known[path] = hashlib.sha256(path.read_bytes()).hexdigest()
    return known[path]


def _names(pairs: Sequence[PhotoPair]) -> list[str]:
    """A folder for the results of each pair, called by its lights-on photo as far as it can."""
    names: list[str] = []
    taken: set[str] = set()
    for pair in pairs:
        name = folder_name(pair.on.rel.rsplit(".", 1)[0])
        if name.lower() in taken:
            name = f"{name}-{_digest(pair.off.rel + '|' + pair.on.rel)}"
        taken.add(name.lower())
        names.append(name)
    return names


def folder_name(text: str) -> str:
    """A name that every disk takes."""
    known = sys.getfilesystemencoding()  # ASCII under the locale "C"
    held = composed(text).encode(known, "replace").decode(known)
    safe = re.sub(r"[^\w.-]+", "_", held).strip("._ ") or "photo"
    if len(safe) > MOST_NAME:
        safe = f"{safe[: MOST_NAME - 9]}-{_digest(text)}"
    return safe


def _digest(text: str) -> str:
    """Eight characters that differ where names do, also names that are no text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
