"""The renders that a pair is mixed from, kept in a folder so that a run can be taken up again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from heron.denoise import denoised
from heron.scene import Image, Pose, Studio, guides, light
from heron.views import View

# Samples per pixel of the room's lamp, of window and walls, of the ship's spill, of what shines by
# itself, of the guides; the second figure is for the big pair. Few: the noise is taken off. The
# room's lights apart: choosing between them would be most of the noise.
SPP = {"lamp": (6, 3), "soft": (1, 1), "spill": (3, 2), "shine": (6, 4), "guide": (2, 1)}
BIG_PIXELS = 4_000_000
GROUPS = {"warm": 1.0, "cool": 1.0, "beacons": 1.0}


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
        "guide": lambda: guides(view.on, studio, _spp("guide", view.on), 100 * seed),
        "room_on": lambda: _room(view.on, 100 * seed + 1, studio, parts["guide"]),
        "room_off": lambda: _room(view.off, 100 * seed + 10, studio),
        "panes": lambda: _shining(view.on, GROUPS, 100 * seed + 20, studio),
        "leaks": lambda: _shining(view.on, kept, 100 * seed + 30, studio),
        "spill": lambda: _spill(view.on, GROUPS | kept, 100 * seed + 40, studio, parts["guide"]),
    }
    parts: dict[str, Image] = {}
    for part, make in makers.items():
        cols, rows = view.on.size  # a quick look must not be taken for the real thing
        path = folder / f"{view.name}-{cols}x{rows}-{part}.npy"
        if not path.exists():
            np.save(path, np.asarray(make(), np.float16))
        parts[part] = np.load(path).astype(np.float32)
    del parts["guide"]
    return Renders(**parts)


def _spp(kind: str, pose: Pose) -> int:
    return SPP[kind][pose.size[0] * pose.size[1] > BIG_PIXELS]


def _room(pose: Pose, seed: int, studio: Studio, guide: Image | None = None) -> Image:
    if guide is None:
        guide = guides(pose, studio, _spp("guide", pose), seed)
    total = _traced(pose, ("room_lamp",), None, "lamp", seed + 1, studio)
    total += _traced(pose, ("window", "fill"), None, "soft", seed + 2, studio)
    return denoised(total, guide[..., :3], guide[..., 3:])


def _spill(pose: Pose, shine: dict[str, float], seed: int, studio: Studio, guide: Image) -> Image:
    spill = _traced(pose, (), shine, "spill", seed, studio)
    return denoised(spill, guide[..., :3], guide[..., 3:])


def _traced(
    pose: Pose,
    room: tuple[str, ...],
    shine: dict[str, float] | None,
    kind: str,
    seed: int,
    studio: Studio,
) -> Image:
    """One light's share, with the noise of tracing it."""
    spp = _spp(kind, pose)
    scene = studio.scene(pose, room=room, shine=shine, spp=spp)
    return light(scene, spp=spp, seed=seed, hide=True)


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
