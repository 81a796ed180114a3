"""A strip of clear plastic with 0 to 4 coats, lit from behind: for `leakcheck coats`.

No path tracer is needed for a flat thing in front of a light box: the light of every field is what
its coats let through, and the camera is the same as that of the ship's photos.
"""

from __future__ import annotations

import cv2
import numpy as np

from heron.lamps import COAT_DENSITY

SIZE = (900, 300)  # columns, rows
FIELDS = 5  # with 0, 1, 2, 3, 4 coats
FIELD_PX, LEFT_PX, TOP_PX = 120, 60, 80
BRIGHT = 0.62  # linear light of the bare plastic: just not clipped
ROOM = 0.002  # what the room throws onto the strip


def strip_light(seed: int) -> np.ndarray:
    """Light on the camera's lens, (rows, cols, 3) linear."""
    rng = np.random.default_rng(seed)
    light = np.full((SIZE[1], SIZE[0]), ROOM, np.float32)
    for k in range(FIELDS):
        left = LEFT_PX + k * FIELD_PX
        light[TOP_PX:-TOP_PX, left : left + FIELD_PX] += BRIGHT * 10 ** (-COAT_DENSITY * k)
    spray = cv2.GaussianBlur(rng.standard_normal(light.shape).astype(np.float32), (0, 0), 1.5)
    light *= 1 + 0.02 * spray / spray.std()  # no coat of paint is even
    return light[..., None] * np.array([1.0, 0.97, 0.93], np.float32)


def strip_drawing() -> str:
    """A rectangle well inside every field, and one where no light comes through."""
    side = FIELD_PX - 40
    shapes = [
        f'<rect id="coat-{k}" x="{LEFT_PX + k * FIELD_PX + 20}" y="{TOP_PX + 20}"'
        f' width="{side}" height="{SIZE[1] - 2 * TOP_PX - 40}"/>'
        for k in range(FIELDS)
    ]
    dark_x = LEFT_PX + FIELDS * FIELD_PX + 60
    shapes.append(f'<rect id="dark" x="{dark_x}" y="100" width="100" height="100"/>')
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{SIZE[0]}" height="{SIZE[1]}"'
        f' viewBox="0 0 {SIZE[0]} {SIZE[1]}">'
    )
    return "\n".join(
        [head, '<g class="window" fill="#fc3" fill-opacity=".5">', *shapes, "</g></svg>\n"]
    )
