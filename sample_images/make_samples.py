"""Make the sample photos again: render the harbour ferry "Heron", photograph her, write the truth.

Needs the extra `samples` (Mitsuba 3, Open Image Denoise; Linux). About 20 minutes of a processor;
parts that lie in the cache folder already are taken from there, so that a run can be broken off and
taken up again.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from heron.houses import SALOON  # noqa: E402
from heron.phone import Shot, developed, file_of  # noqa: E402
from heron.renders import Renders, rendered  # noqa: E402
from heron.scene import Studio  # noqa: E402
from heron.strip import strip_drawing, strip_light  # noqa: E402
from heron.truth import (  # noqa: E402
    drawing,
    leaks_in_view,
    luminance,
    marks,
    model_outline,
    openings_in_view,
    paint_truth,
    window_light,
)
from heron.views import WINDOW_LIGHT, WINDOW_OVER_WALL, View, views  # noqa: E402

LENGTH_MM = 332
OFF_TIME_S, ISO = 1 / 17, 250
FIRST_EVENING = datetime(2025, 3, 1, 19, 40)


def wall_light(view: View, renders: Renders) -> float:
    """Brightness of the cream walls by room light: the saloon between its windows."""
    x = -29.4 + 17.2 * np.arange(7)
    if view.name.startswith("stern"):
        places = np.array([(SALOON.x1, y, 76.0) for y in (-18.0, 22.0, 30.0)])
    else:
        side = -SALOON.half if view.name.startswith("port") else SALOON.half
        places = np.column_stack([x, np.full(7, side), np.full(7, 69.0)])
    px = np.round(view.on.px(places)).astype(int)
    bright = luminance(renders.room_on)
    return float(np.median([bright[y, x] for x, y in px]))


def make_pair(view: View, number: int, studio: Studio, cache: Path, out: Path) -> dict[str, Any]:
    """One pair's photos, and what is true of them."""
    renders = rendered(view, number + 1, cache, studio)
    strength = WINDOW_OVER_WALL * wall_light(view, renders) / window_light()
    exposure = WINDOW_LIGHT / strength  # a median window's red arrives at this share of white
    lamps = renders.spill + renders.panes + renders.leaks
    on = (renders.room_on + strength * lamps) * exposure
    off = renders.room_off * (exposure / view.on_over_off)
    taken = FIRST_EVENING + timedelta(days=2 * view.stage, minutes=4 * (number // 3))
    names = {}
    for part, light, balance in (("off", off, view.balance_off), ("on", on, view.balance_on)):
        lit = part == "on"
        time_s = round(OFF_TIME_S * (view.on_over_off if lit else 1), 6)
        shot = Shot(time_s, ISO, taken + timedelta(seconds=40 * lit), view.orientation, view.suffix)
        names[part] = f"{view.name}-{part}.{view.suffix}"
        pixels = developed(light, balance, 1000 + 2 * number + lit)
        (out / names[part]).write_bytes(file_of(pixels, shot))
    openings = openings_in_view(studio, view, renders.panes)
    outline = model_outline(studio, view.on)
    if view.stage == 0:
        svg = drawing(openings, outline, names["on"], view.on.size)
        (out / f"{view.name.split('-')[0]}.svg").write_text(svg, encoding="utf-8")
    gain = np.multiply(view.balance_on, view.on_over_off) / view.balance_off
    return {
        "photos": names,
        "size": list(view.on.size),
        "stage": view.name.split("-", 1)[1],
        "gain_on_over_off": [round(float(g), 4) for g in gain],
        "window_over_wall": WINDOW_OVER_WALL,
        "leaks": leaks_in_view(studio, view, renders, strength),
        "openings": [
            {
                **{k: v for k, v in one.items() if k != "ring"},
                "outline": np.round(one["ring"], 1).tolist(),
            }
            for one in openings
        ],
        "model_outline": outline.tolist(),
        "marks": marks(view, studio),
    }


def make_strip(out: Path) -> None:
    """The strip of plastic for `leakcheck coats`."""
    shot = Shot(OFF_TIME_S, ISO, FIRST_EVENING - timedelta(hours=1))
    pixels = developed(strip_light(5), (1.0, 1.0, 1.0), 999)
    (out / "strip.jpg").write_bytes(file_of(pixels, shot))
    (out / "strip.svg").write_text(strip_drawing(), encoding="utf-8")


def main() -> None:
    """All pairs, or those that are named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pairs", nargs="*", help="such as port-coat-1; all where none is named")
    parser.add_argument("--out", type=Path, default=HERE)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "heron-renders")
    parser.add_argument("--scale", type=float, default=1.0, help="of the photos, for a quick look")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    make_strip(args.out)
    studio = Studio()
    truth_path = args.out / "truth.json"
    pairs = json.loads(truth_path.read_text("utf-8"))["pairs"] if truth_path.exists() else {}
    about = {"subject": 'harbour ferry "Heron", 1:72, rendered', "length_mm": LENGTH_MM}
    numbered = list(enumerate(views(args.scale)))
    for number, view in sorted(numbered, key=lambda one: max(one[1].on.size)):  # the big pair last
        if args.pairs and view.name not in args.pairs:
            continue
        print(view.name, flush=True)
        pairs[view.name] = make_pair(view, number, studio, args.cache, args.out)
        truth = about | paint_truth() | {"pairs": dict(sorted(pairs.items()))}
        truth_path.write_text(_compact(truth), encoding="utf-8")


def _compact(truth: dict[str, Any]) -> str:
    """JSON with one line to an entry: readable, and no line to every number."""
    head = {k: v for k, v in truth.items() if k != "pairs"}
    lines = [f" {json.dumps(k)}: {json.dumps(v)}," for k, v in head.items()]
    lines.append(' "pairs": {')
    for k, (name, pair) in enumerate(truth["pairs"].items()):
        lines.append(f"  {json.dumps(name)}: {{")
        entries = []
        for key, value in pair.items():
            if key in ("leaks", "openings"):
                rows = ",\n".join(f"    {json.dumps(one)}" for one in value)
                entries.append(f"   {json.dumps(key)}: [\n{rows}\n   ]")
            else:
                entries.append(f"   {json.dumps(key)}: {json.dumps(value)}")
        lines.append(",\n".join(entries))
        lines.append("  }" + ("," if k < len(truth["pairs"]) - 1 else ""))
    return "\n".join(["{", *lines, " }", "}", ""])


if __name__ == "__main__":
    main()
