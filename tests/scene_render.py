"""A scene becomes a pair of photos and the truth about them.

Both photos are drawn from the same description: what the room lights is seen through the camera's
place at each photo, what the lamps add is in the lights-on photo alone. The truth is taken from the
noise-free light, each leak by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from scene_camera import (
    LUMINANCE,
    Image,
    Lens,
    Sensor,
    coded,
    core_blur,
    exposed,
    luminance_noise,
    through_lens,
    vignetting,
)
from scene_draw import Matrix, Surface, Window, on_places, paint, texture_fields, warped
from scene_lamps import (
    Leak,
    Opening,
    Spill,
    glass,
    lamp_rgb,
    leak_light,
    opening_light,
    spill_light,
    visible,
)
from skimage.measure import approximate_polygon, find_contours

Coded = tuple[NDArray[np.uint8], bytes | None]

VISIBLE_SHARE = 0.1  # a leak's area: where it has more than this share of its own peak
SPILL_CONTRAST = 0.02  # spill is marked where it adds more than this share of the room light
FLOW_STEP_PX = 24  # distance of the points whose true motion is given


def no_move() -> tuple[Matrix, ...]:
    """A camera that stands still, as homographies of the three planes."""
    return np.eye(3), np.eye(3), np.eye(3)


@dataclass(frozen=True, eq=False)
class CameraMove:
    """Where the camera stood for the lights-off photo, against the lights-on one."""

    name: str = "tripod"  # tripod, nudge or handheld
    # ON photo px -> OFF photo px for the planes 0 (room), 1 (hull) and 2 (nearer or further
    # parts of the model), or more: they differ where the camera's own place changed (parallax).
    planes: tuple[Matrix, ...] = field(default_factory=no_move)


def camera_move(name: str, *, size: tuple[int, int], seed: int = 0) -> CameraMove:
    """A plausible move between the photos: tripod (none), nudge (up to 3 px) or handheld."""
    rng = np.random.default_rng((seed, 3))
    if name == "tripod":
        return CameraMove()
    reach, roll, tilt, parallax = (2.5, 0.05, 0, 0) if name == "nudge" else (35, 1.5, 1.5e-5, 9)
    shift = rng.uniform(-reach, reach, 2)
    turn = np.deg2rad(rng.uniform(-roll, roll))
    grown = 1 + rng.uniform(-0.4, 0.4) * parallax / 600
    apart = rng.uniform(-parallax, parallax, 2)
    base = turned(size, shift=shift, turn=turn, grown=grown, tilt=rng.uniform(-tilt, tilt, 2))
    shift_room, shift_near = np.eye(3), np.eye(3)
    shift_room[:2, 2] = apart
    shift_near[:2, 2] = -0.12 * apart
    return CameraMove(name, (shift_room @ base, base, shift_near @ base))


def turned(
    size: tuple[int, int],
    *,
    shift: NDArray[np.float64],
    turn: float,
    grown: float,
    tilt: NDArray[np.float64],
) -> Matrix:
    """A homography about the photo's centre: turn (radians) and growth, shift (px), tilt (1/px)."""
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    c, s = grown * np.cos(turn), grown * np.sin(turn)
    to_centre = np.array([[1, 0, -cx], [0, 1, -cy], [0, 0, 1]])
    move = np.array([[c, -s, shift[0]], [s, c, shift[1]], [tilt[0], tilt[1], 1]])
    return np.asarray(np.linalg.inv(to_centre) @ move @ to_centre)


@dataclass(frozen=True, eq=False)
class Scene:
    """All that two photos depend on."""

    size: tuple[int, int]  # columns, rows
    surfaces: tuple[Surface, ...]
    openings: tuple[Opening, ...] = ()
    leaks: tuple[Leak, ...] = ()
    spills: tuple[Spill, ...] = ()
    seed: int = 0  # of textures
    noise_seed: int = 0
    ambient: float = 8.0  # radiance of the median window / of the room-lit hull
    hull_reflectance: float = 0.3  # luminance of the surface that counts as hull
    hull_light: float = 0.2  # linear light of the room-lit hull in the lights-off photo
    exposure_ratio: float = 1.0  # lights-on / lights-off
    room_gain: float = 1.0  # room light, lights-on / lights-off
    drift: tuple[float, float] = (0.0, 0.0)  # the same, change from edge to edge: x, y
    room_slope: tuple[float, float] = (-0.15, -0.1)  # room light from edge to edge, both photos
    balance_off: tuple[float, float, float] = (1.0, 1.0, 1.0)
    balance_on: tuple[float, float, float] = (1.0, 1.0, 1.0)
    lens: Lens = field(default_factory=Lens)
    sensor_off: Sensor = field(default_factory=Sensor)
    sensor_on: Sensor = field(default_factory=Sensor)
    camera: CameraMove = field(default_factory=CameraMove)
    hull_plane: int = 1  # whose homography stands for the whole model's
    # Where the textures went since they were first drawn, per plane: a model set down anew keeps
    # its stains. First place -> ON photo px.
    pose: tuple[Matrix, ...] = field(default_factory=no_move)
    time_s: float = 0.05  # of the lights-off photo; the other differs by exposure_ratio
    iso: int = 200
    fnumber: float = 1.8
    taken: datetime = datetime(2025, 3, 1, 20, 15, 10)  # the lights-on photo is half a minute later

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.size[1], self.size[0]

    @property
    def off_scale(self) -> float:
        """Linear light of the lights-off photo / radiance in median windows."""
        return self.hull_light * self.ambient

    @property
    def on_scale(self) -> float:
        """Linear light of the lights-on photo / radiance in median windows."""
        return self.off_scale * self.exposure_ratio

    @property
    def gain(self) -> tuple[float, float, float]:
        """Lights-on / lights-off per channel, on surfaces that do not glow, without drift."""
        total = self.exposure_ratio * self.room_gain
        r, g, b = np.divide(self.balance_on, self.balance_off) * total
        return float(r), float(g), float(b)


@dataclass(frozen=True)
class LeakTruth:
    """One leak as it is in the lights-on photo, free of noise, before tone curve and JPEG."""

    id: int
    kind: str
    colour: str
    level: float  # peak radiance / median window, before the lens
    peak_level: float  # the same after the lens, at pixel size
    contrast: float  # added / room-lit luminance, mean over its area
    peak_contrast: float
    visible_area_px: int  # pixels above VISIBLE_SHARE of its own peak
    glow_px: float  # added / room-lit luminance, summed over its area
    snr: float  # mean added luminance over the noise of one photo, times the root of the area
    centroid_px: tuple[float, float]  # x, y of the added light in its area
    clipped_share: float  # of its area


@dataclass(frozen=True, eq=False)
class RenderedPair:
    """Two photos and what is true about them."""

    scene: Scene
    off: NDArray[np.uint8]  # (rows, cols, 3) sRGB
    on: NDArray[np.uint8]
    off_jpeg: bytes | None  # the same as coded; None where the scene asks for no JPEG
    on_jpeg: bytes | None
    leaks: tuple[LeakTruth, ...]
    labels: NDArray[np.uint16]  # (rows, cols): id of the leak whose area it is, 0 elsewhere
    spill: NDArray[np.bool_]  # (rows, cols): spill adds more than SPILL_CONTRAST
    model: NDArray[np.float64]  # (n, 2): outline of the model
    on_to_off: Matrix  # (3, 3), of the hull's plane
    flow_on: NDArray[np.float64]  # (n, 2): points on the model, lights-on photo
    flow_off: NDArray[np.float64]  # (n, 2): the same points in the lights-off photo


@dataclass(frozen=True, eq=False)
class View:
    """What one photo sees of the room-lit scene."""

    reflectance: Image  # (rows, cols, 3)
    plane: NDArray[np.uint8]  # (rows, cols): plane of the nearest surface
    model: NDArray[np.bool_]  # (rows, cols): that surface is part of the model


def draw_view(scene: Scene, fields: dict[str, Image], planes: tuple[Matrix, ...]) -> View:
    """All surfaces and dark inserts, painted from back to front."""
    canvas = np.full((*scene.shape, 3), 0.1, np.float32)
    plane = np.zeros(scene.shape, np.uint8)
    model = np.zeros(scene.shape, bool)
    for surface in scene.surfaces + tuple(glass(opening) for opening in scene.openings):
        homography, pose = planes[surface.plane], scene.pose[surface.plane]
        window, cover = paint(canvas, surface, fields, homography=homography, pose=pose)
        if surface.opacity == 1 and not surface.multiply:
            plane[window][cover > 0.5] = surface.plane
            model[window][cover > 0.5] = surface.model
    return View(canvas, plane, model)


def room_light(scene: Scene, homography: Matrix, *, lit: bool) -> Image:
    """Room light on a surface as radiance of a white one, (rows, cols, 1), median windows.

    It hangs on the scene, not on the photo; one homography serves all planes, as it is smooth.
    """
    rows, cols = scene.shape
    x, y = on_places((slice(0, rows), slice(0, cols)), homography)
    u, v = x / cols - 0.5, y / rows - 0.5
    light = 1 + scene.room_slope[0] * u + scene.room_slope[1] * v
    if lit:
        light = light * scene.room_gain * (1 + scene.drift[0] * u + scene.drift[1] * v)
    return (light / (scene.ambient * scene.hull_reflectance))[..., None].astype(np.float32)


def lamp_light(scene: Scene) -> Image:
    """Radiance of the openings, (rows, cols, 3), median windows."""
    light = np.zeros((*scene.shape, 3), np.float32)
    for opening in scene.openings:
        window, value = opening_light(opening, scene.shape)
        light[window] += value[..., None] * lamp_rgb(opening.colour)
    return light


def leak_truth(
    leak: Leak, window: Window, added: Image, scene: Scene, *, room: Image, total: Image
) -> tuple[LeakTruth, NDArray[np.bool_]]:
    """One leak's figures and its area in its window.

    Args:
        added: (rows, cols), its luminance before the lens, median windows.
        room: (rows, cols, 3), room light on the same window, median windows.
        total: (rows, cols, 3), all light of the lights-on photo there, linear light.
    """
    lens, balance = scene.lens, np.array(scene.balance_on, np.float32)
    to_photo = scene.on_scale * vignetting(scene.shape, lens)[window]
    kept = np.float32(1 - lens.flare - lens.bloom)  # its own tail is lost round about
    light = core_blur(added, lens)[..., None] * lamp_rgb(leak.colour) * kept * to_photo
    strength = (light * balance) @ LUMINANCE
    unlit = (core_blur(room, lens) * to_photo * balance) @ LUMINANCE
    area = strength > VISIBLE_SHARE * strength.max()
    ratio = strength[area] / unlit[area]
    sigma = luminance_noise(total, scene.sensor_on, balance)[area].mean()
    rows, cols = np.nonzero(area)
    x0, y0 = window[1].start, window[0].start
    weight = strength[area] / strength[area].sum()
    count = int(area.sum())
    truth = LeakTruth(
        leak.id,
        leak.kind,
        leak.colour,
        level=leak.level,
        peak_level=float(strength.max() / (scene.on_scale * balance @ LUMINANCE)),
        contrast=float(ratio.mean()),
        peak_contrast=float(ratio.max()),
        visible_area_px=count,
        glow_px=float(ratio.sum()),
        snr=float(strength[area].mean() / sigma * np.sqrt(count)),
        centroid_px=(float(x0 + (cols * weight).sum()), float(y0 + (rows * weight).sum())),
        clipped_share=float(((total * balance)[area] >= 1).any(axis=1).mean()),
    )
    return truth, area


def label_leaks(
    scene: Scene, lights: list[tuple[Window, Image]], room: Image, total: Image
) -> tuple[tuple[LeakTruth, ...], NDArray[np.uint16]]:
    """Figures of all leaks and the map of their areas; where two meet, the stronger one's."""
    labels = np.zeros(scene.shape, np.uint16)
    best = np.zeros(scene.shape, np.float32)
    truths = []
    for leak, (window, added) in zip(scene.leaks, lights, strict=True):
        if not added.any():
            continue  # outside the photo or hidden
        truth, area = leak_truth(leak, window, added, scene, room=room[window], total=total[window])
        wins = area & (added >= best[window])
        labels[window][wins] = leak.id
        best[window][wins] = added[wins]
        truths.append(truth)
    return tuple(truths), labels


def outline(model: NDArray[np.bool_]) -> NDArray[np.float64]:
    """The longest outline of the model, (n, 2) x, y, within a third of a pixel."""
    if not model.any():
        return np.zeros((0, 2))
    padded = np.pad(model.astype(np.float32), 1)
    longest = max(find_contours(padded, 0.5), key=len)  # type: ignore[no-untyped-call]
    corners = approximate_polygon(longest, 0.34)  # type: ignore[no-untyped-call]
    return np.asarray(corners[:-1, ::-1] - 1.0)


def true_flow(view: View, planes: tuple[Matrix, ...]) -> tuple[NDArray[np.float64], ...]:
    """Points on the model and where they lie in the lights-off photo, (n, 2) each."""
    rows, cols = view.model.shape
    y, x = np.mgrid[
        FLOW_STEP_PX // 2 : rows : FLOW_STEP_PX, FLOW_STEP_PX // 2 : cols : FLOW_STEP_PX
    ]
    on_model = view.model[y, x]
    points = np.column_stack([x[on_model], y[on_model]]).astype(float)
    plane = view.plane[y, x][on_model]
    moved = points.copy()
    for k, homography in enumerate(planes):
        moved[plane == k] = warped(points[plane == k], homography)
    return points, moved


def leak_lights(scene: Scene) -> list[tuple[Window, Image]]:
    """Luminance of each leak before the lens, where its own surface is what one sees."""
    pad = int(np.ceil(4 * scene.lens.blur_px)) + 1
    things = scene.surfaces + tuple(glass(opening) for opening in scene.openings)
    masks: dict[tuple[str, ...], Image] = {}
    lights = []
    for leak in scene.leaks:
        window, light = leak_light(leak, scene.shape, pad_px=pad)
        if leak.surfaces:
            if leak.surfaces not in masks:
                masks[leak.surfaces] = visible(leak.surfaces, things, scene.shape)
            light = light * masks[leak.surfaces][window]
        lights.append((window, light))
    return lights


def photographed(scene: Scene, off_light: Image, on_light: Image) -> list[Coded]:
    """Sensor light of the two photos to what a viewer decodes, and the JPEG files."""
    rng = np.random.default_rng((scene.seed, 2, scene.noise_seed))
    photos = []
    for light, sensor, balance in (
        (off_light, scene.sensor_off, scene.balance_off),
        (on_light, scene.sensor_on, scene.balance_on),
    ):
        held = exposed(light, sensor, white_balance=np.array(balance, np.float32), rng=rng)
        photos.append(coded(held, sensor))
    return photos


def render(scene: Scene) -> RenderedPair:
    """Draw both photos of a scene. Same scene, same photos."""
    planes = scene.camera.planes
    still = tuple(np.eye(3) for _ in planes)
    fields = texture_fields(scene.shape, scene.seed)
    on_view = draw_view(scene, fields, still)
    moved = any(not np.array_equal(h, np.eye(3)) for h in planes)
    off_view = draw_view(scene, fields, planes) if moved else on_view

    room = on_view.reflectance * room_light(scene, np.eye(3), lit=True)
    spill = spill_light(scene.spills, scene.surfaces, on_view.reflectance)
    on_light = lamp_light(scene) + room + spill
    lights = leak_lights(scene)
    for leak, (window, added) in zip(scene.leaks, lights, strict=True):
        on_light[window] += added[..., None] * lamp_rgb(leak.colour)
    off_light = off_view.reflectance * room_light(scene, planes[scene.hull_plane], lit=False)

    on_sensor = through_lens(on_light * np.float32(scene.on_scale), scene.lens)
    off_sensor = through_lens(off_light * np.float32(scene.off_scale), scene.lens)
    (off, off_jpeg), (on, on_jpeg) = photographed(scene, off_sensor, on_sensor)
    leaks, labels = label_leaks(scene, lights, room, on_sensor)
    flow_on, flow_off = true_flow(on_view, planes)
    return RenderedPair(
        scene,
        off=off,
        on=on,
        off_jpeg=off_jpeg,
        on_jpeg=on_jpeg,
        leaks=leaks,
        labels=labels,
        spill=spill @ LUMINANCE > SPILL_CONTRAST * (room @ LUMINANCE),
        model=outline(on_view.model),
        on_to_off=planes[scene.hull_plane],
        flow_on=flow_on,
        flow_off=flow_off,
    )
