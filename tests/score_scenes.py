#!/usr/bin/env python3
"""Score leakcheck on photo pairs whose leaks are known: the project's own measure of itself.

    python tests/score_scenes.py [--quick] [--set DIR] [--only NAME ...] [--json FILE]

Without --set it draws its own pairs with tests/scene.py: rooms from bright to near dark, tripod
to hand-held, locked and automatic exposure, leaks of every kind and none.

--set takes a folder that holds, at any depth, one folder per pair with
    off.jpg on.jpg      the photos (or .png)
    openings.svg        where light may leave
    truth.json          ambient_ratio, camera_class, gain (or exposure.ratio_on_over_off and
                        white_balance), leaks: id, kind, snr, contrast, visible_area_px, centroid_px
    leaks.png           16-bit label map: id of the leak whose area it is
    flow.npz            on, off: matching points x, y on the model; visible (may be missing)
Positions are pixels of the lights-on photo, an integer is the centre of a pixel.

Exit status is 0: this measures, tests judge.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from scene import Scene, ferry_scene, render, save_pair
from scoring import KINDS, Row, missed_all, percentile, read_truth, score_pair, summarise

from leakcheck import LeakcheckError, Settings, check, read_openings, read_photo

# Fixed for good: figures of one version are compared with those of the next.
BUILT_IN: dict[str, Callable[[], Scene]] = {
    "bright-tripod": lambda: ferry_scene(101, ambient=0.5),
    "bright-nudge-auto": lambda: ferry_scene(102, ambient=0.5, camera="nudge", exposure_ratio=0.6),
    "room-tripod-tight": lambda: ferry_scene(103, ambient=2, leaks="none", exposure_ratio=0.5),
    "room-nudge": lambda: ferry_scene(104, ambient=2, camera="nudge"),
    "room-handheld": lambda: ferry_scene(105, ambient=2, camera="handheld", exposure_ratio=0.7),
    "dim-tripod": lambda: ferry_scene(106, ambient=8),
    "dim-nudge-tight": lambda: ferry_scene(107, ambient=8, camera="nudge", leaks="none"),
    "dim-handheld-auto": lambda: ferry_scene(
        108, ambient=8, camera="handheld", exposure_ratio=0.4, quality=85
    ),
    "dusk-tripod-auto": lambda: ferry_scene(109, ambient=30, exposure_ratio=0.4),
    "dusk-nudge-faint": lambda: ferry_scene(
        110, ambient=30, camera="nudge", contrast=(0.06, 0.3), quality=85
    ),
    "dark-tripod": lambda: ferry_scene(111, ambient=200),
    "dark-nudge": lambda: ferry_scene(112, ambient=200, camera="nudge", exposure_ratio=0.5),
    "dark-handheld-tight": lambda: ferry_scene(113, ambient=120, camera="handheld", leaks="none"),
}
QUICK = ("bright-tripod", "room-nudge", "dim-nudge-tight", "dim-handheld-auto", "dark-tripod")


def photo_path(folder: Path, name: str) -> Path:
    """The JPEG of a pair, or its PNG where there is no JPEG."""
    jpeg = folder / f"{name}.jpg"
    return jpeg if jpeg.exists() else folder / f"{name}.png"


def score_folder(folder: Path, *, name: str, settings: Settings | None = None) -> Row:
    """Check one pair in this process and score it. Time counts from files to result."""
    truth = read_truth(folder, name=name)
    start = time.perf_counter()
    try:
        off, on = (read_photo(photo_path(folder, part)) for part in ("off", "on"))
        rows, cols = on.encoded.shape[:2]
        openings = read_openings(folder / "openings.svg", size=(cols, rows))
        result = check(off, on, openings, settings=settings or Settings())
    except LeakcheckError as fault:
        return missed_all(truth, why=str(fault), seconds=time.perf_counter() - start)
    return score_pair(
        truth,
        result.leaks,
        mapped=result.registration.on_to_off(truth.flow_on),
        gain=result.exposure.gain,
        seconds=time.perf_counter() - start,
    )


def score_set(root: Path, *, only: Sequence[str] = ()) -> Iterator[Row]:
    """Rows of all pairs below a folder, in the order of their names."""
    for truth in sorted(root.rglob("truth.json")):
        name = truth.parent.relative_to(root).as_posix()
        if (truth.parent / "leaks.png").exists() and (not only or name in only):
            yield score_folder(truth.parent, name=name)


def score_built_in(names: Sequence[str] = tuple(BUILT_IN)) -> Iterator[Row]:
    """Rows of the project's own scenes, drawn, written, read and checked one by one."""
    with tempfile.TemporaryDirectory() as scratch:
        for name in names:
            folder = Path(scratch) / name
            save_pair(render(BUILT_IN[name]()), folder)
            yield score_folder(folder, name=name)


def row_text(row: Row) -> str:
    """One line of the table."""
    start = f"{row.name:20.20s} {row.ambient:5g} {row.camera:8s}"
    if row.refused is not None:
        return f"{start} refused: {row.refused}"
    shift = percentile(row.registration_px, 95)
    kinds = Counter(row.missed_kinds)
    missed = ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()) or "-"
    return (
        f"{start} {row.found:2d}/{row.counted:<2d} {row.false:5d} {row.reported:4d} "
        f"{number(shift, '6.2f')} {number(row.gain_error, '6.1%')} {row.seconds:5.1f}  {missed}"
    )


HEADER = "pair                 amb.  camera   found false rep.  reg px  gain     s  missed"


def number(value: float | None, form: str) -> str:
    """A figure, or a dash of the same width."""
    width = int(form.split(".")[0])
    return f"{value:{form}}" if value is not None else f"{'-':>{width}s}"


def confusion_text(confusion: dict[str, int]) -> str:
    """Rows: true kind. Columns: reported kind, or missed."""
    columns = (*KINDS, "missed")
    lines = ["true \\ reported".ljust(16) + "".join(c.rjust(14) for c in columns)]
    for true in KINDS:
        cells = [confusion.get(f"{true} > {c}", 0) for c in columns]
        lines.append(true.ljust(16) + "".join(f"{n or '.'}".rjust(14) for n in cells))
    return "\n".join(lines)


def summary_text(total: dict[str, Any]) -> str:
    """The figures that the goals are stated in."""
    worst = total["registration_px_p95_worst_pair"]
    lines = [
        f"recall               {number(total['recall'], '8.3f')}   "
        f"{total['found']}/{total['counted']}",
        f"false per pair       {number(total['false_per_pair'], '8.3f')}   "
        f"in {total['pairs_with_false']} of {total['pairs'] - total['refused']} pairs",
        f"reported per leak    {number(total['reported_per_leak'], '8.2f')}",
        f"place p90, px        {number(total['place_px_p90'], '8.2f')}   "
        f"median {number(total['place_px_median'], '4.2f').strip()}",
        f"glow |log2|, median  {number(total['glow_abs_log2_median'], '8.3f')}   "
        f"median ratio {number(total['glow_ratio_median'], '4.2f').strip()}",
        *(
            f"reg. p95 {camera:10s}  {number(value, '8.3f')}   "
            f"worst pair {number(worst[camera], '4.2f').strip()}"
            for camera, value in total["registration_px_p95"].items()
        ),
        f"kinds right          {number(total['kinds_right'], '8.3f')}",
        f"gain error, median   {number(total['gain_error_median'], '8.2%')}   "
        f"worst {number(total['gain_error_worst'], '4.1%').strip()}",
        f"refused              {total['refused']:8d}",
        f"seconds, median      {number(total['seconds_median'], '8.2f')}",
    ]
    return "\n".join(lines)


def main() -> None:
    """Print the table; write all rows where asked to."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--set", type=Path, help="folder of pairs; own scenes without it")
    parser.add_argument("--quick", action="store_true", help="a few of the own scenes")
    parser.add_argument("--only", nargs="*", default=(), metavar="NAME", help="these pairs alone")
    parser.add_argument("--json", type=Path, help="write rows and summary to this file")
    args = parser.parse_args()
    if args.set:
        source = score_set(args.set, only=args.only)
    else:
        source = score_built_in(args.only or (QUICK if args.quick else tuple(BUILT_IN)))
    print(HEADER)
    rows = []
    for row in source:
        rows.append(row)
        print(row_text(row), flush=True)
    total = summarise(rows)
    print(f"\n{summary_text(total)}\n\n{confusion_text(total['confusion'])}")
    if args.json:
        written = {"total": total, "rows": [asdict(row) for row in rows]}
        args.json.write_text(json.dumps(written, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
