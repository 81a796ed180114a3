"""How memory is taken from the system."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

HUGE_PAGES = Path("/sys/kernel/mm/transparent_hugepage/enabled")
# The whole command line runs first, then a large array is filled and its huge pages are counted.
PROGRAM = """
import contextlib, sys
from leakcheck.cli import run
assert "numpy" not in sys.modules
with contextlib.suppress(SystemExit):
    run()
import numpy
light = numpy.ones(2**25)
lines = open("/proc/self/smaps_rollup").read().splitlines()
print(next(line.split()[1] for line in lines if line.startswith("AnonHugePages:")))
"""


def _huge_kilobytes(variables: dict[str, str]) -> int:
    environment = {k: v for k, v in os.environ.items() if k != "NUMPY_MADVISE_HUGEPAGE"}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "--version"],
        env={**environment, **variables},
        check=True,
        capture_output=True,
        text=True,
    )
    return int(done.stdout.splitlines()[-1])


@pytest.mark.skipif(
    not HUGE_PAGES.exists() or "[madvise]" not in HUGE_PAGES.read_text(),
    reason="the system does not leave the choice to programs",
)
def test_the_command_takes_small_pages_unless_the_user_says_otherwise() -> None:
    assert _huge_kilobytes({}) == 0
    assert _huge_kilobytes({"NUMPY_MADVISE_HUGEPAGE": "1"}) > 0
