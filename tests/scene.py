"""Drawn photo pairs with known truth, for tests: `render(ferry_scene(seed=1))`.

Three families: `ferry_scene`, a model on a bench with everything a real pair has; `plain_field`, a
flat surface without any lamp, for false alarms; `ladder_scene`, leaks of rising strength near to
and far from windows, for the limit that a check states. Each gives a `Scene`; change it with
`dataclasses.replace`, turn it into photos and truth with `render`, write it with `save_pair`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import ExifTags
from PIL import Image as PilImage
from scene_camera import LUMINANCE, Lens, Sensor
from scene_draw import Points, Surface, warped
from scene_ferry import HULL, box, ferry_scene, usual_hull_light
from scene_lamps import Leak, Opening, Spill
from scene_render import CameraMove, RenderedPair, Scene, camera_move, render

__all__ = [
    "CameraMove",
    "Leak",
    "Lens",
    "Opening",
    "RenderedPair",
    "Scene",
    "Sensor",
    "Spill",
    "Surface",
    "camera_move",
    "ferry_scene",
    "ladder_scene",
    "openings_svg",
    "plain_field",
    "render",
    "reposed",
    "save_pair",
    "truth_dict",
]


def plain_field(
    seed: int = 0,
    *,
    size: tuple[int, int] = (640, 480),
    light: float = 0.2,
    slope: float = 4e-5,
    read: float = 6e-4,
    exposure_ratio: float = 1.0,
    texture: float = 0.0,
    quality: int | None = None,
    grain_px: float = 0.0,
) -> Scene:
    """A flat grey surface without lamps: two photos that differ by noise alone.

    Args:
        light: linear light of the lights-off photo.
        slope, read: noise of both photos, variance = slope x light + read^2.
        texture: relative amplitude of the surface's fine grain and of its stains.
        grain_px: blur of the noise, as after denoising.
    """
    wall = Surface("field", box(-99, -99, size[0] + 99, size[1] + 99), (0.3, 0.3, 0.3))
    wall = replace(wall, grain=texture, weather=texture)
    sensor = Sensor(slope, read, grain_px=grain_px, quality=quality)
    return Scene(
        size,
        (wall,),
        seed=seed,
        hull_light=light,
        exposure_ratio=exposure_ratio,
        room_slope=(0.0, 0.0),
        lens=Lens(blur_px=0.6, flare=0.0, vignette=0.0),
        sensor_off=sensor,
        sensor_on=sensor,
    )


def ladder_scene(
    seed: int = 0,
    *,
    kind: str = "pinhole",
    contrasts: Sequence[float] = (0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.28),
    ambient: float = 8.0,
    near_px: float = 14.0,
    size: tuple[int, int] = (1280, 900),
    camera: str = "tripod",
    lens: Lens | None = None,
    quality: int | None = 92,
) -> Scene:
    """Leaks of rising strength: ids 1 to n below a row of windows, n + 1 to 2 n far from it.

    Args:
        kind: pinhole (spread 0.7 px) or show-through (spread 14 x 9 px).
        contrasts: peak added / room-lit luminance before the lens; what the lens leaves of it
            stands in the truth.
        near_px: distance of the near leaks' middle from the windows' lower edge.
    """
    columns = np.linspace(0.07 * size[0], 0.93 * size[0], len(contrasts))
    top, bottom = 0.3 * size[1], 0.3 * size[1] + 44
    openings = tuple(
        Opening(f"w{k + 1:02d}", "window", box(x - 24, top, x + 24, bottom), 1.0)
        for k, x in enumerate(columns)
    )
    spread = (0.7, 0.7) if kind == "pinhole" else (14.0, 9.0)
    # Half pixels are where a grid of pixels sees a small light worst: places differ by a third.
    near = [(float(x), bottom + near_px + k / 3) for k, x in enumerate(columns)]
    far = [(float(x), 0.8 * size[1] + k / 3) for k, x in enumerate(columns)]
    leaks = tuple(
        Leak(k + 1, kind, (xy,), c / ambient, size_px=spread, surfaces=("hull",))
        for k, (xy, c) in enumerate(zip(near + far, [*contrasts, *contrasts], strict=True))
    )
    frames = tuple(((float(x), 20.0), (float(x), size[1] - 20.0)) for x in columns[:-1] + 61.5)
    hull = Surface(
        "hull", box(12.3, 9.6, size[0] - 14.2, size[1] - 11.7), HULL, lines=frames, grain=0.02
    )
    wall = Surface("wall", box(-99, -99, size[0] + 99, size[1] + 99), (0.1, 0.1, 0.11), 0)
    sensor = Sensor(quality=quality)
    return Scene(
        size,
        (replace(wall, model=False), hull),
        openings,
        leaks,
        seed=seed,
        ambient=ambient,
        hull_reflectance=float(np.array(HULL) @ LUMINANCE),
        hull_light=usual_hull_light(ambient),
        room_slope=(0.0, 0.0),
        lens=lens or Lens(),
        sensor_off=sensor,
        sensor_on=sensor,
        camera=camera_move(camera, size=size, seed=seed),
    )


def reposed(scene: Scene, move: CameraMove) -> Scene:
    """The scene after the model was set down anew: all that it holds moves, stains too.

    Both photos move; `scene.camera` still says what happens between them. Sizes and turns of
    leaks stay as they are: a homography near the identity changes them little.
    """
    plane = {surface.name: surface.plane for surface in scene.surfaces}

    def moved(points: Points, k: int) -> Points:
        return tuple((float(x), float(y)) for x, y in warped(points, move.planes[k]))

    def home(names: tuple[str, ...]) -> int:
        return plane[names[0]] if names else 1

    return replace(
        scene,
        surfaces=tuple(
            replace(
                s,
                ring=moved(s.ring, s.plane),
                lines=tuple(moved(line, s.plane) for line in s.lines),
            )
            for s in scene.surfaces
        ),
        openings=tuple(replace(o, ring=moved(o.ring, o.plane)) for o in scene.openings),
        leaks=tuple(replace(k, points=moved(k.points, home(k.surfaces))) for k in scene.leaks),
        spills=tuple(replace(s, points=moved(s.points, home(s.surfaces))) for s in scene.spills),
        pose=tuple(m @ p for m, p in zip(move.planes, scene.pose, strict=True)),
    )


def polygon(
    points: Iterable[Iterable[float]], *, name: str, kind: str, colour: str | None = None
) -> str:
    """One SVG polygon; in SVG a pixel's centre is half a unit from its corner."""
    places = " ".join(f"{x + 0.5:.3f},{y + 0.5:.3f}" for x, y in points)
    asked = f' data-colour="{colour}"' if colour else ""
    return f'<polygon id="{name}" class="{kind}"{asked} points="{places}"/>'


def openings_svg(pair: RenderedPair, *, model: bool = True, photo: str | None = None) -> str:
    """The true openings and the model's outline as an openings file, linked to a photo or not."""
    cols, rows = pair.scene.size
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{cols}" height="{rows}" '
        f'viewBox="0 0 {cols} {rows}">',
        "<style>.model{fill:none;stroke:#19f}.window{fill:#fd3}.beacon{fill:#e0e}</style>",
    ]
    if photo:
        lines.append(f'<image href="{photo}" width="{cols}" height="{rows}"/>')
    if model and len(pair.model):
        lines.append(polygon(pair.model, name="outline", kind="model"))
    lines += [polygon(o.ring, name=o.id, kind=o.kind, colour=o.colour) for o in pair.scene.openings]
    return "\n".join([*lines, "</svg>", ""])


def exposure_of(scene: Scene, *, lit: bool) -> dict[str, Any]:
    """Exposure time, sensitivity and aperture of one photo."""
    time_s = scene.time_s * (scene.exposure_ratio if lit else 1)
    return {"time": round(time_s, 6), "iso": scene.iso, "fnumber": scene.fnumber}


def truth_dict(pair: RenderedPair) -> dict[str, Any]:
    """The truth as it goes into truth.json; flow and label map are files of their own."""
    scene = pair.scene
    return {
        "subject": "drawn scene",
        "image": list(scene.size),
        "seed": scene.seed,
        "camera_class": scene.camera.name,
        "ambient_ratio": scene.ambient,
        "gain": list(scene.gain),
        "exposure": {
            "ratio_on_over_off": scene.exposure_ratio,
            "off": exposure_of(scene, lit=False),
            "on": exposure_of(scene, lit=True),
        },
        "on_to_off": pair.on_to_off.tolist(),
        "lens": asdict(scene.lens),
        "noise": {"off": asdict(scene.sensor_off), "on": asdict(scene.sensor_on)},
        "leaks": [asdict(leak) for leak in pair.leaks],
        "openings": [
            {"id": o.id, "cls": o.kind, "level": o.level, "colour": o.colour}
            for o in scene.openings
        ],
    }


def with_exif(jpeg: bytes, scene: Scene, *, lit: bool) -> bytes:
    """A JPEG file with its exposure written in, its pixels left as they are."""
    exposure = exposure_of(scene, lit=lit)
    exif = PilImage.Exif()
    exif[ExifTags.Base.Make] = "Drawn"
    exif[ExifTags.Base.Model] = "Scene"
    details = exif.get_ifd(ExifTags.IFD.Exif)
    details[ExifTags.Base.ExposureTime] = exposure["time"]
    details[ExifTags.Base.FNumber] = exposure["fnumber"]
    details[ExifTags.Base.ISOSpeedRatings] = exposure["iso"]
    taken = scene.taken + timedelta(seconds=30 * lit)
    details[ExifTags.Base.DateTimeOriginal] = f"{taken:%Y:%m:%d %H:%M:%S}"
    data = exif.tobytes()
    segment = b"\xff\xe1" + (len(data) + 2).to_bytes(2, "big") + data
    return jpeg[:2] + segment + jpeg[2:]


def save_pair(pair: RenderedPair, folder: Path) -> None:
    """Write off.jpg, on.jpg, openings.svg, truth.json, leaks.png and flow.npz into a folder.

    A scene without JPEG becomes off.png and on.png, which carry no exposure.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, pixels, jpeg in (("off", pair.off, pair.off_jpeg), ("on", pair.on, pair.on_jpeg)):
        if jpeg is None:
            PilImage.fromarray(pixels).save(folder / f"{name}.png")
        else:
            data = with_exif(jpeg, pair.scene, lit=name == "on")
            (folder / f"{name}.jpg").write_bytes(data)
    (folder / "openings.svg").write_text(openings_svg(pair), encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth_dict(pair), indent=1), encoding="utf-8")
    cv2.imwrite(str(folder / "leaks.png"), pair.labels)
    visible = np.ones(len(pair.flow_on), bool)
    np.savez_compressed(folder / "flow.npz", on=pair.flow_on, off=pair.flow_off, visible=visible)
