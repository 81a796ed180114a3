"""One scale of light for two tests: what the room light, the windows or the camera say of it.

Every leak is measured as added / room light on the same surface. Where the room was brighter in
one of the tests, the same leak adds a smaller share there. `Scale.room` is that change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leakcheck.openings import Openings, label_map
from leakcheck.photo import Exposure, relative_exposure
from leakcheck.stages import Stage, inside, way

ScaleName = Literal["room light", "windows", "exposure"]

# Density; no eye sees 5 % of light. A change beyond that, and beyond the windows' own error, is
# more probably there than not: from one evening to the next rooms differ by more (common practice,
# no source).
SAME_ROOM = 0.02
DISAGREE = 0.10  # density: a quarter of the light; what is smaller, phones round away
TRUTHFUL = 0.03  # a camera is believed whose EXIF explains its pair so closely
TELLING = 0.08  # exposures that hardly differ within a pair prove nothing of the camera
EXIF_REACH = 0.15  # density; what is further off is more often a camera's word than a room
ROOM_ERROR = 0.02  # density that lamp and window vary by where nothing speaks against it
EXIF_ERROR = 0.03  # rounded times, apertures and tone curves
MIN_LAMPS = 2  # channels of openings that can be measured in both tests
LAMP_ERROR = 0.01  # density; tone curves leave as much
# Red, green and blue; luminance stands for green, which makes up most of it.
PLANE_OF_CHANNEL = (1, 0, 2)
UNCLIPPED_SHARE = 0.9  # of a window's pixels
WELL_EXPOSED = (0.05, 0.6)  # linear light: tone curves bend above, noise rules below
CHANGED = 0.08  # density by which windows scatter when some were changed
STEP_PX = 8  # frame px between surfaces looked at
DARK = 0.004  # linear light of surfaces; darker ones are noise
MIN_SURFACES = 60


@dataclass(frozen=True)
class Scale:
    """How the second of two tests is brought onto the scale of the first."""

    by: ScaleName
    room: float  # log10 of room light / lamps' light: second test / first, 0 where unchanged
    error: float  # density that every comparison of the two shares
    by_windows: float | None  # what each says of `room`; None: it says nothing
    windows_error: float | None
    by_exposure: float | None
    warnings: tuple[str, ...]


def shared_scale(
    stages: Sequence[Stage], first: int, second: int, *, wanted: ScaleName | None = None
) -> Scale:
    """Which scale two tests share.

    The room light counts as the same unless windows that are measurable in both say otherwise.
    The camera's exposure settings decide only where they have proved true within both pairs, for
    many cameras' files do not tell how bright the picture was made; else they only warn.

    Args:
        stages: all tests.
        first, second: which two.
        wanted: what to use whatever the others say; falls back where it cannot be had.
    """
    windows = _by_windows(stages, first, second)
    exposure, proved = _by_exposure(stages, first, second)
    by: ScaleName = "room light"
    room, error = 0.0, ROOM_ERROR
    far = windows is not None and abs(windows[0]) > max(SAME_ROOM, windows[1])
    if windows is not None and (wanted == "windows" or (wanted is None and far)):
        by, room, error = "windows", windows[0], float(np.hypot(windows[1], ROOM_ERROR))
    elif exposure is not None and (
        wanted == "exposure"
        or (
            wanted is None
            and windows is None
            and proved
            and SAME_ROOM < abs(exposure) <= EXIF_REACH
        )
    ):
        by, room, error = "exposure", exposure, EXIF_ERROR
    return Scale(
        by=by,
        room=room,
        error=error,
        by_windows=None if windows is None else windows[0],
        windows_error=None if windows is None else windows[1],
        by_exposure=exposure,
        warnings=_warnings(stages, first, second, by, wanted, room, windows, exposure),
    )


def _warnings(
    stages: Sequence[Stage],
    first: int,
    second: int,
    by: ScaleName,
    wanted: ScaleName | None,
    room: float,
    windows: tuple[float, float] | None,
    exposure: float | None,
) -> tuple[str, ...]:
    """Where the ways to a common scale disagree, or the one asked for cannot be had."""
    names = f"{stages[first].name} and {stages[second].name}"
    said = []
    if wanted is not None and by != wanted:
        said.append(f"{names} cannot be compared by {wanted}; {by} is used instead.")
    others: list[tuple[str, str, float | None]] = [
        ("the windows", "windows", None if windows is None else windows[0]),
        ("the exposure settings", "exposure", exposure),
        ("an unchanged room", "room", 0.0 if by != "room light" else None),
    ]
    for words, option, value in others:
        if value is None or option == by or abs(value - room) <= DISAGREE:
            continue
        said.append(
            f"{names} were compared by {by}; by {words} every density would be "
            f"{abs(value - room):.2f} {'lower' if value < room else 'higher'} "
            f"(--scale {option}). Keep the room light and the camera's settings the same."
        )
    return tuple(said)


def _by_exposure(stages: Sequence[Stage], first: int, second: int) -> tuple[float | None, bool]:
    """Change of the room light by EXIF of the lights-off photos; and whether it proved true."""
    one, two = stages[first].check, stages[second].check
    surfaces = _surface_change(stages, first, second, 0)
    stated = [_stated(c.on.exposure) for c in (one, two)]
    cameras = {c.on.exposure.camera for c in (one, two)}
    if surfaces is None or stated[0] is None or stated[1] is None or len(cameras) > 1:
        return None, False
    change = surfaces - (stated[1] - stated[0])
    gains = [(c.exposure.gain[1], c.exposure.exif_gain) for c in (one, two)]
    true = all(exif and abs(np.log10(gain / exif)) < TRUTHFUL for gain, exif in gains)
    told = any(exif and abs(np.log10(exif)) > TELLING for _, exif in gains)
    return change, bool(true and told)


def _stated(exposure: Exposure) -> float | None:
    """Decimal logarithm of the exposure by EXIF."""
    value = relative_exposure(exposure)
    return None if not value else float(np.log10(value))


def _surface_change(stages: Sequence[Stage], first: int, second: int, plane: int) -> float | None:
    """log10 of the room-lit surfaces' light in the second lights-on photo / in the first.

    Args:
        plane: 0 luminance, 1 red, 2 blue.
    """
    one, two = stages[first].check.images, stages[second].check.images
    assert one is not None, "a fresh check keeps its images"
    assert two is not None, "a fresh check keeps its images"
    rows, cols = one.measured.shape
    y, x = np.mgrid[STEP_PX // 2 : rows : STEP_PX, STEP_PX // 2 : cols : STEP_PX]
    here = one.measured[y, x]
    x, y = x[here], y[here]
    photo = (np.column_stack([x, y]) + 0.5) * one.scale - 0.5
    moved = way(stages, first, second)
    there = photo if moved is None else moved(photo)
    at = np.round((there + 0.5) / two.scale - 0.5).astype(int)
    limit = two.measured.shape[::-1]
    good = np.asarray(((at >= 0) & (at < limit)).all(axis=1))
    good[good] &= two.measured[at[good, 1], at[good, 0]]
    a = one.unlit[plane][y[good], x[good]]
    b = two.unlit[plane][at[good, 1], at[good, 0]]
    seen = (a > DARK) & (b > DARK)
    if seen.sum() < MIN_SURFACES:
        return None
    return float(np.median(np.log10(b[seen] / a[seen])))


def _by_windows(stages: Sequence[Stage], first: int, second: int) -> tuple[float, float] | None:
    """Change of the room light if the windows shine as before, and its error; None: unknown.

    Channel by channel, so that a changed white balance drops out: a warm window that is white in
    red and green may be well exposed in blue.
    """
    found: list[float] = []
    for channel, plane in enumerate(PLANE_OF_CHANNEL):
        surfaces = _surface_change(stages, first, second, plane)
        if surfaces is None:
            continue
        before, after = (_lamp_levels(stages[k], channel, plane) for k in (first, second))
        found += [
            surfaces - float(np.log10(after[name] / before[name]))
            for name in sorted(before.keys() & after.keys())
        ]
    if len(found) < MIN_LAMPS:
        return None
    middle = float(np.median(found))
    spread = 1.4826 * float(np.median(np.abs(np.array(found) - middle)))
    if spread > CHANGED:
        return None
    return middle, max(spread / np.sqrt(len(found)), LAMP_ERROR)


def _lamp_levels(stage: Stage, channel: int, plane: int) -> dict[str, float]:
    """Median light that each opening which is well exposed in a channel adds, by name."""
    shapes, images = stage.check.openings, stage.check.images
    assert images is not None, "a fresh check keeps its images"
    light: NDArray[np.float32] = stage.frame.light[..., channel]
    clipped = stage.frame.clipped[..., channel]
    labels = label_map(Openings(shapes), shape=light.shape, scale=stage.frame.scale)
    found = {}
    for k, shape in enumerate(shapes, start=1):
        if shape.kind not in ("window", "beacon") or not inside(stage, np.vstack(shape.rings)):
            continue
        here = labels == k
        if here.sum() < 9 or clipped[here].mean() > 1 - UNCLIPPED_SHARE:
            continue
        level = float(np.median(light[here]))
        added = float(np.median((light - images.unlit[plane])[here]))
        if WELL_EXPOSED[0] < level < WELL_EXPOSED[1] and added > level / 2:
            found[shape.name] = added
    return found
