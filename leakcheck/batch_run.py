"""The jobs of a batch on all cores or on a cluster: what is done already is not done again."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import filelock
import joblib
import psutil

from leakcheck.batch import INNER, Plan, folder_name
from leakcheck.batch_job import CompareJob, PairJob, Record, done_already, run_job
from leakcheck.errors import EXIT_LEAKS, OutputError, UsageError

# Peak of a worker: 0.9 GB for pairs of 3 as of 12 megapixels, as frames have 3 in both; a frame may
# have 4.2, and the photos themselves are held too.
WORKER_BYTES, BYTES_PER_PX = 1.1e9, 15.0
MEMORY_SHARE = 0.8  # of what is free now
CONNECT_S = 20  # to a cluster

Job = PairJob | CompareJob


@dataclass(frozen=True, eq=False)
class Done:
    """What became of a plan's jobs."""

    pairs: dict[int, Record]  # pair k of the plan; one whose photos cannot be read has none
    comparisons: dict[str, Record]  # view -> its comparison; of views with two stages or more
    measured: int  # jobs that were done in this run
    kept: int  # jobs that were done before


@dataclass
class _State:
    """What is still to be done. Taken from by joblib's threads, hence the lock."""

    plan: Plan
    waiting: list[Job] = field(default_factory=list)
    ready: list[Job] = field(default_factory=list)  # comparisons whose pairs are measured
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self) -> Iterator[Job]:
        """The next jobs, comparisons first: what they need lies on the disk meanwhile."""
        while True:
            with self.lock:
                queue = self.ready or self.waiting
                if not queue:
                    return
                job = queue.pop(0)
            yield job


def run(
    plan: Plan,
    *,
    cluster: str | None = None,
    progress: Callable[[int, int, str], None] = lambda _done, _all, _name: None,
) -> Done:
    """Do what is missing or changed.

    Args:
        plan: of one folder.
        cluster: address of a Dask scheduler; None: this machine.
        progress: told at once and after each job how many are done, of how many, and its name.
    Raises: UsageError where the cluster cannot be reached. A pair that fails raises nothing.
    """
    views = _views(plan)
    kept = {job.name: record for job in plan.jobs.values() if (record := done_already(job))}
    records = dict(kept)
    state = _State(plan, [job for job in plan.jobs.values() if job.name not in kept])
    total = len(plan.jobs) + sum(len(stages) > 1 for stages in views.values())
    open_views = set(views)

    def settle() -> None:
        """Look which views can be compared now."""
        for view in sorted(open_views):
            jobs = [plan.jobs[k] for ks in views[view].values() for k in ks if k in plan.jobs]
            if all(job.name in records for job in jobs):
                open_views.discard(view)
                comparison = _comparison(plan, view, views[view], records)
                before = done_already(comparison) if comparison else None
                if before is not None:
                    kept[before.name] = records[before.name] = before
                elif comparison is not None:
                    with state.lock:
                        state.ready.append(comparison)

    settle()
    progress(len(records), total, "")
    with _workers(workers_that_fit(plan), cluster) as work:
        while state.ready or state.waiting:
            for record in work(state.take()):
                records[record.name] = record
                settle()
                progress(len(records), total, record.name)
    _clean(plan)
    return Done(
        pairs={k: records[job.name] for k, job in plan.jobs.items()},
        comparisons={
            view: records[name] for view in views if (name := compare_name(view)) in records
        },
        measured=len(records) - len(kept),
        kept=len(kept),
    )


@contextlib.contextmanager
def alone(out: Path, *, waiting: Callable[[], None]) -> Iterator[None]:
    """Hold the folder of results for this run; wait where another run holds it.

    Args:
        out: made where it is missing.
        waiting: called once where one has to wait.
    Raises: OutputError where nothing can be written there.
    """
    try:
        (out / INNER).mkdir(parents=True, exist_ok=True)
        lock = filelock.FileLock(out / INNER / "lock")
        try:
            lock.acquire(timeout=0)
        except filelock.Timeout:
            waiting()
            lock.acquire()
    except OSError as error:
        reason = error.strerror or error
        raise OutputError(f"{out} cannot be written ({reason}). Give another --out.") from error
    try:
        yield
    finally:
        lock.release()


def workers_that_fit(plan: Plan) -> int:
    """How many workers to start: as the user says, else one for each core that has memory."""
    if plan.wishes.jobs is not None:
        return plan.wishes.jobs
    each = WORKER_BYTES + BYTES_PER_PX * plan.largest_px
    fit = int(MEMORY_SHARE * psutil.virtual_memory().available / each)
    return max(1, min(int(joblib.cpu_count()), fit))


def compare_name(view: str) -> str:
    """The folder and record of a view's comparison."""
    return folder_name(f"compare-{view}")


def _views(plan: Plan) -> dict[str, dict[str, list[int]]]:
    """View -> stage -> pairs, in order."""
    views: dict[str, dict[str, list[int]]] = {}
    for k, placed in enumerate(plan.pairs):
        views.setdefault(placed.view, {}).setdefault(placed.stage, []).append(k)
    return views


def _comparison(
    plan: Plan, view: str, stages: dict[str, list[int]], records: dict[str, Record]
) -> CompareJob | None:
    """The last good pair of each stage, where two stages or more have one."""
    chosen = []
    for stage, pairs in stages.items():
        good = [
            plan.jobs[k]
            for k in pairs
            if k in plan.jobs and records[plan.jobs[k].name].exit_code <= EXIT_LEAKS
        ]
        if good:
            chosen.append((stage, good[-1]))
    if len(chosen) < 2:
        return None
    return CompareJob(
        compare_name(view), tuple(chosen), plan.wishes.coats, plan.wishes.out.resolve()
    )


def _clean(plan: Plan) -> None:
    """Remove what was put aside for comparisons that are done or cannot be."""
    folder = plan.wishes.out / INNER / "stages"
    for path in folder.glob("*"):
        path.unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        folder.rmdir()


@contextlib.contextmanager
def _workers(
    jobs: int, cluster: str | None
) -> Iterator[Callable[[Iterator[Job]], Iterator[Record]]]:
    """What does jobs and gives their records as they come."""
    if cluster is not None:
        with _dask(cluster) as config, config:
            yield lambda taken: _parallel(taken, threads=1)
        return
    threads = max(1, joblib.cpu_count() // jobs)
    options: dict[str, Any] = {"backend": "loky", "inner_max_num_threads": threads}
    with joblib.parallel_config(n_jobs=jobs, **(options if jobs > 1 else {})):
        yield lambda taken: _parallel(taken, threads=threads)


def _parallel(taken: Iterator[Job], *, threads: int) -> Iterator[Record]:
    work = joblib.Parallel(batch_size=1, pre_dispatch="n_jobs", return_as="generator_unordered")
    with _workers_deaf_to_interrupts():
        records: Iterator[Record] = work(joblib.delayed(run_job)(job, threads) for job in taken)
    return records


@contextlib.contextmanager
def _workers_deaf_to_interrupts() -> Iterator[None]:
    """Let processes that are started meanwhile ignore Ctrl-C from their first moment.

    It reaches all processes of a terminal; the one that the user started decides, and a worker
    that is still importing would only print a traceback.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)  # what is ignored is inherited
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def _dask(address: str) -> Iterator[Any]:
    """joblib's way to a Dask scheduler."""
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            '--cluster needs Dask. Run `pip install "leakcheck[cluster]"` on all machines.'
        ) from error
    try:
        client = Client(address, timeout=CONNECT_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as error:
        raise UsageError(f"the cluster at {address} cannot be reached ({error}).") from error
    with client:
        yield joblib.parallel_config(backend="dask")
