"""Where ship and camera stand in each photo, and what the camera was set to."""

from __future__ import annotations

from dataclasses import dataclass

from heron.lamps import STAGES
from heron.scene import Pose

SMALL, BIG = 1280, 3264  # pixels on the longer side
WINDOW_OVER_WALL = 3.0  # light of a median window over that of the cream walls by room light
WINDOW_LIGHT = 0.48  # red of a median window on the photo before white balance: just not clipped


@dataclass(frozen=True)
class View:
    """One pair of photos."""

    name: str
    stage: int  # 0, 1, 2
    off: Pose
    on: Pose
    on_over_off: float  # exposure: the phone steps down when the lamps come on
    balance_off: tuple[float, float, float]
    balance_on: tuple[float, float, float]
    suffix: str = "jpg"
    orientation: int = 1  # Exif: how the file has to be turned


_FIRST = {
    "port": Pose(0.0, (0, 0), (-150, -640, 236), (2, 0, 82), 0.3, 33.0, (4, 3)),
    "starboard": Pose(180.0, (2, -8), (-190, -622, 250), (-1, 0, 80), -0.4, 33.5, (4, 3)),
    "stern": Pose(-90.0, (6, 26), (108, -600, 214), (2, 10, 88), 0.5, 21.0, (3, 4)),
}
# How ship and camera stand at later stages, against the first: yaw, shift; place, aim, roll.
_LATER = (
    (0.0, (0, 0), (0, 0, 0), (0, 0, 0), 0.0),
    (1.2, (3.0, -2.0), (7, -6, 4), (1.5, 0, -1), 0.4),
    (-0.9, (-2.5, 1.5), (-8, 5, -5), (-2, 0, 1.5), -0.5),
)
# How the hand moved between lights off and lights on: place, aim, roll.
_SHAKE = {
    "port": (
        ((0.7, 0.3, -0.5), (0.5, 0, 0.4), 0.05),
        ((-1.1, 0.5, 0.8), (-0.9, 0, 0.3), 0.10),
        ((0.3, -0.2, 0.3), (-0.3, 0, -0.2), -0.03),
    ),
    "starboard": (
        ((-0.9, 0.4, 0.5), (0.4, 0, -0.5), -0.07),
        ((1.4, -0.6, -0.7), (1.0, 0, -0.4), 0.12),
        ((0.5, 0.4, 0.2), (0.2, 0, 0.5), 0.02),
    ),
    "stern": (
        ((0.6, -0.5, 0.4), (0.5, 0, 0.2), 0.06),
        ((-0.8, 0.3, -0.6), (-0.6, 0, -0.5), -0.08),
        ((0.4, 0.2, 0.5), (0.3, 0, -0.3), 0.04),
    ),
}
_EXPOSURE = {
    "port": (0.70, 0.68, 0.72),
    "starboard": (0.66, 0.70, 0.71),
    "stern": (0.74, 0.70, 0.72),
}
# A phone's white balance: most of the lamp's warmth taken off; cooler with warm windows in view.
_BALANCE_OFF = (1.0, 1.14, 1.50)
_BALANCE_ON = ((0.97, 1.14, 1.57), (0.98, 1.14, 1.55), (0.99, 1.14, 1.53))


def views(scale: float = 1.0) -> tuple[View, ...]:
    """Every pair; `scale` shrinks the photos for a quick look."""
    found = []
    for side, first in _FIRST.items():
        for k, stage in enumerate(STAGES):
            yaw, shift, place, aim, roll = _LATER[k]
            longer = BIG if (side, k) == ("starboard", 0) else SMALL
            size = tuple(round(longer * scale * v / 4) for v in first.size)
            ship = Pose(
                first.yaw_deg + yaw,
                (first.shift[0] + shift[0], first.shift[1] + shift[1]),
                first.place,
                first.aim,
                first.roll_deg,
                first.fov_deg,
                size,
            )
            on = ship.moved(place, aim, roll)
            found.append(
                View(
                    f"{side}-{stage}",
                    k,
                    on.moved(*_SHAKE[side][k]),
                    on,
                    _EXPOSURE[side][k],
                    _BALANCE_OFF,
                    _BALANCE_ON[k],
                    suffix="heic" if (side, k) == ("starboard", 1) else "jpg",
                    orientation=6 if (side, k) == ("stern", 0) else 1,
                )
            )
    return tuple(found)
