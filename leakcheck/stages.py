"""Several tests of one model, taken apart and set up anew between them, in one geometry."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from leakcheck.carry import carried_to
from leakcheck.check import Check, check
from leakcheck.errors import MeasurementError, RegistrationError, UsageError
from leakcheck.motion import project
from leakcheck.openings import Openings
from leakcheck.photo import Frame, Photo, frame_scale, linear_light
from leakcheck.register import Registration, register
from leakcheck.settings import Settings

Points = NDArray[np.float64]  # (n, 2) of x, y
Moved = Callable[[Points], Points]  # photo px of one stage -> photo px of another

ROUNDS = 12  # of the search backwards through a registration; each leaves a tenth or less
CLOSE_PX = 0.02


@dataclass(frozen=True, eq=False)
class Pair:
    """The two photos of one stage."""

    name: str
    off: Photo
    on: Photo


@dataclass(frozen=True, eq=False)
class Stage:
    """One test, checked, and where it lies in the geometry that all tests share."""

    name: str
    check: Check
    on: Photo
    frame: Frame  # the lights-on photo's light
    from_base: Registration | None  # base's lights-on photo px -> this one's; None: it is the base

    @property
    def slack_px(self) -> float:
        """What its registration leaves, photo px of the base."""
        return 0.0 if self.from_base is None else self.from_base.residual_px


def checked_stages(
    pairs: Sequence[Pair],
    openings: Openings | None,
    *,
    base: int = 0,
    settings: Settings = Settings(),  # noqa: B008  it is frozen
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[Stage, ...]:
    """Check every pair with the same openings, carried from stage to stage.

    Args:
        pairs: at least two, in order.
        openings: on the lights-on photo of pair `base`, or None.
        base: the stage whose lights-on photo the others are laid onto.
        settings: for every check.
        progress: told what is being done.
    Raises:
        UsageError: fewer than two pairs, or one pair given as two stages with other photos.
        MeasurementError: a pair cannot be measured, or two stages cannot be laid onto each other.
    """
    if len(pairs) < 2:
        raise UsageError("a comparison needs two stages or more; give a folder for each")
    middle = _frame(pairs[base].on)
    found: list[Stage] = []
    for k, pair in enumerate(pairs):
        frame = middle if k == base else _frame(pair.on)
        shapes, link = openings, None
        if k != base:
            progress(f"Laying {pair.name} onto {pairs[base].name}")
            shapes, link = _laid_on(pair, frame, pairs[base], middle, openings)
        result = _named(
            pair.name,
            partial(
                check,
                pair.off,
                pair.on,
                shapes,
                settings=settings,
                progress=partial(_said, pair.name, progress),
            ),
        )
        found.append(Stage(pair.name, result, pair.on, frame, link))
    return tuple(found)


def way(stages: Sequence[Stage], start: int, end: int) -> Moved | None:
    """Lights-on photo px of one stage -> those of another; None where they are the same photo."""
    there = stages[end].from_base
    back = stages[start].from_base
    if start == end or (there is None and back is None):
        return None
    same = stages[start].check.on.content_hash == stages[end].check.on.content_hash
    if same:
        return None

    def moved(xy: Points) -> Points:
        at = np.asarray(xy, float).reshape(-1, 2)
        at = at if back is None else backwards(back, at)
        return at if there is None else there.on_to_off(at)

    return moved


def backwards(registration: Registration, xy: Points) -> Points:
    """The inverse of `Registration.on_to_off`, by repeated correction.

    Args:
        registration: smooth, its parallax a small part of its homography.
        xy: (n, 2), px of the photo that was laid on.
    Returns: (n, 2), px of the photo that stayed.
    """
    inverse: NDArray[np.float64] = np.asarray(np.linalg.inv(registration.homography), np.float64)
    at: NDArray[np.float64] = project(inverse, np.asarray(xy, float))
    if registration.shift_px is None:
        return at
    for _ in range(ROUNDS):
        # The homography turns what is missing there into what is missing here.
        reached = np.asarray(registration.on_to_off(at), float)
        step = project(inverse, np.asarray(xy, float)) - project(inverse, reached)
        at = at + step
        if float(np.abs(step).max(initial=0.0)) < CLOSE_PX:
            break
    return at


def inside(stage: Stage, xy: Points) -> bool:
    """Whether most points lie on a stage's lights-on photo."""
    size = np.array([stage.check.on.width_px, stage.check.on.height_px])
    return bool(((xy >= 0) & (xy <= size - 1)).all(axis=1).mean() > 0.5)


def _frame(photo: Photo) -> Frame:
    rows, cols = photo.encoded.shape[:2]
    return linear_light(photo, scale=frame_scale(rows, cols))


def _laid_on(
    pair: Pair, frame: Frame, base: Pair, middle: Frame, openings: Openings | None
) -> tuple[Openings | None, Registration]:
    """The openings in this pair's lights-on photo, and where each point of the base's lies."""
    try:
        if openings is None:
            return None, register(frame, middle)
        return carried_to(frame, openings, middle)
    except RegistrationError as error:
        raise RegistrationError(f"{pair.name} and {base.name}: {error}") from error


def _said(name: str, progress: Callable[[str], None], step: str) -> None:
    progress(f"{name}: {step}")


def _named(name: str, measure: Callable[[], Check]) -> Check:
    """The check; an error says in which stage it happened."""
    try:
        return measure()
    except MeasurementError as error:
        raise type(error)(f"{name}: {error}") from error
