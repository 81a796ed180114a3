"""What a pair itself says about being measured: refusals, warnings, tips for better photos."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leakcheck.errors import ExposureError, UsageError
from leakcheck.lamps import Lamp
from leakcheck.limit import Limit
from leakcheck.photo import Frame, Photo
from leakcheck.register import Registration
from leakcheck.residual import Residual

BLACK = 0.002  # linear light that hardly a pixel of a black photo passes
WHITE_SHARE = 0.9  # of a blown-out photo's pixels are clipped
LEAST_NEW = 4.0  # sigma; less new light anywhere is none
SWAPPED_SHARE = 4.0  # light lost / light added from which the photos look swapped
DARK_OPENINGS = 0.5  # share of openings without light from which the lamps look off
CLIPPED_TIP = 0.02  # clipped share of an opening that hides its level
EXIF_STOPS = 0.5  # by which measured and stated exposure may differ: phones round them
FEW_POINTS = 60


def refuse_same(off: Photo, on: Photo) -> None:
    """Refuse one file given twice."""
    if off.content_hash == on.content_hash:
        raise UsageError(
            f"{off.name} and {on.name} are the same photo; give one with the model's lights off "
            "and one with them on"
        )


def refuse_empty(frame: Frame, photo: Photo) -> None:
    """Refuse photos that are black or white all over."""
    if float(np.quantile(frame.light[::4, ::4], 0.999)) < BLACK:
        raise ExposureError(
            f"{photo.name} is black all over; leave a dim room light on, or expose longer"
        )
    if float(frame.clipped[::4, ::4].mean()) > WHITE_SHARE:
        raise ExposureError(
            f"{photo.name} is white all over; expose so that the windows are just not white"
        )


def refuse_unlike(residual: Residual, off: Photo, on: Photo) -> None:
    """Refuse a pair given the wrong way round."""
    added = residual.planes[0].residual[::2, ::2]
    all_added = residual.added[::2, ::2].sum(axis=2)
    spread = np.sqrt(residual.planes[0].variance[::2, ::2])
    strong = 6.0 * spread
    gained = float(all_added[all_added > np.maximum(strong, 0.05)].sum())
    lost = float(-all_added[all_added < -np.maximum(strong, 0.05)].sum())
    if lost > SWAPPED_SHARE * max(gained, 1.0) and lost > 0.0005 * added.size:
        raise ExposureError(
            f"{off.name} has lights on that {on.name} has not; the photos look swapped: give the "
            "one with the lights off first"
        )


def warnings_of(
    given: Sequence[str],
    lamps: Sequence[Lamp],
    registration: Registration,
    gain: Sequence[float],
    exif_gain: float | None,
) -> tuple[str, ...]:
    """Sentences on what makes the result less sure."""
    said = list(given)
    dark = [lamp.name for lamp in lamps if "dark" in lamp.findings]
    if lamps and len(dark) > DARK_OPENINGS * len(lamps):
        said.append(
            f"{len(dark)} of {len(lamps)} openings are dark: are the model's lights on in the "
            "second photo, and were the openings drawn on this view?"
        )
    elif dark:
        said.append("No light comes from " + ", ".join(f'"{name}"' for name in dark) + ".")
    if registration.points < FEW_POINTS:
        said.append(
            f"The photos were laid onto each other by {registration.points} points only; "
            "a dim lamp that shows the model's edges in both makes that surer."
        )
    if exif_gain and abs(np.log2(max(gain[1], 1e-6) / exif_gain)) > EXIF_STOPS:
        said.append(
            f"By their exposure settings the second photo should be {exif_gain:.2g} times as "
            f"bright, by the model's surfaces it is {gain[1]:.2g} times: did the room light change?"
        )
    return tuple(said)


def photo_tips(
    limit: Limit, residual: Residual, registration: Registration, lamps: Sequence[Lamp]
) -> tuple[str, ...]:
    """What would make the next photos show fainter leaks."""
    tips = []
    clipped = [lamp for lamp in lamps if lamp.level_at_least]
    if clipped and len(clipped) >= len(lamps) / 2:
        tips.append(
            "Most openings are white beyond measure: expose a second pair so that they are just "
            "not white, and their level and colour can be told."
        )
    if limit.limited_by == "bright room":
        tips.append("Dim the room: the brighter it is, the stronger a leak must be to show.")
    if limit.limited_by == "dark room":
        tips.append("Leave one dim lamp on, so that the model's edges show in both photos.")
    if limit.limited_by == "noise":
        tips.append("Expose longer from a tripod at a low ISO: that lowers the noise.")
    if limit.limited_by == "flare":
        tips.append("Wipe the lens, and expose so that the openings are just not white.")
    if limit.limited_by == "shake" or not registration.identity:
        tips.append("Use a tripod and the self-timer, so that both photos line up by themselves.")
    if abs(float(np.median(residual.match.gain)) - 1) > 0.15:
        tips.append("Lock exposure and white balance, so that both photos are taken alike.")
    return tuple(tips)
