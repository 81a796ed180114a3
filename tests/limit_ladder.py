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
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scene import RenderedPair, ladder_scene, openings_svg, render

from leakcheck import Check, check, read_openings
from leakcheck.photo import photo_from_array

ROOMS = (0.5, 2.0, 8.0, 30.0, 200.0)  # window over room light: daylight to near darkness
KINDS = ("pinhole", "show-through")
RUNGS, STEP = 13, 1.22  # from 0.3 to 3.3 of the stated limit
FIRST_CONTRAST = {"pinhole": 0.3, "show-through": 0.05}  # before a limit is known
NEAR_PX = {"pinhole": 14.0, "show-through": 30.0}
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
    scene = ladder_scene(
        seed, kind=kind, contrasts=contrasts, ambient=room, near_px=NEAR_PX[kind], size=SIZE
    )
    pair = render(scene)
    with tempfile.TemporaryDirectory() as scratch:
        drawing = Path(scratch) / "openings.svg"
        drawing.write_text(openings_svg(pair))
        openings = read_openings(drawing, size=scene.size)
    off, on = photo_from_array(pair.off, name="off"), photo_from_array(pair.on, name="on")
    return pair, check(off, on, openings)


def stated(result: Check, kind: str, where: str) -> float:
    """Contrast of the faintest leak that the check says it would have found."""
    name = "pinhole" if kind == "pinhole" else "broad"
    return float(getattr(result.limit, f"{name}_{where}").contrast)


def ladder(room: float, kind: str, seed: int) -> list[Row]:
    """Rows near and far. The first check says where the limit is, the second has its rungs there.

    Rungs stand in a shuffled order, so that places do not go with strength.
    """
    order = np.random.default_rng(seed).permutation(RUNGS)
    few = tuple(FIRST_CONTRAST[kind] * 2.0 ** np.arange(-2, 3))
    pair, result = measured(room, kind, few, seed)
    kept = np.median([leak.contrast / c for leak, c in zip(pair.leaks[5:], few, strict=True)])
    limit = np.sqrt(stated(result, kind, "near") * stated(result, kind, "far"))
    rungs = limit / kept * STEP ** (order - RUNGS // 2)
    pair, result = measured(room, kind, tuple(rungs), seed)
    return [row(pair, result, room, kind, where) for where in ("near", "far")]


def row(pair: RenderedPair, result: Check, room: float, kind: str, where: str) -> Row:
    """What became of one row's leaks."""
    leaks = pair.leaks[:RUNGS] if where == "near" else pair.leaks[RUNGS:]
    limit = stated(result, kind, where)
    told = sorted((leak.contrast / limit, found_at(result, leak.centroid_px)) for leak in leaks)
    return Row(room, kind, where, tuple(s for s, _ in told), tuple(f for _, f in told))


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
