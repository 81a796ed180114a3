#!/usr/bin/env python3
"""The weakest leak that is found, against the limit that `check` states for the same pair.

    python tests/limit_ladder.py [--rooms 0.5 8 200] [--seeds 1 2] [--kinds pinhole show-through]

Draws leaks of rising strength beside windows and far from them, in bright rooms and dark ones, and
prints for each row the strength from which on leaks are found, over the stated limit: 1 is perfect.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scene import Scene, ladder_scene, openings_svg, render

from leakcheck import Check, check, read_openings
from leakcheck.photo import photo_from_array

ROOMS = (0.5, 2.0, 8.0, 30.0, 200.0)  # window over room light: daylight to near darkness
KINDS = ("pinhole", "show-through")
RUNGS, STEP = 13, 1.22  # from 0.3 to 3.3 of the stated limit
FIRST_CONTRAST = {"pinhole": 0.3, "show-through": 0.05}  # before a limit is known
# Broad glows that fill a photo are what its limit is lost in: each pair has a few of them.
PAIRS = {"pinhole": 1, "show-through": 3}
NEAR_PX = (13.0, 30.0)  # from a window's edge: what the limit calls near
APART_PX = 84.0  # between leaks: a broad one's glow ends at 40
BESIDE_PX = 4.0
SIZE = (1280, 700)


@dataclass(frozen=True)
class Row:
    """One row of leaks, weakest first."""

    room: float
    kind: str
    where: str  # near or far
    strength: tuple[float, ...]  # true contrast over the stated one
    found: tuple[bool, ...]

    @property
    def half_found(self) -> float:
        """The strength that best parts what is found from what is missed.

        Of all cuts between two rungs the one with the fewest on the wrong side; the middle one
        where several have as few.
        """
        s, found = np.array(self.strength), np.array(self.found)
        cuts = np.sqrt(np.r_[s[0] / STEP, s] * np.r_[s, s[-1] * STEP])
        wrong = [(found[:k]).sum() + (~found[k:]).sum() for k in range(len(s) + 1)]
        best = np.flatnonzero(np.array(wrong) == min(wrong))
        return float(np.exp(np.log(cuts[best]).mean()))


def measured(room: float, kind: str, contrasts: Sequence[float], seed: int) -> tuple:
    """A pair with these leaks, near windows and again far from them, and its check."""
    scene = scattered(
        ladder_scene(seed, kind=kind, contrasts=contrasts, ambient=room, size=SIZE), seed
    )
    pair = render(scene)
    with tempfile.TemporaryDirectory() as scratch:
        drawing = Path(scratch) / "openings.svg"
        drawing.write_text(openings_svg(pair))
        openings = read_openings(drawing, size=scene.size)
    off, on = photo_from_array(pair.off, name="off"), photo_from_array(pair.on, name="on")
    return pair, check(off, on, openings)


def scattered(scene: Scene, seed: int) -> Scene:
    """The ladder with its leaks anywhere on the hull, as the limit is that of typical places.

    The near ones above or below their windows, the far ones wherever none is near, on lines and
    at the hull's edges too.
    """
    rng = np.random.default_rng(seed + 100)
    count = len(scene.leaks) // 2
    top, bottom = (f(np.array(scene.openings[0].ring)[:, 1]) for f in (np.min, np.max))
    near = []
    for leak in scene.leaks[:count]:
        away = rng.uniform(*NEAR_PX)
        near.append((leak.points[0][0], top - away if rng.random() < 0.5 else bottom + away))
    far: list[tuple[float, float]] = []
    while len(far) < count:
        x, y = rng.uniform(20, SIZE[0] - 20), rng.uniform(20, SIZE[1] - 20)
        clear = y < top - 2 * NEAR_PX[1] or y > bottom + 2 * NEAR_PX[1]
        if clear and all(np.hypot(x - a, y - b) > APART_PX for a, b in near + far):
            far.append((x, y))
    leaks = (
        replace(leak, points=((float(x), float(y)),))
        for leak, (x, y) in zip(scene.leaks, near + far, strict=True)
    )
    return replace(scene, leaks=tuple(leaks))


def stated(result: Check, kind: str, where: str) -> float:
    """Contrast of the faintest leak that the check says it would have found."""
    name = "pinhole" if kind == "pinhole" else "broad"
    return float(getattr(result.limit, f"{name}_{where}").contrast)


def ladder(room: float, kind: str, seed: int) -> list[Row]:
    """Rows near and far. The first check says where the limit is, the others have rungs there.

    Rungs stand in a shuffled order, so that places do not go with strength.
    """
    order = np.random.default_rng(seed).permutation(RUNGS)
    few = tuple(FIRST_CONTRAST[kind] * 2.0 ** np.arange(-1, 2))
    pair, result = measured(room, kind, few, seed)
    kept = np.median([leak.contrast / c for leak, c in zip(pair.leaks[3:], few, strict=True)])
    limit = np.sqrt(stated(result, kind, "near") * stated(result, kind, "far"))
    rungs = limit / kept * STEP ** (order - RUNGS // 2)
    told: dict[str, list[tuple[float, bool]]] = {"near": [], "far": []}
    for k in range(PAIRS[kind]):
        some = tuple(rungs[k :: PAIRS[kind]])
        pair, result = measured(room, kind, some, seed + 10 * k)
        for where, leaks in (("near", pair.leaks[: len(some)]), ("far", pair.leaks[len(some) :])):
            limit = stated(result, kind, where)
            told[where] += [(k.contrast / limit, found_at(result, k.centroid_px)) for k in leaks]
    return [
        Row(room, kind, where, *(tuple(column) for column in zip(*sorted(rungs), strict=True)))
        for where, rungs in told.items()
    ]


def found_at(result: Check, place: Sequence[float]) -> bool:
    """Whether a leak is reported within BESIDE_PX of a place."""
    x, y = map(float, place)
    rings = [np.asarray(leak.outline, np.float32).reshape(-1, 1, 2) for leak in result.leaks]
    return any(cv2.pointPolygonTest(ring, (x, y), True) >= -BESIDE_PX for ring in rings)


def main() -> None:
    """Print a line for each row, and the median of each kind and place."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rooms", nargs="*", type=float, default=ROOMS)
    parser.add_argument("--seeds", nargs="*", type=int, default=(1, 2))
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=KINDS)
    args = parser.parse_args()
    rows: list[Row] = []
    for kind in args.kinds:
        for room in args.rooms:
            for seed in args.seeds:
                for each in ladder(room, kind, seed):
                    rows.append(each)
                    signs = "".join("x" if found else "." for found in each.found)
                    start = f"{kind:12s} room {room:5g} seed {seed} {each.where:4s}"
                    reach = f"{each.strength[0]:.2f} {signs} {each.strength[-1]:.2f}"
                    print(f"{start}  {reach}  half found at {each.half_found:.2f}", flush=True)
        for where in ("near", "far"):
            got = [r.half_found for r in rows if (r.kind, r.where) == (kind, where)]
            print(f"{kind} {where}: median {np.median(got):.2f} of the stated limit")


if __name__ == "__main__":
    main()
