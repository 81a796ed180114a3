#!/usr/bin/env python3
"""Fuzz a reader in this process, led by what its code does: needs `pip install atheris` (Linux).

    python tests/fuzz_atheris.py svg|photo|mask [libFuzzer options, e.g. -max_total_time=600]

Only leakcheck's own errors may come out of a reader; anything else stops the run, and libFuzzer
writes the input down. The whole files of tests/fuzz_files.py are what it starts from.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

try:
    import atheris
except ImportError:
    sys.exit("atheris is not installed: pip install atheris (Linux, Python 3.11 to 3.13)")

with atheris.instrument_imports(include=["leakcheck", "svgpathtools"]):
    from leakcheck.errors import LeakcheckError
    from leakcheck.openings import label_map, read_openings
    from leakcheck.photo import frame_scale, linear_light, read_photo

from fuzz_files import SIZE, originals

MOST_SECONDS, MOST_MEGABYTES = 20, 2048


def read_drawing(path: Path) -> None:
    """Openings as a check uses them: shapes and their labels."""
    openings = read_openings(path, size=SIZE)
    label_map(openings, shape=(SIZE[1], SIZE[0]), scale=1)


def read_light(path: Path) -> None:
    """A photo as a check uses it."""
    photo = read_photo(path)
    linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2]))


TARGETS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "svg": ("heron.svg", read_drawing),
    "mask": ("heron.png", read_drawing),
    "photo": ("heron.bin", read_light),
}


def main() -> None:
    """Fuzz one reader until libFuzzer's options end it."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit((__doc__ or "").strip())
    target = sys.argv.pop(1)
    name, read = TARGETS[target]
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / name
        corpus = Path(scratch) / "corpus"
        corpus.mkdir()
        photos, drawings = originals()
        for start, data in (photos if target == "photo" else drawings).items():
            (corpus / start).write_bytes(data)

        def one(data: bytes) -> None:
            path.write_bytes(data)
            try:
                read(path)
            except LeakcheckError as error:
                if "\n" in str(error) or not str(error).endswith("."):
                    raise ValueError(f"not one sentence: {error}") from error

        options = [f"-timeout={MOST_SECONDS}", f"-rss_limit_mb={MOST_MEGABYTES}"]
        atheris.Setup([sys.argv[0], str(corpus), *options, *sys.argv[1:]], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
