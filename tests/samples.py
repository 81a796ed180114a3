"""The drawn ferry's pairs for the tests that measure them; the rendered samples have their own."""

from __future__ import annotations

import shutil
from pathlib import Path

from leakcheck import Check, Settings, check, read_openings, read_photo

SAMPLES = Path(__file__).parent / "drawn_pairs"
OPENINGS = {"coat-1": "port.svg", "coat-2": "port-coat-2.svg", "tight": "port-tight.svg"}


def paths(stage: str) -> tuple[Path, Path, Path]:
    """Lights off, lights on and openings of one sample pair."""
    off, on = (SAMPLES / f"port-{stage}-{part}.jpg" for part in ("off", "on"))
    return off, on, SAMPLES / OPENINGS[stage]


def checked(off: Path, on: Path, openings: Path | None = None, **settings) -> Check:
    lit = read_photo(on)
    shapes = read_openings(openings, size=lit.encoded.shape[1::-1]) if openings else None
    return check(read_photo(off), lit, shapes, settings=Settings(**settings))


def copied(stage: str, folder: Path) -> list[str]:
    return [str(shutil.copy(path, folder)) for path in paths(stage)]
