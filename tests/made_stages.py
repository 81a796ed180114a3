"""Hand-made tests of a flat model, for what is told of two of them: light on any surface."""

from __future__ import annotations

from dataclasses import replace

import made_checks as made
import numpy as np

from leakcheck.check import Check, Images
from leakcheck.diagnose import Leak
from leakcheck.photo import Frame, Image, Mask
from leakcheck.register import Registration
from leakcheck.seeds import Plane
from leakcheck.stages import Stage

SHAPE = (240, 320)  # rows and columns of a frame
GREY = 0.2  # linear light of a plain surface
NOISE = 0.01  # added / unlit light, one frame px
ROWS, COLS = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)


def registration(
    *, at: tuple[float, float] = (0.0, 0.0), residual_px: float = 0.0, parallax: bool = False
) -> Registration:
    """A move by so many photo px in x and y; with parallax it leaves nothing but hidden strips."""
    matrix = np.eye(3)
    matrix[:2, 2] = at
    shift = np.zeros((2, 2, 2), np.float32) if parallax else None
    return Registration(matrix, shift, 1e4, residual_px, 1.0, 500, "drawn")


def noise_of(seed: int, *, level: float = NOISE, shape: tuple[int, int] = SHAPE) -> Image:
    """What noise adds / unlit light, one number for each frame px, all independent."""
    return level * np.random.default_rng(seed).standard_normal(shape, dtype=np.float32)


def line(
    x: float, y: float, *, length_px: float = 60.0, width_px: float = 2.0, turn: float = 0.0
) -> Image:
    """A straight line of light of height 1, its width between half heights, frame px.

    Args:
        x, y: its middle.
        turn: from the rows, radians.
    """
    across = (ROWS - y) * np.cos(turn) - (COLS - x) * np.sin(turn)
    along = (COLS - x) * np.cos(turn) + (ROWS - y) * np.sin(turn)
    ends = np.clip(length_px / 2 - np.abs(along) + 0.5, 0, 1)
    return np.asarray(ends * np.exp(-np.log(2) * (2 * across / width_px) ** 2), np.float32)


def dot(x: float, y: float, *, sigma_px: float = 2.0) -> Image:
    """A bell of light of height 1, frame px."""
    return np.asarray(np.exp(-((COLS - x) ** 2 + (ROWS - y) ** 2) / (2 * sigma_px**2)), np.float32)


def stage(
    name: str,
    ratio: Image,
    *,
    surface: Image | float = GREY,
    noise: float = NOISE,
    measured: Mask | None = None,
    scale: int = 1,
    at: tuple[float, float] | None = None,
    laid: Registration | None = None,
    leaks: tuple[Leak, ...] = (),
    spill: tuple[Leak, ...] = (),
    **changes: object,
) -> Stage:
    """One test of a flat model.

    Args:
        ratio: (rows, cols), added / unlit light, with its noise.
        surface: linear light of the surfaces without the lamps.
        noise: what the test says its noise is, of `ratio`, one frame px.
        scale: photo px per frame px.
        at: where the base's first pixel lies on this photo, photo px x, y; None: it is the base.
        laid: its unlit photo onto its lit one; None: they line up pixel by pixel.
    """
    shape = ratio.shape
    unlit = np.broadcast_to(np.float32(surface), shape)
    plane = Plane("luminance", ratio * unlit, np.square(np.float32(noise) * unlit), (1.0,))
    images = Images(
        planes=(plane, replace(plane, name="red"), replace(plane, name="blue")),
        unlit=(unlit, unlit, unlit),
        measured=np.ones(shape, np.bool_) if measured is None else measured,
        scale=scale,
    )
    size = {"width_px": shape[1] * scale, "height_px": shape[0] * scale}
    facts = replace(made.facts(f"{name}.jpg"), content_hash=name, **size)
    check: Check = made.check(
        on=facts,
        images=images,
        leaks=leaks,
        spill=spill,
        openings=(),
        lamps=(),
        registration=laid or registration(),
        window_level=None,
        **changes,
    )
    light = np.repeat(((1 + ratio) * unlit)[..., None], 3, axis=2).astype(np.float32)
    return Stage(
        name=name,
        check=check,
        on=made.photo(np.zeros((2, 2, 3), np.uint8)),
        frame=Frame(light, np.zeros(light.shape, np.bool_), scale),
        from_base=None if at is None else registration(at=at),
    )


def pair_of(before: Image, after: Image, **changes: object) -> tuple[Stage, Stage]:
    """Two tests of one pose that share all but their light."""
    return (
        stage("before", before, **changes),
        stage("after", after, at=(0.0, 0.0), **changes),
    )
