"""From shapes to linear light: one view of ship and bench, path-traced with Mitsuba 3.

Light adds up, so the room's lamp and the ship's lamps are rendered apart, each by itself with
everything in place, and mixed afterwards at the strength that a stage asks for.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np

mi.set_variant("scalar_rgb")
mi.set_log_level(mi.LogLevel.Error)

from heron.bench import build_bench, build_leads, build_stand  # noqa: E402
from heron.houses import build_houses  # noqa: E402
from heron.hull import build_hull, build_tape  # noqa: E402
from heron.lamps import COLOURS, Leak, Pane, build_frames, leaks, openings, patch_span  # noqa: E402
from heron.materials import Material, in_span, materials  # noqa: E402
from heron.mesh import Mesh, Parts, Points, joined, moved, turn_z  # noqa: E402

Image = np.ndarray  # (rows, cols, 3) float32, linear light

ROOM_LAMP = {"at": (-430.0, -420.0, 640.0), "aim": (20.0, 20.0, 40.0), "size": (170.0, 120.0)}
ROOM_COLOUR = (1.0, 0.78, 0.52)  # an LED bulb of about 3000 K in a pale shade
SKY_COLOUR = (0.66, 0.84, 1.0)  # what is left of the evening outside
WINDOW = {
    "at": (1050.0, -500.0, 620.0),
    "aim": (0.0, 0.0, 60.0),
    "size": (420.0, 330.0),
    "light": 2.0,
}
FILL_COLOUR = (1.0, 0.92, 0.80)  # walls and ceiling of the room
FILL = 0.05
DEPTH = 3  # direct light and two bounces: a fourth adds 1 to 3 % on paint this dark
CELL = 32  # texture of one pane, px
LENS_MM = 1.5  # radius of a phone's aperture


@dataclass(frozen=True)
class Pose:
    """How the ship stands on the bench, and where the camera is."""

    yaw_deg: float
    shift: tuple[float, float]
    place: tuple[float, float, float]
    aim: tuple[float, float, float]
    roll_deg: float
    fov_deg: float  # across the photo's width
    size: tuple[int, int]  # columns, rows
    crop: tuple[int, int, int, int] | None = None  # left, top, width, height of what is wanted

    def moved(self, place: Any = (0, 0, 0), aim: Any = (0, 0, 0), roll: float = 0.0) -> Pose:
        """The camera after a push by a hand."""
        return replace(
            self,
            place=tuple(np.add(self.place, place)),
            aim=tuple(np.add(self.aim, aim)),
            roll_deg=self.roll_deg + roll,
        )

    def up(self) -> Points:
        """The camera's upper side."""
        ahead = np.subtract(self.aim, self.place)
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        a = np.deg2rad(self.roll_deg)
        return np.cos(a) * np.cross(right, ahead) + np.sin(a) * right

    def on_bench(self, points: Points) -> Points:
        """Ship's coordinates to the bench's."""
        return np.asarray(points, float) @ turn_z(self.yaw_deg).T + (*self.shift, 0.0)

    def px(self, points: Points) -> Points:
        """Ship's coordinates to pixels of the photo, (n, 2); whole numbers are centres."""
        v = self.on_bench(points) - self.place
        ahead = np.subtract(self.aim, self.place)
        ahead = ahead / np.linalg.norm(ahead)
        up = self.up()
        right = np.cross(ahead, up)
        focal = self.size[0] / 2 / np.tan(np.deg2rad(self.fov_deg) / 2)
        flat = np.column_stack([v @ right, -(v @ up)]) / (v @ ahead)[:, None] * focal
        return flat + (np.array(self.size) - 1) / 2


class Studio:
    """Ship and bench built once; renders views of them."""

    def __init__(self, folder: Path | None = None) -> None:
        """Build everything; `folder` takes the meshes."""
        self.folder = Path(folder or tempfile.mkdtemp())
        self.materials = materials()
        self.bsdfs = {name: _bsdf(m) for name, m in self.materials.items()}
        self.ship, self.stand, self.bench = Parts(), Parts(), Parts()
        build_hull(self.ship)
        build_houses(self.ship)
        build_frames(self.ship)
        build_tape(self.ship)
        build_stand(self.stand)
        build_bench(self.bench)
        self.panes, self.leaks = openings(), leaks()
        for side, x0, x1 in (("port", -118, -58), ("starboard", -110, -64)):
            t0, t1 = patch_span(x0, x1)
            whole = self.materials[f"bulwark {side}"]
            name = f"bulwark {side} patch"
            self.materials[name] = replace(whole, span=(0, 1, 0, 1))
            self.bsdfs[name] = _bsdf(whole, (t0, t1, 0.02, 0.98))

    def scene(
        self, pose: Pose, *, room: tuple[str, ...], shine: dict[str, float] | None, spp: int
    ) -> Any:
        """The scene with some of the room's lights, and lamps and leaks of these strengths.

        `shine` names panes' groups and leaks with what to multiply their light by; None is dark.
        """
        end = tuple(pose.on_bench(np.array([[70.0, -6.0, 0.0]]))[0, :2])
        bench = Parts({k: list(v) for k, v in self.bench.by_material.items()})
        build_leads(bench, end)
        found: dict[str, Any] = {"type": "scene", "sensor": _sensor(pose, spp)}
        for prefix, parts, ship in (
            ("b", bench, False),
            ("s", self.ship, True),
            ("c", self.stand, True),
        ):
            for name, meshes in parts.by_material.items():
                mesh = joined(meshes)
                self._put(found, f"{prefix}_{name}", mesh, name, pose if ship else None)
        self._put_panes(found, pose, shine)
        for leak in self.leaks:
            self._put_leak(found, leak, pose, 0.0 if shine is None else shine.get(leak.name, 0.0))
        found |= {key: value for key, value in _room_light().items() if key in room}
        return mi.load_dict(found)

    def _put(
        self,
        found: dict,
        key: str,
        mesh: Mesh,
        material: str,
        pose: Pose | None,
        emitter: dict | None = None,
    ) -> None:
        if pose is not None:
            mesh = moved(mesh, turn_z(pose.yaw_deg), (*pose.shift, 0.0))
        key = key.replace(" ", "_").replace("-", "_")
        path = self.folder / f"{key}.ply"
        _write_ply(path, mesh, in_span(mesh.uv, self.materials[material].span))
        found[key] = {"type": "ply", "filename": str(path), "bsdf": self.bsdfs[material]}
        if emitter:
            found[key]["emitter"] = emitter

    def _put_panes(self, found: dict, pose: Pose, shine: dict[str, float] | None) -> None:
        for group, panes in _by_group(self.panes).items():
            mesh, light = _atlas(panes)
            factor = 0.0 if shine is None else shine.get(group, 0.0)
            emitter = (
                _emitter(light * factor, _power(mesh, float(light.mean()))) if factor else None
            )
            material = "pane" if group != "beacons" else "clear"
            self._put(found, f"panes_{group}", mesh, material, pose, emitter)

    def _put_leak(self, found: dict, leak: Leak, pose: Pose, factor: float) -> None:
        emitter = None
        if factor:
            light = np.asarray(leak.shade, np.float32)[..., None] * np.array(COLOURS[leak.colour])
            light = light * leak.peak * factor
            emitter = _emitter(light, _power(leak.mesh, float(light.mean())))
        self._put(found, f"leak_{leak.name}", leak.mesh, leak.material, pose, emitter)


def light(scene: Any, *, spp: int, seed: int, depth: int = DEPTH, hide: bool = False) -> Image:
    """Linear light of a view; `hide` leaves out what shines towards the camera by itself."""
    integrator = mi.load_dict(
        {"type": "path", "max_depth": depth, "rr_depth": 8, "hide_emitters": hide}
    )
    return np.array(integrator.render(scene, seed=seed, spp=spp))[..., :3].astype(np.float32)


def guides(pose: Pose, studio: Studio, spp: int, seed: int) -> Image:
    """What noise is told from pattern by: albedo and normal of what is in view, (rows, cols, 6)."""
    scene = studio.scene(pose, room=("fill",), shine=None, spp=spp)
    integrator = mi.load_dict({"type": "aov", "aovs": "albedo:albedo,normal:geo_normal"})
    # Nothing but air lies where there is no number.
    return np.nan_to_num(np.array(integrator.render(scene, seed=seed, spp=spp))[..., :6])


# --- pieces of the scene ----------------------------------------------------------------------


def _by_group(panes: tuple[Pane, ...]) -> dict[str, list[Pane]]:
    groups: dict[str, list[Pane]] = {"warm": [], "cool": [], "beacons": []}
    for pane in panes:
        beacon = pane.kind == "beacon"
        groups["beacons" if beacon else "cool" if pane.colour == "cool white" else "warm"].append(
            pane
        )
    return groups


def _atlas(panes: list[Pane]) -> tuple[Mesh, Image]:
    """Panes as one mesh and one picture of their light."""
    cols = int(np.ceil(np.sqrt(len(panes))))
    rows = -(-len(panes) // cols)
    picture = np.zeros((rows * CELL, cols * CELL, 3), np.float32)
    meshes = []
    for k, pane in enumerate(panes):
        row, col = divmod(k, cols)
        shade = np.asarray(pane.shade, np.float32)
        shade = np.kron(
            shade, np.ones((CELL // shade.shape[0], CELL // shade.shape[1]), np.float32)
        )
        cell = shade[..., None] * np.array(COLOURS[pane.colour], np.float32) * pane.level
        picture[row * CELL : (row + 1) * CELL, col * CELL : (col + 1) * CELL] = cell
        inside = 0.5 / CELL + pane.mesh.uv * (1 - 1 / CELL)
        uv = (inside + [col, rows - 1 - row]) / [cols, rows]
        meshes.append(Mesh(pane.mesh.corners, pane.mesh.faces, uv))
    return joined(meshes), picture


def _power(mesh: Mesh, mean: float) -> float:
    """Light times area: how often a lamp is worth a look."""
    tri = mesh.corners[mesh.faces]
    area = (
        0.5 * np.linalg.norm(np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]), axis=1).sum()
    )
    return max(float(area) * mean, 1e-3)


def _emitter(light: Image, weight: float) -> dict[str, Any]:
    radiance = {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(light, np.float32)),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }
    return {"type": "area", "radiance": radiance, "sampling_weight": weight}


def _room_light() -> dict[str, Any]:
    at, aim = np.array(ROOM_LAMP["at"]), np.array(ROOM_LAMP["aim"])
    place = mi.ScalarTransform4f().look_at(list(at), list(aim), [0, 0, 1])
    size = mi.ScalarTransform4f().scale([*ROOM_LAMP["size"], 1.0])
    # Strength: a white sheet in the middle of the bench gets about 1.
    strength = 3.2 * np.linalg.norm(at - aim) ** 2 / (4 * np.prod(ROOM_LAMP["size"])) * 1.25
    lamp = {
        "type": "rectangle",
        "to_world": place @ size,
        "emitter": {
            "type": "area",
            "radiance": _rgb(np.multiply(ROOM_COLOUR, strength)),
            "sampling_weight": 2.0,
        },
    }
    view = mi.ScalarTransform4f().look_at(list(WINDOW["at"]), list(WINDOW["aim"]), [0, 0, 1])
    pane = mi.ScalarTransform4f().scale([*WINDOW["size"], 1.0])
    window = {
        "type": "rectangle",
        "to_world": view @ pane,
        "emitter": {
            "type": "area",
            "radiance": _rgb(np.multiply(SKY_COLOUR, WINDOW["light"])),
            "sampling_weight": 1.0,
        },
    }
    fill = {
        "type": "constant",
        "radiance": _rgb(np.multiply(FILL_COLOUR, FILL)),
        "sampling_weight": 0.6,
    }
    return {"room_lamp": lamp, "window": window, "fill": fill}


def _rgb(value: Any) -> dict[str, Any]:
    return {"type": "rgb", "value": [float(v) for v in value]}


# The box filter: what takes the noise off needs it to be each pixel's own.
def _sensor(pose: Pose, spp: int) -> dict[str, Any]:
    ahead = np.linalg.norm(np.subtract(pose.aim, pose.place))
    view = mi.ScalarTransform4f().look_at(list(pose.place), list(pose.aim), list(pose.up()))
    film = {
        "type": "hdrfilm",
        "width": pose.size[0],
        "height": pose.size[1],
        "pixel_format": "rgb",
        "component_format": "float32",
        **_crop(pose),
        "rfilter": {"type": "box"},
    }
    return {
        "type": "thinlens",
        "aperture_radius": LENS_MM,
        "focus_distance": float(ahead) - 25.0,
        "fov": pose.fov_deg,
        "fov_axis": "x",
        "to_world": view,
        "film": film,
        "sampler": {"type": "multijitter", "sample_count": spp},
    }


def _crop(pose: Pose) -> dict[str, int]:
    if pose.crop is None:
        return {}
    keys = ("crop_offset_x", "crop_offset_y", "crop_width", "crop_height")
    return dict(zip(keys, pose.crop, strict=True))


def _bsdf(
    material: Material, crop: tuple[float, float, float, float] | None = None
) -> dict[str, Any]:
    colour: dict[str, Any] = _rgb(material.colour)
    if material.texture is not None:
        image = mi.Bitmap(np.ascontiguousarray(material.texture, np.float32))
        colour = {"type": "bitmap", "bitmap": image, "raw": True, "wrap_mode": "clamp"}
        if crop:
            u0, u1, v0, v1 = crop
            # Written files hold 1 - v, see `_write_ply`.
            move = mi.ScalarTransform3f().translate([u0, 1 - v1]) @ mi.ScalarTransform3f().scale(
                [u1 - u0, v1 - v0]
            )
            colour["to_uv"] = mi.ScalarTransform4f(_plane(np.array(move.matrix)))
    if material.matt:
        return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}
    inner = {
        "type": "principled",
        "base_color": colour,
        "roughness": material.roughness,
        "specular": material.specular,
        "metallic": material.metallic,
    }
    return {"type": "twosided", "bsdf": inner}


def _plane(m: np.ndarray) -> list[list[float]]:
    """A transform of the plane as one of space, which texture transforms are given as."""
    out = np.eye(4)
    out[:2, :2], out[:2, 3] = m[:2, :2], m[:2, 2]
    return out.tolist()


def _write_ply(path: Path, mesh: Mesh, uv: Points) -> None:
    """A binary PLY; v is turned over, as Mitsuba counts texture rows from the top."""
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.corners)}\n"
        + "".join(f"property float {name}\n" for name in ("x", "y", "z", "u", "v"))
        + f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.faces), dtype=[("n", "u1"), ("k", "<i4", 3)])
    faces["n"], faces["k"] = 3, mesh.faces
    flat = np.column_stack([mesh.corners, uv[:, 0], 1 - uv[:, 1]]).astype("<f4")
    path.write_bytes(head.encode() + flat.tobytes() + faces.tobytes())
