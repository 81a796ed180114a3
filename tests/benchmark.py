#!/usr/bin/env python3
"""Time and memory of a check against photo size, beside general recipes; to read, no test.

    python tests/benchmark.py [--sizes 3 12 24 48] [--repeat N] [--profile] [--no-recipes]

A drawn pair of the ferry, held by hand between two supports, is enlarged to each size in
megapixels, gets fresh noise and is written as JPEG of quality 95, so that a file is as large as a
phone's. Everything is then measured in a process of its own:

decoding   OpenCV reads both files, in the check's process once it is done and its memory is
           taken already; what everything else is compared with
afresh     the same by a program that does nothing else: as the check does it, for the first time
steps      the functions that `leakcheck.check` calls, one after the other
whole      both photos and the openings read, and the check; libraries are loaded already, and
           memory is taken and kept as the command does it (`leakcheck.heap`)
command    `leakcheck check` from start to end, loading Python and libraries included
peak       the most memory the process held, less what it held when its libraries were loaded
recipes    tests/recipes.py on the same pair, with the same openings and outline

Seconds are of the clock; in brackets those of all cores together, which other programs that run at
the same time disturb less. Found and false are counted as tests/score_scenes.py does.

The goals at 12 megapixels: the whole check in at most 15 times what decoding takes, and less than
60 bytes for each pixel of a photo; at 48 less than 3 GB.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import os
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

from leakcheck.heap import take_small_pages

SIZES_MP = (3, 12, 24, 48)
SCENE_SIZE = (2000, 1500)  # px: three megapixels, enlarged from there
SCENE_SEED = 42
NOISE_CODES = 3.0  # standard deviation, 8-bit code values, of what is added to the enlarged photo
QUALITY = 95
LEAST_SHARE = 0.01  # of the whole; shorter steps are not listed
MOST_FUNCTIONS = 25
DECODED = 3  # times that decoding is repeated; the fastest counts, as it does for the check


def draw_scene(folder: Path) -> None:
    """The pair that all sizes are made of, with what is true of it."""
    from scene import ferry_scene, render, save_pair

    save_pair(render(ferry_scene(SCENE_SEED, camera="nudge", size=SCENE_SIZE)), folder)


def enlarged(photo: np.ndarray, size: tuple[int, int], seed: int) -> np.ndarray:
    """A photo at this size, with fresh noise."""
    large = cv2.resize(photo, size, interpolation=cv2.INTER_CUBIC)
    grain = np.random.default_rng(seed).normal(0, NOISE_CODES, (1024, 1024, 3)).astype(np.float32)
    for top in range(0, size[1], 1024):
        for left in range(0, size[0], 1024):
            part = large[top : top + 1024, left : left + 1024]
            noisy = part + grain[: part.shape[0], : part.shape[1]]
            part[:] = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return large


def cols_rows(megapixels: float) -> tuple[int, int]:
    """The size with about so many pixels and exactly the scene's shape, as the openings have it.

    Sides are whole multiples of 16 pixels, as cameras have them.
    """
    cols, rows = SCENE_SIZE
    unit = 16 * np.array([cols, rows]) // np.gcd(cols, rows)
    wide, high = unit * max(round(float(np.sqrt(megapixels * 1e6 / unit.prod()))), 1)
    return int(wide), int(high)


def write_pair(scene: Path, folder: Path, megapixels: float) -> None:
    """off.jpg, on.jpg and openings.svg of this size."""
    size = cols_rows(megapixels)
    for seed, name in enumerate(("off", "on")):
        photo = enlarged(cv2.imread(str(scene / f"{name}.jpg")), size, seed)
        cv2.imwrite(str(folder / f"{name}.jpg"), photo, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    svg = (scene / "openings.svg").read_text(encoding="utf-8")
    root = re.search(r"<svg[^>]*>", svg)
    assert root, "an SVG file has a root"
    sized = re.sub(r'\bwidth="[^"]*"', f'width="{size[0]}"', root[0])
    sized = re.sub(r'\bheight="[^"]*"', f'height="{size[1]}"', sized)
    (folder / "openings.svg").write_text(svg.replace(root[0], sized), encoding="utf-8")


class Clock:
    """Seconds of the clock and of all cores together since it was made."""

    def __init__(self) -> None:
        self._start = time.perf_counter(), time.process_time()

    def seconds(self) -> tuple[float, float]:
        """Of the clock, of all cores."""
        return time.perf_counter() - self._start[0], time.process_time() - self._start[1]


class Steps:
    """Wraps the functions that a check calls, and adds up the time of each."""

    def __init__(self) -> None:
        self.seconds: dict[str, tuple[float, float]] = {}
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
            clock = Clock()
            try:
                return function(*args, **kwargs)
            finally:
                self._inside = False
                spent, before = clock.seconds(), self.seconds.get(name, (0.0, 0.0))
                self.seconds[name] = (before[0] + spent[0], before[1] + spent[1])

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
    from leakcheck.heap import keep_freed_memory
    from leakcheck.photo import read_pair

    keep_freed_memory()
    core = sys.modules["leakcheck.check"] if leakcheck.check else None
    real_check = leakcheck.check
    files = [folder / "off.jpg", folder / "on.jpg"]
    before = peak_bytes()
    steps = Steps()
    steps.watch(core)
    profiler = cProfile.Profile()
    clock = Clock()
    off, on = read_pair(*files)
    shapes = leakcheck.read_openings(folder / "openings.svg", size=on.encoded.shape[1::-1])
    reading = clock.seconds()
    if profile:
        profiler.enable()
    result = real_check(off, on, shapes)
    profiler.disable()
    whole, peak = clock.seconds(), peak_bytes()
    decoding = []
    for _ in range(DECODED):
        clock = Clock()
        for path in files:
            cv2.imread(str(path))
        decoding.append(clock.seconds())
    return {
        "pixels": on.encoded.shape[0] * on.encoded.shape[1],
        "bytes": sum(path.stat().st_size for path in files),
        "decoding": [min(part) for part in zip(*decoding, strict=True)],
        "whole": whole,
        "steps": {"read": reading, **steps.seconds},
        "peak": peak,
        "before": before,
        "outlines": [leak.outline.tolist() for leak in result.leaks],
        "profile": _profile_text(profiler) if profile else "",
    }


def measure_decoding(folder: Path) -> dict[str, Any]:
    """Decoding both photos of a folder for the first time; run in a process of its own."""
    clock = Clock()
    photos = [cv2.imread(str(folder / name)) for name in ("off.jpg", "on.jpg")]
    return {"whole": clock.seconds(), "pixels": photos[0].shape[0] * photos[0].shape[1]}


def measure_recipe(folder: Path, name: str) -> dict[str, Any]:
    """One recipe on the pair in a folder; run in a process of its own."""
    from recipes import RECIPES, looked_at

    from leakcheck.openings import read_openings

    size = cv2.imread(str(folder / "on.jpg"), cv2.IMREAD_GRAYSCALE).shape[::-1]
    where = looked_at(read_openings(folder / "openings.svg", size=size), size)
    before, clock = peak_bytes(), Clock()
    labels = RECIPES[name](folder / "off.jpg", folder / "on.jpg", where)
    figures = {"whole": clock.seconds(), "peak": peak_bytes(), "before": before}
    np.save(folder / "labels.npy", labels)
    return figures


def found_and_false(scene: Path, spots: list[np.ndarray]) -> tuple[int, int, int]:
    """Leaks that can be asked for, how many of them were found, and false spots.

    Args:
        spots: flat indices into the scene's lights-on photo, of each reported spot.
    """
    from scoring import leak_pixels, match, read_truth

    truth = read_truth(scene)
    true = {leak.id: leak_pixels(truth.labels, leak.id) for leak in truth.leaks}
    standing, false = match(true, spots)
    counted = [leak.id for leak in truth.leaks if leak.counted]
    return len(counted), sum(bool(standing[i]) for i in counted), len(false)


def spots_of_outlines(outlines: list[Any], factor: float) -> list[np.ndarray]:
    """Pixels of the scene inside outlines given in a photo `factor` times as large."""
    from scoring import outline_pixels

    shape = (SCENE_SIZE[1], SCENE_SIZE[0])
    return [outline_pixels((np.array(o) + 0.5) / factor - 0.5, shape) for o in outlines]


def spots_of_labels(labels: np.ndarray, factor: float) -> list[np.ndarray]:
    """The same of a map of labels."""
    rows, cols = np.nonzero(labels)
    names = labels[rows, cols]
    at = (rows / factor).astype(int) * SCENE_SIZE[0] + (cols / factor).astype(int)
    order = np.argsort(names, kind="stable")
    cuts = np.flatnonzero(np.diff(names[order])) + 1
    return [np.unique(part) for part in np.split(at[order], cuts) if len(part)]


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


def seconds(spent: list[float]) -> str:
    """Seconds of the clock, and of all cores in brackets."""
    return f"{spent[0]:7.2f} s ({spent[1]:6.2f})"


def times(spent: list[float], decoding: list[float]) -> str:
    """The same as multiples of decoding."""
    return f"{spent[0] / decoding[0]:6.1f} x ({spent[1] / decoding[1]:6.1f}) decoding"


def memory(figures: dict[str, Any], pixels: int) -> str:
    """Peak of memory besides the libraries; nothing where the system does not say."""
    if figures["peak"] is None:
        return ""
    peak, before = figures["peak"], figures["before"]
    each = (peak - before) / pixels
    return f"{(peak - before) / 2**20:6.0f} MiB {each:4.0f} bytes a pixel, {before / 2**20:.0f} MiB"


def report(scene: Path, figures: dict[str, Any]) -> str:
    """The figures of one size as text."""
    pixels, whole, decoding = (figures[key] for key in ("pixels", "whole", "decoding"))
    factor = float(np.sqrt(pixels / (SCENE_SIZE[0] * SCENE_SIZE[1])))
    lines = [
        f"{pixels / 1e6:.1f} megapixels, {figures['bytes'] / 2e6:.1f} MB each",
        f"  decoding           {seconds(decoding)}",
        f"  decoding afresh    {seconds(figures['afresh'])}",
        f"  the whole check    {seconds(whole)} {times(whole, decoding)}",
        f"{'':38s}{times(whole, figures['afresh'])} afresh",
    ]
    slow = {k: s for k, s in figures["steps"].items() if s[0] > LEAST_SHARE * whole[0]}
    lines += [
        f"    {name.lstrip('_'):16s} {seconds(spent)}"
        for name, spent in sorted(slow.items(), key=lambda item: -item[1][0])
    ]
    for name, spent in figures.get("commands", {}).items():
        lines.append(f"  {name:18s} {seconds(spent)} {times(spent, decoding)}")
    lines += [
        f"  peak of memory     {memory(figures, pixels)} of libraries",
        "  side by side       seconds (all cores)                        found  false  memory",
    ]
    rows = {"leakcheck": (figures, spots_of_outlines(figures["outlines"], factor))}
    for name, recipe in figures.get("recipes", {}).items():
        rows[name] = (recipe, spots_of_labels(recipe["labels"], factor))
    for name, (run, spots) in rows.items():
        counted, found, false = found_and_false(scene, spots)
        mib = "" if run["peak"] is None else f"{(run['peak'] - run['before']) / 2**20:.0f} MiB"
        lines.append(
            f"    {name:22s} {seconds(run['whole'])} {times(run['whole'], decoding):28s}"
            f" {found}/{counted} {false:6d}  {mib}"
        )
    return "\n".join([*lines, *([figures["profile"]] if figures["profile"] else []), ""])


def in_own_process(folder: Path, *options: str) -> dict[str, Any]:
    """This script's measurement in a fresh interpreter."""
    command = [sys.executable, __file__, "--pair", str(folder), *options]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    figures: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return figures


def command_seconds(folder: Path, *options: str) -> list[float]:
    """Seconds of `leakcheck check` from start to end."""
    command = [sys.executable, "-m", "leakcheck", "check", "off.jpg", "on.jpg"]
    before, start = os.times(), time.perf_counter()
    done = subprocess.run(
        [*command, "--openings", "openings.svg", *options], cwd=folder, capture_output=True
    )
    assert done.returncode in (0, 1), done.stderr.decode()
    spent, after = time.perf_counter() - start, os.times()
    return [spent, after[2] + after[3] - before[2] - before[3]]


def all_of(folder: Path, args: argparse.Namespace) -> dict[str, Any]:
    """Everything that is measured of one pair."""
    options = ["--profile"] * args.profile
    runs = [in_own_process(folder, *options) for _ in range(args.repeat)]
    figures = min(runs, key=lambda run: run["whole"][0])
    afresh = [in_own_process(folder, "--decoding") for _ in range(max(args.repeat, DECODED))]
    figures["afresh"] = min((run["whole"] for run in afresh), key=lambda spent: spent[0])
    figures["commands"] = {
        "command": command_seconds(folder),
        "command --out": command_seconds(folder, "--out", "out"),
    }
    if not args.no_recipes:
        from recipes import RECIPES

        figures["recipes"] = {}
        for name in RECIPES:
            recipe = in_own_process(folder, "--recipe", name)
            figures["recipes"][name] = recipe | {"labels": np.load(folder / "labels.npy")}
    return figures


def main() -> None:
    """Print the figures of each size."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", type=float, nargs="+", default=SIZES_MP, metavar="MP")
    parser.add_argument("--repeat", type=int, default=1, metavar="N", help="the fastest of N runs")
    parser.add_argument("--profile", action="store_true", help="list the slowest functions")
    parser.add_argument("--no-recipes", action="store_true", help="leakcheck alone")
    parser.add_argument("--pair", type=Path, help=argparse.SUPPRESS)  # a process of its own
    parser.add_argument("--recipe", help=argparse.SUPPRESS)
    parser.add_argument("--decoding", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.pair:
        if args.recipe:
            one = measure_recipe(args.pair, args.recipe)
        elif args.decoding:
            one = measure_decoding(args.pair)
        else:
            one = measure(args.pair, profile=args.profile)
        print(json.dumps(one))
        return
    take_small_pages()  # for the processes to come
    with tempfile.TemporaryDirectory() as scratch:
        scene = Path(scratch) / "scene"
        draw_scene(scene)
        for megapixels in args.sizes:
            folder = Path(scratch) / f"{megapixels:g}"
            folder.mkdir()
            write_pair(scene, folder, megapixels)
            print(report(scene, all_of(folder, args)), flush=True)


if __name__ == "__main__":
    main()
