#!/usr/bin/env python3
"""Time and memory of a check against photo size; a measurement to read, no test.

    python tests/benchmark.py [--sizes 3 12 24] [--profile] [--repeat N]

The sample pair of the ferry after her first coat is enlarged to each size in megapixels, gets the
noise of a small sensor and is written as JPEG. Each size is checked in a process of its own, so
that its peak of memory is its own. The goals at 12 megapixels: the whole check in at most 10 times
what decoding the two JPEGs alone takes, and less than 60 bytes for each pixel of a photo.

`--profile` adds the functions that most time goes to. Close other programs before you believe a
figure.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import FunctionType
from typing import Any

import cv2
import numpy as np

SAMPLES = Path(__file__).parent.parent / "sample_images"
SIZES_MP = (3, 12, 24)
NOISE_CODES = 2.0  # standard deviation, 8-bit code values: a phone at ISO 320
QUALITY = 92
LEAST_SHARE = 0.01  # of the whole; shorter steps are not listed
MOST_FUNCTIONS = 25


def enlarged(name: str, megapixels: float, seed: int) -> np.ndarray:
    """A sample photo of about this size, with fresh noise."""
    photo = cv2.imread(str(SAMPLES / name))
    rows, cols = photo.shape[:2]
    size = cols_rows(cols, rows, megapixels)
    large = cv2.resize(photo, size, interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(seed).normal(0, NOISE_CODES, (1024, 1024, 3))
    tiles = (size[1] // 1024 + 1, size[0] // 1024 + 1, 1)
    grain = np.tile(noise.astype(np.float32), tiles)[: size[1], : size[0]]
    return np.clip(np.rint(large + grain), 0, 255).astype(np.uint8)


def cols_rows(cols: int, rows: int, megapixels: float) -> tuple[int, int]:
    """The size with so many pixels and this shape, in steps of 16 pixels as cameras have them."""
    factor = np.sqrt(megapixels * 1e6 / (cols * rows))
    return int(round(cols * factor / 16) * 16), int(round(rows * factor / 16) * 16)


def write_pair(folder: Path, megapixels: float) -> None:
    """off.jpg, on.jpg and openings.svg of this size."""
    for seed, name in enumerate(("off", "on")):
        photo = enlarged(f"port-coat-1-{name}.jpg", megapixels, seed)
        cv2.imwrite(str(folder / f"{name}.jpg"), photo, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    svg = (SAMPLES / "port.svg").read_text(encoding="utf-8")
    svg = re.sub(r"<image[^>]*>", "", svg)  # the link to the small photo it was drawn on
    root = re.search(r"<svg[^>]*>", svg)
    assert root, "an SVG file has a root"
    sized = re.sub(r'\bwidth="[^"]*"', f'width="{photo.shape[1]}"', root[0])
    sized = re.sub(r'\bheight="[^"]*"', f'height="{photo.shape[0]}"', sized)
    (folder / "openings.svg").write_text(svg.replace(root[0], sized), encoding="utf-8")


class Steps:
    """Wraps the functions that a check calls, and adds up the time of each."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._inside = False

    def watch(self, module: Any) -> None:
        """Time every function of ours that this module calls; what they call counts to them."""
        for name, value in list(vars(module).items()):
            if isinstance(value, FunctionType) and value.__module__.startswith("leakcheck"):
                setattr(module, name, self._timed(name, value))

    def _timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*args: Any, **kwargs: Any) -> Any:
            if self._inside:
                return function(*args, **kwargs)
            self._inside = True
            start = time.perf_counter()
            try:
                return function(*args, **kwargs)
            finally:
                self._inside = False
                spent = time.perf_counter() - start
                self.seconds[name] = self.seconds.get(name, 0.0) + spent

        return timed


def peak_bytes() -> int | None:
    """The most memory this process has ever held; None where the system does not say."""
    status = Path("/proc/self/status")
    if status.exists():  # Linux: what getrusage says there counts the parent process as well
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM:"))
        return int(line.split()[1]) * 1024
    try:
        import resource
    except ImportError:  # Windows
        return None
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss  # bytes on macOS


def measure(folder: Path, *, profile: bool) -> dict[str, Any]:
    """One check of the pair in a folder; run in a process of its own."""
    import leakcheck
    from leakcheck.report.outputs import Outputs  # loads what a check loads

    core = sys.modules["leakcheck.check"] if leakcheck.check else None
    real_check = leakcheck.check
    files = [folder / "off.jpg", folder / "on.jpg"]
    before = peak_bytes()
    start = time.perf_counter()
    for path in files:
        cv2.imread(str(path))
    decoding = time.perf_counter() - start
    steps = Steps()
    steps.watch(core)
    profiler = cProfile.Profile()
    start = time.perf_counter()
    off, on = (leakcheck.read_photo(path) for path in files)
    shapes = leakcheck.read_openings(folder / "openings.svg", size=on.encoded.shape[1::-1])
    reading = time.perf_counter() - start
    if profile:
        profiler.enable()
    result = real_check(off, on, shapes)
    profiler.disable()
    whole = time.perf_counter() - start
    peak = peak_bytes()
    start = time.perf_counter()
    Outputs(None, None, folder / "out", None, None, True).write(result, on=on, glow=result.glow)
    return {
        "pixels": on.encoded.shape[0] * on.encoded.shape[1],
        "bytes": sum(path.stat().st_size for path in files),
        "decoding": decoding,
        "reading": reading,
        "whole": whole,
        "steps": steps.seconds,
        "writing": time.perf_counter() - start,
        "peak": peak,
        "before": before,
        "leaks": len(result.leaks),
        "profile": _profile_text(profiler) if profile else "",
    }


def _profile_text(profiler: cProfile.Profile) -> str:
    """Our functions with the most time in all, then any function with the most time of its own."""
    rows: dict[tuple[str, int, str], Any] = pstats.Stats(profiler).stats  # type: ignore[attr-defined]
    ours = {key: row for key, row in rows.items() if "leakcheck" in Path(key[0]).parts}
    lines = ["  own s    all s    calls  function"]
    for listed, column in ((ours, 3), (rows, 2)):
        for (file, line, name), row in sorted(listed.items(), key=lambda item: -item[1][column])[
            :MOST_FUNCTIONS
        ]:
            place = f"{Path(file).name}:{line} {name}" if line else name
            lines.append(f"{row[2]:7.2f}  {row[3]:7.2f}  {row[1]:7d}  {place}")
        lines.append("")
    return "\n".join(lines)


def report(megapixels: float, figures: dict[str, Any]) -> str:
    """The figures of one size as text."""
    pixels, whole, decoding = (figures[key] for key in ("pixels", "whole", "decoding"))
    lines = [
        f"{pixels / 1e6:.1f} megapixels, {figures['leaks']} leaks",
        f"  decoding two JPEGs  {decoding:7.2f} s   {figures['bytes'] / 2e6:.1f} MB each",
        f"  the whole check     {whole:7.2f} s   {whole / decoding:5.1f} x decoding",
        f"    reading the files {figures['reading']:7.2f} s",
    ]
    slow = {k: s for k, s in figures["steps"].items() if s > LEAST_SHARE * whole}
    lines += [
        f"    {name.lstrip('_'):18s}{seconds:7.2f} s"
        for name, seconds in sorted(slow.items(), key=lambda item: -item[1])
    ]
    lines.append(f"  writing all results {figures['writing']:7.2f} s")
    if figures["peak"] is not None:
        peak, before = figures["peak"], figures["before"]
        lines.append(
            f"  peak of memory      {peak / 2**20:7.0f} MiB  {(peak - before) / pixels:4.0f} bytes"
            f" a pixel besides the {before / 2**20:.0f} MiB of the libraries"
        )
    return "\n".join([*lines, *([figures["profile"]] if figures["profile"] else []), ""])


def in_own_process(folder: Path, *, profile: bool) -> dict[str, Any]:
    """`measure` in a fresh interpreter."""
    command = [sys.executable, __file__, "--pair", str(folder), *(["--profile"] * profile)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    figures: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return figures


def main() -> None:
    """Print the figures of each size."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", type=float, nargs="+", default=SIZES_MP, metavar="MP")
    parser.add_argument("--profile", action="store_true", help="list the slowest functions")
    parser.add_argument("--repeat", type=int, default=1, metavar="N", help="the fastest of N runs")
    parser.add_argument("--pair", type=Path, help=argparse.SUPPRESS)  # the process of one size
    args = parser.parse_args()
    if args.pair:
        print(json.dumps(measure(args.pair, profile=args.profile)))
        return
    for megapixels in args.sizes:
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch)
            write_pair(folder, megapixels)
            runs = [in_own_process(folder, profile=args.profile) for _ in range(args.repeat)]
            print(report(megapixels, min(runs, key=lambda run: run["whole"])), flush=True)


if __name__ == "__main__":
    main()
