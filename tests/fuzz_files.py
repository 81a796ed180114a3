#!/usr/bin/env python3
"""Damage photos and drawings in thousands of ways and run `leakcheck check` on each.

    python tests/fuzz_files.py [--cases 10000] [--seed 1] [--keep DIR]

A case passes where the command ends within 20 s and 2 GB with exit code 0 or 1 (what was changed
did not matter) or 2 or 3 and one sentence on stderr; a traceback, exit code 4, a crash or a hang
fails. Cases are numbered and depend on seed and number alone: `--first N --cases 1` repeats one.
Exit status is 1 where any case failed; `--keep` writes down the files of those.
"""

from __future__ import annotations

import argparse
import contextlib
import faulthandler
import io
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import photo_files
from PIL import Image
from samples import OPENINGS, SAMPLES

from leakcheck.cli import main as leakcheck_main

SIZE = (320, 240)  # enough to register the ferry, and a check takes a fraction of a second
MOST_SECONDS = 20
MOST_BYTES = 2 * 2**30
BATCH = 100  # cases for one process: what one of them leaves behind does not count for all
INTERESTING = (0, 1, 0x7F, 0x80, 0xFF)
WORDS = (
    b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\0\0\0\0", b"\x80\0\0\0", b"NaN", b"1e999", b"-1",
    b"<g>", b"</svg>", b"&a;", b"<!DOCTYPE x>", b"url(#a)", b'transform="scale(0)"', b"\xff\xd8",
    b"\xff\xd9", b"\xff\xc0", b"IDAT", b"IEND", b"M0 0A1 1 0 1 1 9 9z", b"%", b'"', b"\xc3", b"\0",
)  # fmt: skip


def damaged(data: bytes, others: list[bytes], rng: np.random.Generator) -> bytes:
    """One to six changes: bits, bytes, words, cuts, repeats, pieces of another file."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 7))):
        if not out:
            break
        # Headers hold what decides; half of all changes go to the first tenth.
        reach = len(out) if rng.random() < 0.5 else max(len(out) // 10, 1)
        at = int(rng.integers(reach))
        length = int(min(rng.integers(1, 65), len(out) - at))
        kind = int(rng.integers(8))
        if kind == 0:
            out[at] ^= 1 << int(rng.integers(8))
        elif kind == 1:
            out[at] = int(rng.choice(INTERESTING))
        elif kind == 2:
            out[at : at + length] = rng.bytes(length)
        elif kind == 3:
            del out[at : at + length]
        elif kind == 4:
            out[at:at] = out[at : at + length] * int(rng.integers(1, 5))
        elif kind == 5:
            word = WORDS[int(rng.integers(len(WORDS)))]
            out[at : at + len(word) * int(rng.integers(2))] = word
        elif kind == 6 and rng.random() < 0.4:
            del out[int(rng.integers(len(out))) :]
        else:
            other = others[int(rng.integers(len(others)))]
            start = int(rng.integers(len(other)))
            out[at : at + length] = other[start : start + length]
    return bytes(out)


def originals() -> tuple[dict[str, bytes], dict[str, bytes]]:
    """Whole photos by ending, and whole drawings by name."""
    with Image.open(SAMPLES / "port-coat-1-on.jpg") as photo:
        small = photo.convert("RGB").resize(SIZE)
    pixels = np.asarray(small)
    wide = pixels.astype(np.uint16) * 257
    exif = photo_files.exif_bytes({33434: 0.05, 34855: 200, 33437: 1.8}, Orientation=6)
    profile = photo_files.matrix_profile(photo_files.P3, photo_files.SRGB_FORMULA)
    photos = {
        "jpg": photo_files.file_of(small, "jpeg", quality=85, exif=exif, icc_profile=profile),
        "jpeg": photo_files.file_of(small, "jpeg", quality=70, progressive=True),
        "png": photo_files.file_of(small, "png"),
        "16.png": photo_files.png(wide),
        "tif": photo_files.lzw_tiff(pixels),
        "16.tiff": photo_files.tiff(wide, compression="zlib"),
        "webp": photo_files.file_of(small, "webp", lossless=False, quality=80),
        "heic": photo_files.file_of(small, "heif", quality=60, chroma=420),
        "dng": photo_files.dng(cv2.resize(wide[..., 1], (128, 96)) // 16),
    }
    drawings = {name: (SAMPLES / name).read_bytes() for name in OPENINGS.values()}
    drawings["all.svg"] = _every_shape().encode()
    mask = np.zeros((SIZE[1], SIZE[0], 4), np.uint8)
    mask[90:110, 100:140] = 255
    drawings["mask.png"] = photo_files.png(mask)
    return photos, drawings


def _every_shape() -> str:
    """A drawing that uses everything the reader knows."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {SIZE[0]} {SIZE[1]}"><style>.a{{fill:#fff;display:inline}}</style>'
        '<g id="windows" class="window" transform="rotate(3 50 50) translate(1,2)">'
        '<rect id="r" x="10" y="20" width="30" height="20" rx="3"/>'
        '<path d="M100 100c5 5 10-5 20 0s5 9 9 9a4 5 30 1 0 9 9q1 2 3 4t5 5H150V90z"/></g>'
        '<use xlink:href="#r" x="60"/><symbol id="s"><circle r="5" cx="9" cy="9"/></symbol>'
        '<use href="#s" class="beacon red"/><ellipse class="window" rx="9" ry="5" cx="200"/>'
        '<line class="window" x1="9" y1="9" x2="50" y2="20" stroke="#000" stroke-width="3"/>'
        '<polyline class="ignore" points="1,1 9,9 3,12"/>'
        '<polygon class="model" points="5,5 315,5 315,235 5,235"/></svg>'
    )


@contextlib.contextmanager
def stderr_of_all() -> Iterator[io.BytesIO]:
    """What anything in this process, C libraries too, writes to stderr; stdout goes nowhere."""
    said = io.BytesIO()
    with tempfile.TemporaryFile() as file, Path(os.devnull).open("w") as nowhere:
        sys.stderr.flush()
        sys.stdout.flush()
        kept = os.dup(1), os.dup(2)
        os.dup2(nowhere.fileno(), 1)
        os.dup2(file.fileno(), 2)
        try:
            yield said
        finally:
            sys.stderr.flush()
            sys.stdout.flush()
            for fd, was in zip((1, 2), kept, strict=True):
                os.dup2(was, fd)
                os.close(was)
            file.seek(0)
            said.write(file.read())


def peak_bytes() -> int:
    """The most memory this process has held, and 0 where the system does not say."""
    status = Path("/proc/self/status")
    if not status.exists():
        return 0
    line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM:"))
    return int(line.split()[1]) * 1024


def write_case(number: int, seed: int, folder: Path, photos: dict, drawings: dict) -> list[str]:
    """The files of one case in a folder, and the command line."""
    rng = np.random.default_rng((seed, number))
    pool = [*photos.values(), *drawings.values()]
    off, on = folder / "off.png", folder / "on.png"
    command = ["check", str(off), str(on)]
    if number % 2:
        name = list(photos)[int(rng.integers(len(photos)))]
        broken = folder / f"damaged.{name}"
        broken.write_bytes(damaged(photos[name], pool, rng))
        command[1 + int(rng.integers(2))] = str(broken)
    else:
        name = list(drawings)[int(rng.integers(len(drawings)))]
        broken = folder / f"damaged-{name}"
        broken.write_bytes(damaged(drawings[name], pool, rng))
        command += ["--openings", str(broken)]
    return command


def run_case(command: list[str]) -> tuple[int, str]:
    """Exit code, and what is wrong with how it ended; empty where nothing is."""
    start = time.monotonic()
    faulthandler.dump_traceback_later(MOST_SECONDS, exit=True, file=sys.__stderr__)
    try:
        with stderr_of_all() as said:
            code = leakcheck_main(command)
    finally:
        faulthandler.cancel_dump_traceback_later()
    text = said.getvalue().decode("utf-8", "replace")
    lines = [line for line in text.splitlines() if not line.startswith("Warning: ")]
    if code not in (0, 1, 2, 3):
        return code, f"exit code {code}: {text.strip()}"
    if code in (2, 3) and (len(lines) != 1 or not lines[0].startswith("leakcheck: ")):
        return code, f"not one sentence: {text!r}"
    if code in (0, 1) and lines:
        return code, f"something on stderr: {text!r}"
    if peak_bytes() > MOST_BYTES:
        return code, f"{peak_bytes() / 2**30:.1f} GB of memory"
    if time.monotonic() - start > MOST_SECONDS:
        return code, f"{time.monotonic() - start:.0f} s"
    return code, ""


def run_batch(first: int, cases: int, seed: int, keep: Path | None) -> None:
    """Run cases in this process; a line of JSON for each, before and after it."""
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    photos, drawings = originals()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for name in ("off", "on"):
            with Image.open(SAMPLES / f"port-coat-1-{name}.jpg") as photo:
                photo.resize(SIZE).save(folder / f"{name}.png")
        for number in range(first, first + cases):
            command = write_case(number, seed, folder, photos, drawings)
            if keep:
                for path in folder.glob("damaged*"):
                    (keep / f"{number}-{path.name}").write_bytes(path.read_bytes())
            print(json.dumps({"begun": number}), flush=True)
            code, wrong = run_case(command)
            print(json.dumps({"number": number, "code": code, "wrong": wrong}), flush=True)
            for path in folder.glob("damaged*"):
                path.unlink()
                if keep and not wrong:
                    (keep / f"{number}-{path.name}").unlink()


def run_apart(first: int, cases: int, seed: int, keep: Path | None) -> list[dict]:
    """Cases in processes of their own; a process that dies is one failed case."""
    results: list[dict] = []
    while cases > 0:
        command = [sys.executable, __file__, "--batch", "--first", str(first)]
        command += ["--cases", str(cases), "--seed", str(seed)]
        command += ["--keep", str(keep)] if keep else []
        done = subprocess.run(command, check=False, capture_output=True, text=True)
        lines = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
        ended = [line for line in lines if "number" in line]
        results += ended
        if len(ended) == cases:
            break
        last = [line["begun"] for line in lines if "begun" in line]
        number = last[-1] if last else first
        why = f"the process died with {done.returncode}: {done.stderr.strip()[-1500:]}"
        results.append({"number": number, "code": done.returncode, "wrong": why})
        cases -= number + 1 - first
        first = number + 1
    return results


def main() -> int:
    """Run all cases and print what came of them."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the files of failed cases")
    parser.add_argument("--batch", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.keep:
        args.keep.mkdir(parents=True, exist_ok=True)
    if args.batch:
        run_batch(args.first, args.cases, args.seed, args.keep)
        return 0
    codes: Counter[int] = Counter()
    failed = 0
    for first in range(args.first, args.first + args.cases, BATCH):
        cases = min(BATCH, args.first + args.cases - first)
        for result in run_apart(first, cases, args.seed, args.keep):
            codes[result["code"]] += 1
            if result["wrong"]:
                failed += 1
                print(f"case {result['number']}: {result['wrong']}", flush=True)
        print(f"{first + cases} cases, {failed} failed", file=sys.stderr, flush=True)
    told = ", ".join(f"{count} with exit code {code}" for code, count in sorted(codes.items()))
    print(f"{codes.total()} cases: {told}; {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
