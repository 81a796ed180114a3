"""What a pair itself says about being measured: refusals, warnings, tips for better photos."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from leakcheck.errors import ExposureError, UsageError
from leakcheck.guess import Guess
from leakcheck.lamps import Lamp
from leakcheck.light import LUMINANCE, block_mean, blurred
from leakcheck.limit import Limit
from leakcheck.photo import Frame, Image, Mask, Photo
from leakcheck.register import Registration
from leakcheck.residual import Residual

# The same picture saved twice.
LOOK_PX = 1536  # side of the middle that grain is compared in
LOOK_BLOCKS = 8  # rows of blocks looked at at once: one place that differs is enough
SAME_BLOCK, SAME_CODES = 4, 8.0  # blocks of one picture saved twice differ by less, 8-bit codes
GRAIN_PX = 1.5  # what is finer is grain
GRAIN_BLOCK, FLAT_SHARE, LEAST_BLOCKS = 16, 0.2, 40  # grain shows in the flattest blocks
SAME_GRAIN = 0.8  # correlation; two exposures of one scene reach 0.6, a copy at quality 90 has 0.9
BRIGHT_SHARE = 0.001  # of the values of a photo that is not black
BLACK = 0.002  # linear light that hardly a pixel of a black photo passes
WHITE_SHARE = 0.9  # of a blown-out photo's pixels are clipped
# Light that only one of the photos has.
SWAPPED_TIMES = 1.4  # light lost / light added from which the photos look swapped
MANY_OPENINGS = 20  # guessed in one photo; so many are no accident
LEAST_LIGHT = 6.0  # what shifted edges add up to, level x root of area in px
LEAST_LOST = 0.02  # linear light that openings lose where a lamp goes out
DARK_OPENINGS = 0.5  # share of openings without light from which the lamps look off
EXIF_STOPS = 0.5  # by which measured and stated exposure may differ: phones round them
FEW_POINTS = 60


def refuse_same(off: Photo, on: Photo) -> None:
    """Refuse one file given twice, and one picture saved twice."""
    if off.content_hash == on.content_hash:
        raise UsageError(
            f"{off.name} and {on.name} are the same photo; give one with the model's lights off "
            "and one with them on"
        )
    if _same_picture(off, on):
        raise UsageError(
            f"{off.name} and {on.name} are the same picture saved twice; give one with the "
            "model's lights off and one with them on"
        )


def _same_picture(off: Photo, on: Photo) -> bool:
    """Whether two files hold one exposure: they differ nowhere by much and share their grain."""
    if off.encoded.shape != on.encoded.shape:
        return False
    rows, cols = off.encoded.shape[:2]
    if min(rows, cols) < SAME_BLOCK:
        return False
    step = SAME_BLOCK * LOOK_BLOCKS
    # From the middle outwards, where the lamps are: most pairs are told apart by their first strip.
    tops = range(0, rows // SAME_BLOCK * SAME_BLOCK, step)
    for top in sorted(tops, key=lambda top: abs(2 * top + step - rows)):
        here = slice(top, top + step)
        first, second = (block_mean(_codes(photo, here), SAME_BLOCK) for photo in (off, on))
        if first.size and float(np.abs(first - second).max()) > SAME_CODES:
            return False
    return _grain_alike(_middle(off), _middle(on)) > SAME_GRAIN


def _codes(photo: Photo, *window: slice) -> Image:
    """Green code values in a window as of an 8-bit photo, (rows, cols)."""
    green = photo.encoded[window][..., 1].astype(np.float32)
    scale = 255.0 / float(np.iinfo(photo.encoded.dtype).max)
    return np.asarray(green * np.float32(scale), np.float32)


def _middle(photo: Photo) -> Image:
    """The middle of a photo, as `_codes` gives it."""
    sides = (max((size - LOOK_PX) // 2, 0) for size in photo.encoded.shape[:2])
    return _codes(photo, *(slice(side, side + LOOK_PX) for side in sides))


def _grain_alike(first: Image, second: Image) -> float:
    """Correlation of the finest structure of two greys in their flattest parts."""
    grains = [grey - blurred(grey, GRAIN_PX) for grey in (first, second)]
    powers = [block_mean(grain * grain, GRAIN_BLOCK) for grain in grains]
    shared = block_mean(grains[0] * grains[1], GRAIN_BLOCK)
    seen = (powers[0] > 0) & (powers[1] > 0)
    if np.count_nonzero(seen) < LEAST_BLOCKS:
        return 0.0
    both = powers[0] + powers[1]
    flat = seen & (both <= np.quantile(both[seen], FLAT_SHARE))
    return float(shared[flat].sum() / np.sqrt(powers[0][flat].sum() * powers[1][flat].sum()))


def refuse_empty(frame: Frame, photo: Photo) -> None:
    """Refuse photos that are black or white all over."""
    if float((frame.light[::4, ::4] >= BLACK).mean()) < BRIGHT_SHARE:
        raise ExposureError(
            f"{photo.name} is black all over; leave a dim room light on, or expose longer"
        )
    if float(frame.clipped[::4, ::4].mean()) > WHITE_SHARE:
        raise ExposureError(
            f"{photo.name} is white all over; expose so that the windows are just not white"
        )


def refuse_swapped(residual: Residual, openings: Mask, off: Photo, on: Photo) -> None:
    """Refuse a pair given the wrong way round, by what its drawn openings lose and gain."""
    if not openings.any():
        return
    added = residual.added[openings] @ LUMINANCE
    gained, lost = float(np.maximum(added, 0).mean()), float(np.maximum(-added, 0).mean())
    if lost > max(SWAPPED_TIMES * gained, gained + LEAST_LOST):
        raise _swapped(off, on)


def lamps_seen(guess: Guess, backwards: Callable[[], Guess], off: Photo, on: Photo) -> bool:
    """Whether some lamp is on in the second photo only, as far as a guess can tell.

    Args:
        guess: of the pair.
        backwards: gives the guess of the pair the other way round, where it is needed.
        off, on: for the message.
    Raises: ExposureError where the lamps are on in the first photo instead.
    """
    if len(guess.openings) >= MANY_OPENINGS:
        return True
    lost = backwards().strength
    if lost > max(SWAPPED_TIMES * guess.strength, LEAST_LIGHT):
        raise _swapped(off, on)
    return guess.strength > LEAST_LIGHT


def _swapped(off: Photo, on: Photo) -> ExposureError:
    return ExposureError(
        f"{off.name} has lights on that {on.name} has not; the photos look swapped: give the one "
        "with the lights off first"
    )


def openings_lit(lamps: Sequence[Lamp]) -> bool:
    """Whether some drawn opening is lit; True where none is drawn, as then none is expected."""
    return not lamps or any("dark" not in lamp.findings for lamp in lamps)


def refuse_dark(off: Photo, on: Photo, *, lamps_on: bool, leaks: int) -> None:
    """Refuse a pair without any new light: it says nothing about leaks."""
    if not lamps_on and not leaks:
        raise ExposureError(
            f"nothing new is lit in {on.name} beside {off.name}; if all openings are covered, no "
            "leak shows, else switch the model's lights on for the second photo"
        )


def warnings_of(
    given: Sequence[str],
    lamps: Sequence[Lamp],
    registration: Registration,
    gain: Sequence[float],
    exif_gain: float | None,
    *,
    lamps_on: bool,
) -> tuple[str, ...]:
    """Sentences on what makes the result less sure."""
    said = list(given)
    if not lamps_on and not lamps:
        said.append("No lit opening was found: are the model's lights on in the second photo?")
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
