"""The renders that a pair is mixed from, kept in a folder so that a run can be taken up again.

What is kept is as noisy as it was traced; the noise is taken off when a pair is mixed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from heron.denoise import denoised
from heron.scene import Image, Pose, Studio, guides, light
from heron.views import View

# Samples per pixel of the room's lamp, of window and walls, of the ship's spill, of what shines by
# itself; the second figure is for the big pair. The room's lights apart: choosing between them
# would be most of the noise.
SPP = {"lamp": (6, 4), "soft": (4, 2), "spill": (6, 4), "shine": (12, 9), "guide": (3, 2)}
BIG_PIXELS = 4_000_000
SOFT_SCALE = 2  # broad light is rendered at half the size, as a share of the lamp's light
GROUPS = {"warm": 1.0, "cool": 1.0, "beacons": 1.0}
FIREFLY = 1.8  # times the other half of the samples: a mirror image of a lamp, hit by chance
FIREFLY_FLOOR = 0.01  # of white paper in the room's light
SHADE = 0.004  # below this the lamp gives no light to take a share of


@dataclass(frozen=True, eq=False)
class Renders:
    """Linear light of one pair, each part by itself."""

    room_off: Image
    room_on: Image
    spill: Image  # what windows, beacons and leaks throw on ship and bench
    panes: Image  # windows and beacons themselves, 1 for the red of a median window
    leaks: Image  # leaks themselves, as at this stage


def rendered(view: View, seed: int, folder: Path, studio: Studio) -> Renders:
    """The parts of one pair, from the folder where they are there already."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = {leak.name: leak.kept[view.stage] for leak in studio.leaks}
    makers = {
        "room_on": lambda: _room(view.on, 100 * seed, studio),
        "room_off": lambda: _room(view.off, 100 * seed + 10, studio),
        "panes": lambda: _shining(view.on, GROUPS, 100 * seed + 20, studio),
        "leaks": lambda: _shining(view.on, kept, 100 * seed + 30, studio),
        "guide_on": lambda: guides(view.on, studio, _spp("guide", view.on), 100 * seed + 50),
        "guide_off": lambda: guides(view.off, studio, _spp("guide", view.off), 100 * seed + 60),
        "spill": lambda: _spill(view.on, GROUPS | kept, 100 * seed + 40, studio),
    }
    parts: dict[str, Image] = {}
    for part, make in makers.items():
        path = folder / f"{view.name}-{part}.npy"
        if not path.exists():
            np.save(path, np.asarray(make(), np.float16))
        parts[part] = np.load(path).astype(np.float32)
    guide_on, guide_off = parts.pop("guide_on"), parts.pop("guide_off")
    parts["room_on"] = denoised(parts["room_on"], *np.split(guide_on, 2, axis=2))
    parts["room_off"] = denoised(parts["room_off"], *np.split(guide_off, 2, axis=2))
    small = cv2.resize(guide_on, parts["spill"].shape[1::-1], interpolation=cv2.INTER_AREA)
    spill = denoised(parts["spill"], small[..., :3], small[..., 3:])
    parts["spill"] = _at_full_size(spill, parts["room_on"])
    return Renders(**parts)


def _spp(kind: str, pose: Pose) -> int:
    return SPP[kind][pose.size[0] * pose.size[1] > BIG_PIXELS]


def _small(pose: Pose) -> Pose:
    return replace(pose, size=tuple(n // SOFT_SCALE for n in pose.size))


def _room(pose: Pose, seed: int, studio: Studio) -> Image:
    lamp = _in_halves(pose, ("room_lamp",), None, _spp("lamp", pose), seed, studio)
    soft = _in_halves(_small(pose), ("window", "fill"), None, _spp("soft", pose), seed + 4, studio)
    return lamp + _at_full_size(soft, lamp)


def _spill(pose: Pose, shine: dict[str, float], seed: int, studio: Studio) -> Image:
    return _in_halves(_small(pose), (), shine, _spp("spill", pose), seed, studio)


def _in_halves(
    pose: Pose,
    room: tuple[str, ...],
    shine: dict[str, float] | None,
    spp: int,
    seed: int,
    studio: Studio,
) -> Image:
    """A render in two halves: what shines in one of them alone is brought down to the other."""
    scene = studio.scene(pose, room=room, shine=shine, spp=spp)
    counts = (spp - spp // 2, spp // 2)
    a, b = (light(scene, spp=n, seed=seed + k, hide=True) for k, n in enumerate(counts))
    a, b = (np.minimum(x, FIREFLY * y + FIREFLY_FLOOR) for x, y in ((a, b), (b, a)))
    return (counts[0] * a + counts[1] * b) / spp


def _shining(pose: Pose, shine: dict[str, float], seed: int, studio: Studio) -> Image:
    """What shines towards the camera by itself; only the ship's part of the view is traced."""
    px = pose.px(np.vstack([m.corners for ms in studio.ship.by_material.values() for m in ms]))
    left, top = np.maximum(np.floor(px.min(axis=0)).astype(int) - 4, 0)
    right, low = np.minimum(np.ceil(px.max(axis=0)).astype(int) + 5, pose.size)
    part = replace(pose, crop=(int(left), int(top), int(right - left), int(low - top)))
    spp = _spp("shine", pose)
    out = np.zeros((pose.size[1], pose.size[0], 3), np.float32)
    scene = studio.scene(part, room=(), shine=shine, spp=spp)
    out[top:low, left:right] = light(scene, spp=spp, seed=seed, depth=1)
    return out


def _at_full_size(soft: Image, lamp: Image) -> Image:
    """Broad light at full size: its ratio to the lamp's light has no texture and enlarges well."""
    cols, rows = lamp.shape[1], lamp.shape[0]
    size = (soft.shape[1], soft.shape[0])
    shade = cv2.GaussianBlur(lamp, (0, 0), 0.6)
    small = cv2.resize(shade, size, interpolation=cv2.INTER_AREA)
    ratio = (soft + SHADE * 0.2) / (small + SHADE)
    ratio = np.dstack(
        [cv2.bilateralFilter(np.ascontiguousarray(ratio[..., k]), 5, 0.3, 1.5) for k in range(3)]
    )
    big = cv2.resize(ratio, (cols, rows), interpolation=cv2.INTER_LINEAR)
    return np.maximum(big * (shade + SHADE) - SHADE * 0.2, 0)
