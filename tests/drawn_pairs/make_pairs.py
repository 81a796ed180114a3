#!/usr/bin/env python3
"""Make the drawn ferry's pairs: `python tests/drawn_pairs/make_pairs.py [FOLDER]`.

The ferry of ferry.py, seen by a camera in perspective, becomes a drawn scene of tests/scene.py:
its lens, sensor and JPEG make the photos, its truth goes into the JSON files beside them.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from ferry import (  # noqa: E402
    AMBIENT_SHARE,
    LAMP_TOWARDS,
    Facet,
    Heron,
    Pane,
    Space,
    deck_edge,
    on_side,
)
from scene import (  # noqa: E402
    CameraMove,
    Leak,
    Lens,
    Opening,
    RenderedPair,
    Scene,
    Sensor,
    Spill,
    Surface,
    openings_svg,
    render,
    truth_dict,
    with_exif,
)

SIZE = 1600, 1200
FOCAL_PX = 3350.0
AIM = np.array([0.0, 0.0, 58.0])
HULL_REFLECTANCE = 0.4  # the cream walls: what the window / room light ratio refers to


@dataclass(frozen=True, eq=False)
class Camera:
    """Where the camera stands and what it looks at, mm."""

    place: NDArray[np.float64]
    aim: NDArray[np.float64]
    roll_deg: float = 0.0

    def px(self, xyz: Space) -> NDArray[np.float64]:
        """Points in space as x, y in the photo, (n, 2)."""
        ahead = (self.aim - self.place) / np.linalg.norm(self.aim - self.place)
        right = np.cross(ahead, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(ahead, right)
        roll = np.deg2rad(self.roll_deg)
        right, down = (
            right * np.cos(roll) + down * np.sin(roll),
            down * np.cos(roll) - right * np.sin(roll),
        )
        v = np.asarray(xyz, float) - self.place
        depth = v @ ahead
        flat = np.column_stack([v @ right, v @ down]) / depth[:, None] * FOCAL_PX
        return flat + (np.array(SIZE) - 1) / 2

    def moved(
        self, place: tuple[float, float, float], aim: tuple[float, float, float], roll: float = 0.0
    ) -> Camera:
        """The camera after a push."""
        return Camera(self.place + place, self.aim + aim, self.roll_deg + roll)


FIRST = Camera(np.array([-330.0, -860.0, 245.0]), AIM)


def plane_move(corners: Space, start: Camera, end: Camera) -> NDArray[np.float64]:
    """The homography that carries a facet's plane from one camera's photo to another's."""
    if start is end:
        return np.eye(3)
    middle = corners.mean(axis=0)
    _, _, axes = np.linalg.svd(corners - middle)
    square = np.array(
        [middle + 60 * (u * axes[0] + v * axes[1]) for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )
    before, after = (camera.px(square).astype(np.float32) for camera in (start, end))
    return np.asarray(cv2.getPerspectiveTransform(before, after), float)


def as_ring(px: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
    """Points as a scene wants them."""
    return tuple((float(x), float(y)) for x, y in px)


def brightness(facet: Facet) -> float:
    """Room light on a facet by its slope."""
    if not facet.lit:
        return 1.0
    middle = facet.corners.mean(axis=0)
    normal = np.linalg.svd(facet.corners - middle)[2][2]
    if normal @ (FIRST.place - middle) < 0:
        normal = -normal
    lamp = LAMP_TOWARDS / np.linalg.norm(LAMP_TOWARDS)
    return float(AMBIENT_SHARE + (1.35 - AMBIENT_SHARE) * max(normal @ lamp, 0))


def surface(facet: Facet, plane: int, camera: Camera) -> Surface:
    """A facet as the camera sees it."""
    px_per_mm = FOCAL_PX / np.linalg.norm(facet.corners.mean(axis=0) - camera.place)
    top, bottom = (brightness(facet) * f for f in facet.fall)
    return Surface(
        facet.name,
        as_ring(camera.px(facet.corners)),
        facet.colour,
        plane,
        grain=facet.grain,
        weather=facet.weather,
        wood=facet.wood,
        shade=(top, top, bottom, bottom),
        lines=tuple(as_ring(camera.px(line)) for line in facet.lines),
        line_px=float(facet.line_mm * px_per_mm),
        line_factor=facet.line_factor,
        model=facet.model,
        soft_px=float(facet.shadow_mm * px_per_mm),
        multiply=facet.shadow_mm > 0,
    )


def opening(pane: Pane, planes: dict[str, int], camera: Camera) -> Opening:
    """A pane as the camera sees it; its lamp hangs above the middle."""
    glass = (0.02, 0.022, 0.025) if pane.kind == "window" else (0.06, 0.05, 0.05)
    shade = (1.12, 1.05, 0.9, 0.86) if pane.kind == "window" else (1.0, 1.0, 1.0, 1.0)
    ring = as_ring(camera.px(pane.corners))
    return Opening(
        pane.name, pane.kind, ring, pane.level, pane.colour, planes[pane.on], glass, shade
    )


def spills(panes: tuple[Pane, ...], camera: Camera) -> tuple[Spill, ...]:
    """Light of the windows on deck, roofs and mat, and of the sidelight on its roof."""
    found = []
    for pane in panes:
        x, y, _ = pane.corners.mean(axis=0)
        if pane.on == "saloon wall":
            found.append(lobe(camera, (x, y - 1, 33), 0.2, pane.colour, (32, 14), ("main deck",)))
            found.append(lobe(camera, (x, -66, 0.5), 0.05, pane.colour, (95, 60), ("mat", "bench")))
        if pane.on == "lounge wall":
            found.append(
                lobe(camera, (x, y - 0.5, 67.6), 0.2, pane.colour, (26, 14), ("saloon roof",))
            )
        if pane.on == "wheelhouse wall":
            found.append(
                lobe(camera, (x, y - 0.5, 93.6), 0.12, pane.colour, (34, 12), ("lounge roof",))
            )
        if pane.name == "sidelight":
            found.append(
                lobe(camera, (x, y - 0.5, 93.6), 0.2, pane.colour, (14, 8), ("lounge roof",))
            )
    return tuple(found)


def lobe(
    camera: Camera,
    xyz: tuple[float, float, float],
    level: float,
    colour: str,
    size: tuple[float, float],
    on: tuple[str, ...],
) -> Spill:
    """Spill that starts at a place in space."""
    return Spill("lobe", as_ring(camera.px(np.array([xyz]))), level, colour, size, 90.0, on)


def leaks_coat_1(camera: Camera) -> tuple[Leak, ...]:
    """After the first blocking coat: one or two of each kind."""

    def at(*xyz: tuple[float, float, float]) -> tuple[tuple[float, float], ...]:
        return as_ring(camera.px(np.array(xyz)))

    seam = at(*(deck_edge(x, 0.2) for x in np.linspace(-120, -62, 9)))
    hole = np.array(on_side(146.0, 24.0))
    rim = [
        hole + 1.5 * np.array([np.cos(a), 0, 0.8 * np.sin(a)])
        for a in np.linspace(0, 2 * np.pi, 14)[:-1]
    ]
    return (
        Leak(1, "seam leak", seam, 0.28, size_px=(0.8, 0.8), bead_px=11.5),
        Leak(
            2,
            "show-through",
            at(deck_edge(-46.0, 4.6)),
            0.09,
            size_px=(36, 13),
            angle_deg=-1,
            surfaces=("bulwark 2", "bulwark 3"),
        ),
        Leak(3, "pinhole", at(on_side(66.0, 14.5)), 0.6, size_px=(0.8, 0.8)),
        Leak(4, "pinhole", at((-15.5, -36, 61.0)), 0.7, size_px=(0.7, 0.7)),
        Leak(
            5,
            "side glow",
            at((-22.5, -29.7, 99.2)),
            0.22,
            "red",
            (6.6, 4.5),
            160.0,
            surfaces=("screen",),
        ),
        Leak(6, "open hole", at(*(tuple(p) for p in rim)), 0.75),
    )


def leaks_coat_2(camera: Camera) -> tuple[Leak, ...]:
    """After the second coat: the hole is covered, one pinhole dabbed, the rest fainter."""
    first = {leak.id: leak for leak in leaks_coat_1(camera)}
    shorter = replace(first[1], points=first[1].points[3:7], level=0.07)
    return (
        replace(shorter, id=1),
        replace(first[2], id=2, level=first[2].level * 0.35),
        replace(first[3], id=3, level=0.25),
        replace(first[5], id=4, level=0.07),
    )


def scene(camera_on: Camera, camera_off: Camera, leaks: tuple[Leak, ...], **changes: Any) -> Scene:
    """The ferry on her bench, photographed by a phone in a dim room."""
    heron = Heron()
    planes = {facet.name: k for k, facet in enumerate(heron.facets)}
    sensor = Sensor(slope=5e-5, read=8e-4, grain_px=0.5, tone=0.12, sharpen=0.3, quality=92)
    name = "tripod" if camera_off is camera_on else "nudge"
    start = Scene(
        SIZE,
        tuple(surface(f, k, camera_on) for k, f in enumerate(heron.facets)),
        tuple(opening(p, planes, camera_on) for p in heron.panes),
        leaks,
        spills(heron.panes, camera_on),
        seed=72,
        ambient=4.5,
        hull_reflectance=HULL_REFLECTANCE,
        hull_light=0.33,
        room_slope=(-0.35, -0.1),
        lens=Lens(blur_px=0.7, flare=0.007, bloom=0.012, bloom_px=5, vignette=0.2),
        sensor_off=sensor,
        sensor_on=sensor,
        camera=CameraMove(
            name, tuple(plane_move(f.corners, camera_on, camera_off) for f in heron.facets)
        ),
        hull_plane=planes["plating 3"],
        pose=tuple(plane_move(f.corners, FIRST, camera_on) for f in heron.facets),
        iso=320,
    )
    return replace(start, **changes)


def save(name: str, shapes: str, pair: RenderedPair, folder: Path) -> None:
    """One pair's photos, openings and truth."""
    for part, jpeg in (("off", pair.off_jpeg), ("on", pair.on_jpeg)):
        assert jpeg is not None  # the sensor above codes JPEG
        (folder / f"{name}-{part}.jpg").write_bytes(with_exif(jpeg, pair.scene, lit=part == "on"))
    (folder / f"{shapes}.svg").write_text(
        openings_svg(pair, photo=f"{name}-on.jpg"), encoding="utf-8"
    )
    truth = truth_dict(pair) | {"subject": "harbour ferry Heron, 1:72, port side"}
    (folder / f"{name}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """All three pairs."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    second = FIRST.moved((7.0, -5.0, 3.0), (1.5, 0.0, -1.0), 0.35)
    third = FIRST.moved((-6.0, 4.0, -4.0), (-2.0, 0.0, 1.5), -0.4)
    pushed = FIRST.moved((0.4, 0.1, -0.3), (0.15, 0.0, 0.1), 0.02)
    nudged = second.moved((-0.9, 0.5, 0.6), (-0.6, 0.0, 0.3), 0.06)
    stages = (
        ("port-coat-1", "port", FIRST, pushed, leaks_coat_1(FIRST)),
        ("port-coat-2", "port-coat-2", second, nudged, leaks_coat_2(second)),
        ("port-tight", "port-tight", third, third, ()),
    )
    for number, (name, shapes, camera_on, camera_off, leaks) in enumerate(stages):
        drawn = scene(
            camera_on,
            camera_off,
            leaks,
            noise_seed=number,
            exposure_ratio=0.7,  # the camera steps down when the lamps come on
            balance_on=(0.97, 1.0, 1.05),
            room_gain=1.01,
            taken=datetime(2025, 3, 1 + 2 * number, 20, 15, 10),
        )
        save(name, shapes, render(drawn), folder)


if __name__ == "__main__":
    main()
