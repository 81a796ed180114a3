"""What is true of a pair: openings, leaks and the model's outline in pixels, from the renders."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from heron.lamps import COAT_DENSITY, PIPE_DENSITY, STAGES, Leak, Pane
from heron.mesh import Points, joined
from heron.renders import Renders
from heron.scene import COLOURS, Image, Pose, Studio
from heron.views import View

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1
SEEN = 0.10  # share of its peak from which a leak is counted as visible
LEAST_LIGHT = 1e-3  # of a window: fainter leaks are below what a sensor keeps
LEAST_SHARE, WHOLE_SHARE = 0.25, 0.80  # of an opening in view: left out below, whole above
ALIKE = 0.06  # difference in a channel's share: below that of warm and cool white
THIN = ("rope",)  # too thin to belong to an outline
MARGIN_PX = 3


def luminance(light: Image) -> Image:
    """Brightness of linear light."""
    return np.asarray(light @ LUMINANCE)


def window_light() -> float:
    """Brightness of an ordinary window as rendered, before its strength on the photo."""
    return float(np.array(COLOURS["warm white"]) @ LUMINANCE)


def model_outline(studio: Studio, pose: Pose) -> Points:
    """The ship's outline, without her stand, (n, 2) px."""
    mask = np.zeros((pose.size[1], pose.size[0]), np.uint8)
    parts = [joined(m) for name, m in studio.ship.by_material.items() if name not in THIN]
    for mesh in (*parts, *(pane.mesh for pane in studio.panes)):
        tri = np.round(pose.px(mesh.corners)[mesh.faces] * 16).astype(np.int32)
        for corners in tri:
            cv2.fillConvexPoly(mask, corners, 1, shift=4)
    size = max(5, round(pose.size[0] / 160)) | 1  # rails become one area
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel)
    rings = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    return cv2.approxPolyDP(max(rings, key=cv2.contourArea), 0.8, True)[:, 0].astype(float)


def openings_in_view(studio: Studio, view: View, panes: Image) -> list[dict[str, Any]]:
    """Openings that the camera sees: name, kind, colour, level and ring in px."""
    bright = luminance(panes)
    found = []
    for pane in studio.panes:
        ring = _ring(pane, view.on)
        if not _in_photo(ring, view.on.size):
            continue
        area = np.zeros(bright.shape, np.uint8)
        cv2.fillPoly(area, [np.round(ring * 16).astype(np.int32)], 1, shift=4)
        own = np.array(COLOURS[pane.colour])
        full = pane.level * float(own @ LUMINANCE)
        # Another lamp may shine where this one is hidden.
        alike = np.abs(panes / panes.sum(axis=2, keepdims=True).clip(1e-6) - own / own.sum())
        lit = area.astype(bool) & (bright > 0.3 * full) & (alike.max(axis=2) < ALIKE)
        share = float(lit.sum()) / max(1, int(area.sum()))
        if share < LEAST_SHARE or lit.sum() < 4 or not _faces(pane, view.on):
            continue
        if share < WHOLE_SHARE:
            ring = _seen_part(lit)
        level = float(bright[lit].mean()) / window_light()
        found.append(
            {
                "name": pane.name,
                "kind": pane.kind,
                "colour": pane.colour,
                "level": round(level, 3),
                "visible_share": round(min(share, 1.0), 2),
                "ring": ring,
            }
        )
    return found


def _ring(pane: Pane, pose: Pose) -> Points:
    if pane.ring is not None:
        return pose.px(pane.ring)
    px = pose.px(pane.mesh.corners).astype(np.float32)
    return cv2.convexHull(px)[:, 0].astype(float)


def _faces(pane: Pane, pose: Pose) -> bool:
    """Whether a flat pane turns its face to the camera; round lamps always do."""
    if pane.ring is None:
        return True
    ring = pose.px(pane.ring)
    x, y = ring[:, 0], ring[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) < 0


def _in_photo(ring: Points, size: tuple[int, int]) -> bool:
    return bool((ring.min(axis=0) > 1).all() and (ring.max(axis=0) < np.array(size) - 2).all())


def _seen_part(lit: np.ndarray) -> Points:
    closed = cv2.morphologyEx(lit.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    rings = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    return max(rings, key=cv2.contourArea)[:, 0].astype(float)


def leaks_in_view(
    studio: Studio, view: View, renders: Renders, strength: float
) -> list[dict[str, Any]]:
    """Leaks that shine at this stage and that the camera sees, brightest first."""
    found = [_leak(leak, view, renders, strength) for leak in studio.leaks]
    seen = [leak for leak in found if leak is not None]
    return sorted(seen, key=lambda leak: -leak["glow_px"])


def _leak(leak: Leak, view: View, renders: Renders, strength: float) -> dict[str, Any] | None:
    px = view.on.px(leak.mesh.corners)
    size = view.on.size
    low = np.maximum(np.floor(px.min(axis=0)).astype(int) - MARGIN_PX, 0)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int) + MARGIN_PX + 1, size)
    if (high <= low).any() or leak.kept[view.stage] == 0:
        return None
    part = np.s_[low[1] : high[1], low[0] : high[0]]
    light = luminance(renders.leaks[part]) / window_light()
    if light.max() < LEAST_LIGHT:
        return None
    seen = light > SEEN * light.max()
    room = luminance(renders.room_on[part])
    contrast = light * window_light() * strength / np.maximum(room, 1e-4)
    rows, cols = np.nonzero(seen)
    weight = light[seen]
    rings = cv2.findContours(seen.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    outlines = [(ring[:, 0] + low).tolist() for ring in rings if len(ring) > 2 or seen.sum() < 9]
    centre = [float(np.average(v, weights=weight)) + o for v, o in ((cols, low[0]), (rows, low[1]))]
    return {
        "name": leak.name,
        "kind": leak.kind,
        "colour": leak.colour,
        "about": leak.why,
        "centroid_px": [round(v, 1) for v in centre],
        "outlines": outlines,
        "visible_area_px": int(seen.sum()),
        "level": round(float(light.max()), 4),
        "contrast": round(float(contrast[seen].mean()), 4),
        "peak_contrast": round(float(contrast[seen].max()), 4),
        "glow_px": round(float(light[seen].sum()), 3),
        "kept_of_coat_1": round(leak.kept[view.stage], 4),
    }


def marks(view: View, studio: Studio) -> list[dict[str, Any]]:
    """Places on the ship in both photos: true motion, which differs with depth."""
    found = []
    for pane in studio.panes:
        if pane.ring is None or not _faces(pane, view.on):
            continue
        place = pane.ring.mean(axis=0, keepdims=True)
        on, off = view.on.px(place)[0], view.off.px(place)[0]
        if _in_photo(np.vstack([on, off]), view.on.size):
            found.append({"on": np.round(on, 2).tolist(), "off": np.round(off, 2).tolist()})
    return found


def paint_truth() -> dict[str, Any]:
    """What the paints stop, over all stages."""
    return {
        "stages": list(STAGES),
        "density_per_coat": {
            "blocking paint on walls": COAT_DENSITY,
            "enamel on the light pipe": PIPE_DENSITY,
        },
    }


def drawing(
    openings: list[dict[str, Any]], outline: Points, photo: str, size: tuple[int, int]
) -> str:
    """The openings file: what the builder would draw on the lights-on photo."""
    cols, rows = size
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{cols}" height="{rows}"'
        f' viewBox="0 0 {cols} {rows}">',
        "<style>.model{fill:none;stroke:#19f;stroke-width:2}.window{fill:#fc3;fill-opacity:.5}"
        ".beacon{fill:#e0e;fill-opacity:.5}</style>",
        f'<image href="{photo}" width="{cols}" height="{rows}"/>',
        f'<polygon id="ship" class="model" points="{_points(outline)}"/>',
    ]
    for one in openings:
        lines.append(
            f'<polygon id="{one["name"]}" class="{one["kind"]}" data-colour="{one["colour"]}" '
            f'points="{_points(one["ring"])}"/>'
        )
    return "\n".join([*lines, "</svg>", ""])


def _points(ring: Points) -> str:
    # The centre of the first pixel is 0, 0 in a ring and 0.5, 0.5 in a drawing.
    return " ".join(f"{x + 0.5:.1f},{y + 0.5:.1f}" for x, y in ring)
