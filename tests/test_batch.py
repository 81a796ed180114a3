"""A whole folder from photos to overview: nothing lost, nothing mixed, nothing done twice.

The photos are of the drawn ferry; one pair is damaged, one cannot be laid on, one is a stray.
"""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import jsonschema
import pytest
from sessions import START, Session, drawing, ferry, lit, pattern, write_ferry

from leakcheck.batch import INNER, Wishes, planned
from leakcheck.batch_job import Record, done_already, run_job
from leakcheck.batch_run import alone, run, workers_that_fit
from leakcheck.cli import main
from leakcheck.errors import (
    EXIT_BAD_INPUT,
    EXIT_FAULT,
    EXIT_INTERRUPTED,
    EXIT_LEAKS,
    EXIT_NOT_MEASURED,
)
from leakcheck.report.overview_json import schema
from leakcheck.settings import Settings

COMMAND = [sys.executable, "-m", "leakcheck"]
ROOT = Path(__file__).parent.parent
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
DAY = timedelta(hours=20)
PORT_JOBS = 3  # two pairs and their comparison


def fill_port(folder: Path) -> None:
    """Port before and after a coat, with its openings."""
    write_ferry(ferry(1), folder, "IMG_01.jpg", "IMG_02.jpg", START)
    write_ferry(ferry(1, again=True, leaks=0.3), folder, "IMG_05.jpg", "IMG_06.jpg", START + DAY)
    drawing(ferry(1), folder / "port.svg")


def fill(folder: Path) -> None:
    """Port twice, starboard once, a stray, and two pairs that go wrong."""
    fill_port(folder)
    write_ferry(
        ferry(2), folder, "IMG_03.jpg", "IMG_04.jpg", START + timedelta(minutes=2), mirrored=True
    )
    session = Session(folder)
    session.time = START + DAY + timedelta(minutes=5)
    session.shoot(pattern(1), name="IMG_07.jpg")
    session.shoot(pattern(2), name="stern-off.jpg")
    session.shoot(lit(pattern(3)), name="stern-on.jpg")
    session.shoot(pattern(4), name="bow-off.jpg")
    bow = session.folder / session.shoot(lit(pattern(4)), name="bow-on.jpg")
    bow.write_bytes(bow.read_bytes()[:9000])


def batch(folder: Path, *options: str) -> int:
    return main(["batch", str(folder), "--quiet", *options])


def overview_in(folder: Path) -> dict:
    return json.loads((folder / "leakcheck" / "overview.json").read_text("utf-8"))


def results_in(folder: Path) -> dict[str, bytes]:
    """Every file of results but those of the machinery, by name."""
    out = folder / "leakcheck"
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and INNER not in path.parts
    }


def records_in(folder: Path) -> dict[str, int]:
    """When each job was recorded as done, in ns."""
    found = (folder / "leakcheck" / INNER / "records").glob("*.json")
    return {path.stem: path.stat().st_mtime_ns for path in found}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A folder measured in one go, and the exit status."""
    folder = tmp_path_factory.mktemp("whole") / "shots"
    folder.mkdir()
    fill(folder)
    return folder, batch(folder, "--jobs", "2")


@pytest.fixture(scope="module")
def plan(whole):
    """What that run was to do."""
    return planned(whole[0], Wishes(out=whole[0] / "leakcheck"))


@pytest.fixture
def copy(whole, tmp_path):
    """The same folder, results included, to be changed; the name of its place stays in them."""
    return shutil.copytree(whole[0], tmp_path / "shots")


def test_every_pair_is_told_and_the_worst_status_counts(whole):
    folder, code = whole
    found = {(p["off"], p["on"]): p for p in overview_in(folder)["pairs"]}
    assert {key: p["exit_code"] for key, p in found.items()} == {
        ("IMG_01.jpg", "IMG_02.jpg"): 1,
        ("IMG_03.jpg", "IMG_04.jpg"): 1,
        ("IMG_05.jpg", "IMG_06.jpg"): found["IMG_05.jpg", "IMG_06.jpg"]["exit_code"],
        ("stern-off.jpg", "stern-on.jpg"): EXIT_NOT_MEASURED,
        ("bow-off.jpg", "bow-on.jpg"): EXIT_BAD_INPUT,
    }
    assert code == EXIT_NOT_MEASURED
    assert "do not line up" in found["stern-off.jpg", "stern-on.jpg"]["text"]
    assert "bow-on.jpg is a damaged" in found["bow-off.jpg", "bow-on.jpg"]["text"]
    assert [left["photo"] for left in overview_in(folder)["left_out"]] == ["IMG_07.jpg"]


def test_sides_openings_and_stages_are_followed(whole):
    """Port twice with its openings, carried to the second; starboard by itself without."""
    overview = overview_in(whole[0])
    by_on = {p["on"]: p for p in overview["pairs"]}
    port, later, starboard = (by_on[f"IMG_0{k}.jpg"] for k in (2, 6, 4))
    assert port["view"] == later["view"] != starboard["view"]
    assert (port["stage"], later["stage"]) == ("test 1", "test 2")
    assert (port["openings"], later["openings"]) == ("port.svg", "port.svg")
    assert starboard["openings"] is None
    (view,) = [view for view in overview["views"] if view["name"] == port["view"]]
    assert view["comparison"]["stages"] == ["test 1", "test 2"]
    assert overview["pairs"][view["last"]]["on"] == "IMG_06.jpg"
    shapes = json.loads(
        (whole[0] / "leakcheck" / later["results"] / "result.json").read_text("utf-8")
    )["openings"]
    assert len(shapes) == len(ferry(1).scene.openings) + 1, "all of them and the outline"


def test_the_overview_fulfils_its_schema_and_is_one_page(whole):
    """JSON Schema 2020-12; CSV by Python's csv; the page loads nothing and its links lead there."""
    out = whole[0] / "leakcheck"
    jsonschema.Draft202012Validator(schema()).validate(overview_in(whole[0]))
    rows = list(csv.DictReader((out / "overview.csv").open(encoding="utf-8", newline="")))
    assert [row["verdict"] for row in rows].count("not paired") == 1
    assert len(rows) == 6
    page = (out / "overview.html").read_text("utf-8")
    links = [link for link in re.findall(r'href="([^"#]+)"', page) if link != "data:,"]
    assert links
    assert all((out / link).is_file() for link in links)
    assert all(src.startswith("data:") for src in re.findall(r'src="([^"]+)"', page))
    assert not (out / INNER / "stages").exists(), "nothing is left of what was put aside"


def test_a_second_run_does_nothing_and_says_the_same(copy):
    before, results = records_in(copy), results_in(copy)
    assert batch(copy, "--jobs", "1") == EXIT_NOT_MEASURED
    assert records_in(copy) == before
    after = results_in(copy)
    changed = [name for name in results if results[name] != after[name]]
    assert set(changed) <= {"overview.json", "overview.html"}, "they name the folder"


def test_only_what_changed_is_done_again(copy):
    """One photo exposed anew, and the record of another job lost."""
    before = records_in(copy)
    write_ferry(
        ferry(3), copy, "IMG_03.jpg", "IMG_04.jpg", START + timedelta(minutes=2), mirrored=True
    )
    (copy / "leakcheck" / INNER / "records" / "stern-on.json").unlink()
    batch(copy, "--jobs", "1")
    after = records_in(copy)
    assert {name for name in after if after[name] != before.get(name)} == {"IMG_04", "stern-on"}


def test_a_key_is_of_what_goes_into_a_result_and_of_nothing_else(plan):
    """Contents, settings and version; not names, nor where results are written."""
    job = next(job for job in plan.jobs.values() if job.name == "IMG_02")
    others = [
        replace(job, settings=Settings(length_mm=332.0)),
        replace(job, hashes=(job.hashes[1], job.hashes[0])),
        replace(job, openings_hash="0" * 64),
        replace(job, picture_width_px=700),
    ]
    keys = {job.key, *(other.key for other in others)}
    assert len(keys) == 1 + len(others)
    assert replace(job, name="x", out=Path("y"), off=Path("z"), keep=False).key == job.key


def test_killed_in_the_middle_and_started_again(whole, tmp_path):
    """SIGKILL once the first job is recorded: the results are those of one run, none done twice."""
    folder = tmp_path / "shots"
    fill_port(folder)
    command = [*COMMAND, "batch", str(folder), "--quiet", "--jobs", "1"]
    started = subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.DEVNULL)
    wait_for(lambda: records_in(folder), started)
    started.kill()
    started.wait()
    before = records_in(folder)
    assert 0 < len(before) < PORT_JOBS
    assert batch(folder, "--jobs", "1") == EXIT_LEAKS
    after = records_in(folder)
    assert len(after) == PORT_JOBS
    assert {name: after[name] for name in before} == before
    assert told(folder) == {name: told(whole[0])[name] for name in told(folder)}
    assert any(name.endswith("compare.json") for name in told(folder))


def told(folder: Path) -> dict[str, str]:
    """What the results of all jobs say, without the place they were made in."""
    place = json.dumps(str(folder))[1:-1]
    return {
        name: data.decode().replace(place, "")
        for name, data in results_in(folder).items()
        if name.endswith(("result.json", "compare.json", "leaks.csv", "lamps.csv", "changes.csv"))
    }


def test_interrupted_it_stops_and_keeps_what_is_done(tmp_path):
    """Ctrl-C reaches the whole group of processes: status 130, one sentence, no traceback."""
    folder = tmp_path / "shots"
    folder.mkdir()
    fill(folder)  # four jobs, so that the first one done leaves enough to be stopped
    command = [*COMMAND, "batch", str(folder), "--quiet", "--jobs", "2"]
    started = subprocess.Popen(
        command,
        env=ENVIRONMENT,
        stderr=subprocess.PIPE,
        start_new_session=True,
        # Tests that a shell runs in the background are told to ignore it, and hand that on.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    wait_for(lambda: records_in(folder), started)
    os.killpg(started.pid, signal.SIGINT)
    _, said = started.communicate(timeout=60)
    assert started.returncode == EXIT_INTERRUPTED
    assert b"What is done is kept" in said
    assert b"Traceback" not in said
    assert records_in(folder)
    assert not (folder / "leakcheck" / "overview.json").exists()


def wait_for(what, process: subprocess.Popen) -> None:
    """Until it is so, or the process has ended."""
    end = time.monotonic() + 120
    while not what():
        assert process.poll() is None, "it ended before it could be stopped"
        assert time.monotonic() < end
        time.sleep(0.02)


def test_two_runs_into_one_folder_do_not_mix(tmp_path):
    """The second says that it waits, and begins when the first has let go."""
    waits, begun = threading.Event(), threading.Event()

    def second() -> None:
        with alone(tmp_path, waiting=waits.set):
            begun.set()

    with alone(tmp_path, waiting=lambda: pytest.fail("nobody holds it")):
        thread = threading.Thread(target=second, daemon=True)
        thread.start()
        assert waits.wait(10)
        assert not begun.wait(0.3)
    assert begun.wait(10)
    thread.join()


def test_a_local_cluster_gives_the_same(whole, tmp_path):
    """The same work handed to a Dask scheduler with one worker on this machine."""
    distributed = pytest.importorskip("distributed")
    folder = tmp_path / "shots"
    fill_port(folder)
    Session(folder).shoot(pattern(1), name="bow-on.jpg")
    (folder / "bow-off.jpg").write_bytes(b"")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        code = batch(folder, "--cluster", cluster.scheduler_address)
    assert code == EXIT_BAD_INPUT
    assert len(told(folder)) == 3 + 3 + 2
    assert told(folder) == {name: told(whole[0])[name] for name in told(folder)}


def test_a_cluster_that_is_not_there(tmp_path, capsys, monkeypatch):
    pytest.importorskip("distributed")
    Session(tmp_path / "shots").pair(1)
    monkeypatch.setattr("leakcheck.batch_run.CONNECT_S", 0.5)
    assert batch(tmp_path / "shots", "--cluster", "tcp://127.0.0.1:9") == EXIT_BAD_INPUT
    assert "cannot be reached" in capsys.readouterr().err


def test_a_dry_run_measures_nothing_and_its_table_can_be_given_back(tmp_path, capsys):
    folder = tmp_path / "shots"
    session = Session(folder)
    off, on = session.pair(5)
    alone_ = session.shoot(pattern(6))
    assert main(["batch", str(folder), "--dry-run"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 pair of 1 side would be measured" in said
    assert alone_ in said
    table = folder / "leakcheck" / "pairs.csv"
    assert sorted(p.name for p in table.parent.iterdir()) == ["pairs.csv"]
    mine = table.read_text("utf-8").replace("view 1,test 1", "port,bare")
    table.write_text(mine, "utf-8")
    plan = planned(folder, Wishes(out=folder / "leakcheck", pairs_file=table))
    (found,) = plan.pairs
    assert (found.view, found.stage, found.pair.off.rel, found.pair.on.rel) == (
        "port",
        "bare",
        off,
        on,
    )
    assert main(["batch", str(folder), "--dry-run"]) == EXIT_BAD_INPUT
    assert "exists already" in capsys.readouterr().err
    assert table.read_text("utf-8") == mine, "what the user wrote stays"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "holds no photos"),
        (["--out", "{folder}"], "a folder of their own"),
        (["--out", "{strange}"], "not results of a batch"),
        (["--pairs", "nowhere.csv"], "cannot be read as a table"),
        (["--stage-gap", "0"], "--stage-gap must be"),
    ],
)
def test_what_cannot_be_asked_is_refused_at_once(tmp_path, capsys, options, said):
    folder, strange = tmp_path / "shots", tmp_path / "strange"
    folder.mkdir()
    strange.mkdir()
    (strange / "letter.txt").write_text("mine")
    options = [o.format(folder=folder, strange=strange) for o in options]
    assert batch(folder, *options) == EXIT_BAD_INPUT
    assert said in capsys.readouterr().err
    assert list(folder.iterdir()) == []


def test_openings_of_a_table_are_in_the_folder(tmp_path, capsys):
    """One somewhere else could not be named from the folder in the overview."""
    session = Session(tmp_path / "shots")
    off, on = session.pair(5)
    drawing(ferry(1), tmp_path / "mine.svg")
    table = tmp_path / "pairs.csv"
    for name in ("../mine.svg", str(tmp_path / "mine.svg"), "gone.svg"):
        table.write_text(f"off,on,openings\n{off},{on},{name}\n", "utf-8")
        assert batch(session.folder, "--pairs", str(table)) == EXIT_BAD_INPUT
        assert f"{name} is not in the folder" in capsys.readouterr().err


def test_a_folder_without_a_pair_is_not_called_tight(tmp_path, capsys):
    session = Session(tmp_path / "shots")
    names = [session.shoot(pattern(seed)) for seed in (40, 41)]
    assert main(["batch", str(session.folder)]) == EXIT_NOT_MEASURED
    said = capsys.readouterr().out
    assert "No pair was found." in said
    assert all(name in said for name in names)


def test_a_fault_of_one_job_is_its_own_and_is_tried_again(plan, monkeypatch, tmp_path):
    job = replace(next(iter(plan.jobs.values())), out=tmp_path)

    def check(*_, **__):
        raise RuntimeError("a bug")

    monkeypatch.setitem(run_job.__globals__, "check", check)
    record = run_job(job, 1)
    assert record.exit_code == EXIT_FAULT
    assert "RuntimeError: a bug" in record.reason
    assert done_already(job) is None


def test_a_photo_that_changes_during_the_run_is_not_measured(plan, tmp_path):
    job = next(iter(plan.jobs.values()))
    record = run_job(replace(job, on=job.off, out=tmp_path), 1)
    assert record.exit_code == EXIT_BAD_INPUT
    assert "was changed during the run" in record.reason


def test_workers_by_memory_and_threads_by_workers(plan, monkeypatch, tmp_path):
    """Half a gigabyte free holds one worker whatever the cores; each has its share of threads."""
    free = type("Memory", (), {"available": 5e8})
    monkeypatch.setattr("leakcheck.batch_run.psutil.virtual_memory", lambda: free)
    assert workers_that_fit(plan) == 1
    seen = []

    def work(taken, *, threads):
        seen.append(threads)
        return [Record(job.name, job.key, EXIT_NOT_MEASURED, "not tried") for job in taken]

    monkeypatch.setattr("leakcheck.batch_run.joblib.cpu_count", lambda: 6)
    monkeypatch.setattr("leakcheck.batch_run._parallel", work)
    jobs = {k: replace(job, out=tmp_path) for k, job in plan.jobs.items()}
    run(replace(plan, wishes=replace(plan.wishes, out=tmp_path, jobs=3), jobs=jobs))
    assert seen == [2]
