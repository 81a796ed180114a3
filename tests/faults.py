"""A small folder of test shots and the commands on it, for tests of what goes wrong around them."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from sessions import START, drawing, ferry, write_ferry

TESTS = Path(__file__).parent
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)])}
COMMANDS = ("check", "compare", "batch")
RESULT = {"check": "result.json", "compare": "compare.json", "batch": "overview.json"}
LEAKS = 1  # exit code: the ferry leaks before the coat and after it
SOON_S = 180  # for a command of two seconds, on a machine that is busy with other tests


@dataclass(frozen=True)
class Shots:
    """Where the photos are; each folder holds a pair."""

    before: Path
    after: Path
    name: str = ""  # in front of off.jpg, on.jpg and openings.svg

    def photos(self) -> tuple[Path, ...]:
        return tuple(
            folder / f"{self.name}{part}.jpg"
            for folder in (self.before, self.after)
            for part in ("off", "on")
        )

    def arguments(self, command: str, out: Path) -> list[str]:
        """The command line that writes its results into `out`."""
        drawn = ["--openings", str(self.before / f"{self.name}openings.svg")]
        if command == "check":
            return ["check", *map(str, self.photos()[:2]), *drawn, "--out", str(out)]
        if command == "compare":
            return ["compare", str(self.before), str(self.after), *drawn, "--out", str(out)]
        return ["batch", str(self.before.parent), "--jobs", "1", "--out", str(out)]


def shots_in(
    folder: Path, *, name: str = "", before: str = "before", after: str = "after"
) -> Shots:
    """The ferry before and after a coat, with its openings, under any names."""
    shots = Shots(folder / before, folder / after, name)
    write_ferry(ferry(1), shots.before, f"{name}off.jpg", f"{name}on.jpg", START)
    write_ferry(
        ferry(1, again=True, leaks=0.3), shots.after, f"{name}off.jpg", f"{name}on.jpg", START
    )
    drawing(ferry(1), shots.before / f"{name}openings.svg")
    return shots


def started(
    *arguments: str,
    program: tuple[str, ...] = ("-m", "leakcheck"),
    before: tuple[str, ...] = (),
    **options,
) -> subprocess.Popen:
    """The program as a process of its own, and what is to run before it in its command line."""
    options = {"env": ENVIRONMENT, "stdin": subprocess.DEVNULL, "text": True, **options}
    return subprocess.Popen(
        [*before, sys.executable, *program, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        **options,
    )


def ended(process: subprocess.Popen) -> tuple[int, str, str]:
    """Exit code, stdout, stderr."""
    out, err = process.communicate(timeout=SOON_S)
    return process.returncode, out, err


def sentence(err: str) -> str:
    """The one sentence on stderr besides warnings; no traceback."""
    lines = [line for line in err.splitlines() if not line.startswith("Warning: ")]
    assert len(lines) == 1, err
    assert lines[0].startswith("leakcheck: "), err
    assert "a fault of the program" not in lines[0]
    return lines[0]


def results(out: Path) -> dict[str, bytes]:
    """What a user finds in the folder of results: not what the machinery keeps for itself."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(out).parts)
    }
