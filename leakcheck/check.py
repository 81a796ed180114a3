"""One pair from photos to result, a line for each step. Read this first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakcheck.added import added_light
from leakcheck.diagnose import Leak, Surroundings, described, kind_of
from leakcheck.facts import ExposureMatch, PhotoFacts, exposure_match, photo_facts
from leakcheck.group import grouped
from leakcheck.guess import Guess, guess_openings, not_among, regions_of_labels
from leakcheck.guess_shapes import guessed_openings
from leakcheck.lamps import Lamp, class_level, measure_lamps
from leakcheck.light import luminance
from leakcheck.limit import Faintest, Limit, limit_of
from leakcheck.openings import Opening, Openings
from leakcheck.openings_map import OpeningsMap, model_box, openings_map
from leakcheck.photo import (
    Frame,
    Image,
    Mask,
    Photo,
    frame_scale,
    linear_light,
)
from leakcheck.regions import Ground, Region, find_regions, finely, ground_of
from leakcheck.register import Registration, register, warp_off
from leakcheck.residual import Residual, light_beside, residual_light
from leakcheck.sanity import (
    lamps_seen,
    openings_lit,
    photo_tips,
    refuse_dark,
    refuse_empty,
    refuse_same,
    refuse_swapped,
    warnings_of,
)
from leakcheck.seeds import Plane
from leakcheck.settings import Settings
from leakcheck.side_glow import side_glows
from leakcheck.spill import Sorted, evidence, sort_out
from leakcheck.texture import any_channel
from leakcheck.threads import both, side_by_side

__all__ = [
    "Check",
    "ExposureMatch",
    "Faintest",
    "Images",
    "Limit",
    "PhotoFacts",
    "check",
    "glow_map",
]

IF_OPENING = (
    "If this is a window or beacon, write the openings down with --save-openings, look them over "
    "in a drawing program, and check again with --openings."
)

Progress: TypeAlias = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Images:
    """What was measured at every place of the lit frame, for comparing one test with another."""

    planes: tuple[Plane, ...]  # luminance, red, blue: added light and its variance
    unlit: tuple[Image, ...]  # per plane: (rows, cols), the surfaces without the lamps, linear
    measured: Mask  # (rows, cols), True where a leak could be seen
    scale: int  # photo px per frame px


@dataclass(frozen=True, eq=False)
class Check:
    """The result of one light test."""

    off: PhotoFacts
    on: PhotoFacts
    leaks: tuple[Leak, ...]  # strongest first
    spill: tuple[Leak, ...]  # light from openings on other surfaces: listed apart
    likely_openings: tuple[Leak, ...]  # without an openings file: bright, sharp-edged
    openings: tuple[Opening, ...]  # as measured with, in ON photo px
    lamps: tuple[Lamp, ...]  # the openings' own light
    limit: Limit
    registration: Registration
    exposure: ExposureMatch
    window_level: float | None  # linear light of the median window, lights off subtracted
    window_clipped: bool  # the median window is at the end of the scale
    flare_share: float  # light scattered by the lens / light of the openings
    mm_per_px: float | None
    warnings: tuple[str, ...]  # sentences for the user
    photo_tips: tuple[str, ...]  # what would make the photos better
    settings: Settings
    glow: Image | None  # (rows, cols) of the frame: added / unlit light; NaN: not measured
    guessed: tuple[Opening, ...] = ()  # without an openings file: the likely ones, named shapes
    images: Images | None = field(default=None, repr=False)  # what `compare` measures in

    @property
    def tight(self) -> bool:
        """True where no leak was found."""
        return not self.leaks

    def to_dict(self) -> dict[str, Any]:
        """The result as it goes into the JSON file."""
        from leakcheck.report.result_json import check_to_dict

        return check_to_dict(self)


def check(
    off: Photo,
    on: Photo,
    openings: Openings | None = None,
    *,
    settings: Settings = Settings(),  # noqa: B008  it is frozen
    progress: Progress = lambda _: None,
) -> Check:
    """Find the leaks in one pair.

    Args:
        off: the photo with the model's lights off.
        on: the photo with them on; all positions are in its pixels.
        openings: where light may leave, on the lights-on photo; None: nothing is known.
        settings: how to measure.
        progress: told what is being done.
    Raises: MeasurementError where the pair cannot be measured.
    """
    refuse_same(off, on)
    unlit, lit = side_by_side(_frame, (off, on))
    progress("Laying the photos onto each other")
    known = _openings_map(openings, lit, on)
    registration = register(
        unlit, lit, ignore=known.labels > 0, model=known.outline, tripod=settings.tripod
    )
    warped, overlap, dead = warp_off(unlit, registration, on_shape=known.shape, on_scale=lit.scale)
    facts = photo_facts(off, unlit), photo_facts(on, lit)
    del unlit  # the largest things are let go where they are not needed: photos are large
    progress("Matching the exposure")
    lit_clipped: Mask = any_channel(lit.clipped) > 0
    labels, guess = known.labels, None
    if openings is None:
        guess = guess_openings(
            warped, lit.light, overlap=overlap, unlit_clipped=dead, lit_clipped=lit.clipped
        )
        labels = guess.labels

    lamps_on = _lamps_on(guess, warped, lit, overlap, dead, off, on) if guess else True
    added = added_light(
        warped,
        lit.light,
        overlap=overlap,
        unlit_clipped=dead,
        lit_clipped=lit_clipped,
        openings=labels > 0,
    )
    del warped
    residual = residual_light(
        added,
        lit.light,
        lit_clipped=lit_clipped,
        openings=labels > 0,
        inside=known.outline,
        shift_px=_shift(registration, lit.scale, known.shape),
        carried_over=openings is not None and openings.carried_over,
    )
    del added
    surfaces = residual.unlit, *(lit.light[..., c] - residual.added[..., c] for c in (0, 2))
    refuse_swapped(residual, known.lamp_areas(), off, on)
    progress("Looking for light")
    (ground, fine), lamps = both(
        lambda: (ground_of(residual), finely(residual)),
        partial(_lamps, residual, lit.clipped, known, overlap & ~dead),
    )
    del lit, overlap, dead
    lamps_on = lamps_on and openings_lit(lamps)
    level = (
        class_level(lamps, "window")
        or class_level(lamps, "beacon")
        or _guessed_level(residual, lit_clipped, labels)
    )
    words = _surroundings(known, lit_clipped, level, settings)

    def is_leak(region: Region) -> bool:
        return evidence(region, kind_of(region, words)) >= 0

    regions, cuts = find_regions(
        residual, ground, fine, false_alarms=settings.false_alarms_per_pair, is_leak=is_leak
    )
    progress("Saying what it is")
    glows = side_glows(residual, ground, known.beacons())
    leaks, spill = sort_out(regions, words, glows=glows)
    likely = regions_of_labels(guess.labels, residual, ground) if guess else []
    if guess:
        leaks = _with_glows(leaks, regions_of_labels(guess.glows, residual, ground))
    refuse_dark(off, on, lamps_on=lamps_on, leaks=len(leaks))
    limit = limit_of(
        cuts,
        residual,
        ground,
        inside=known.walls(labels),
        scale=known.scale,
        window_level=words.window_level,
        is_leak=is_leak,
        found_leaks=_covered(leaks, known.shape),
    )
    beside = _beside(residual, ground, settings)
    match = exposure_match(residual.match, off, on)
    return Check(
        off=facts[0],
        on=facts[1],
        leaks=_numbered(leaks, words),
        spill=_numbered(spill + beside, words),
        likely_openings=_as_openings(
            _numbered([Sorted(r, leak=True, doubtful=False) for r in likely], words)
        ),
        openings=known.shapes,
        lamps=lamps,
        limit=limit,
        registration=registration,
        exposure=match,
        window_level=words.window_level,
        window_clipped=words.window_clipped,
        flare_share=residual.flare_share,
        mm_per_px=words.mm_per_px,
        warnings=warnings_of(
            known.warnings, lamps, registration, match.gain, match.exif_gain, lamps_on=lamps_on
        ),
        photo_tips=photo_tips(limit, residual, registration, lamps),
        settings=settings,
        glow=glow_map(residual, fine),
        guessed=guessed_openings(guess.openings, scale=known.scale) if guess else (),
        images=Images(
            planes=residual.planes,
            unlit=surfaces,
            measured=residual.measured,
            scale=known.scale,
        ),
    )


def _frame(photo: Photo) -> Frame:
    rows, cols = photo.encoded.shape[:2]
    frame = linear_light(photo, scale=frame_scale(rows, cols))
    refuse_empty(frame, photo)
    return frame


def _openings_map(openings: Openings | None, lit: Frame, on: Photo) -> OpeningsMap:
    rows, cols = lit.light.shape[:2]
    size = (on.encoded.shape[1], on.encoded.shape[0])
    return openings_map(openings, shape=(rows, cols), scale=lit.scale, photo_size=size)


def _lamps_on(
    guess: Guess, warped: Image, lit: Frame, overlap: Mask, dead: Mask, off: Photo, on: Photo
) -> bool:
    """Whether the lamps are on in the second photo, where no openings are known."""

    def backwards() -> Guess:
        return guess_openings(
            lit.light,
            warped,
            overlap=overlap,
            unlit_clipped=any_channel(lit.clipped) > 0,
            lit_clipped=np.repeat(dead[..., None], 3, axis=2),
        )

    return lamps_seen(guess, backwards, off, on)


def _shift(registration: Registration, scale: int, shape: tuple[int, int]) -> float | Image:
    """What registration leaves, frame px: place by place where it is known so."""
    if registration.identity:
        return 0.0
    if registration.residual_grid_px is None:
        return registration.residual_px / scale
    grid = registration.residual_grid_px / np.float32(scale)
    step = registration.shift_step_px / scale
    rows = np.minimum((np.arange(shape[0]) / step + 0.5).astype(int), grid.shape[0] - 1)
    cols = np.minimum((np.arange(shape[1]) / step + 0.5).astype(int), grid.shape[1] - 1)
    return np.asarray(grid[rows[:, None], cols[None]], np.float32)


def _lamps(
    residual: Residual, lit_clipped: Mask, known: OpeningsMap, usable: Mask
) -> tuple[Lamp, ...]:
    if not known.has_lamps:
        return ()
    return measure_lamps(
        residual.added,
        lit_clipped=lit_clipped,
        labels=known.labels,
        openings=known.shapes,
        usable=usable,
        scale=known.scale,
        noise_sigma=np.sqrt(residual.planes[0].variance),
    )


def _surroundings(
    known: OpeningsMap, clipped: Mask, level: tuple[float | None, bool], settings: Settings
) -> Surroundings:
    """What leaks are put into words against, the median window's level and if it is clipped too."""
    return Surroundings(
        openings=known.shapes,
        scale=known.scale,
        window_level=level[0],
        window_clipped=level[1],
        noticeable_contrast=settings.noticeable_contrast,
        mm_per_px=known.mm_per_px(settings.length_mm),
        model=model_box(known.shapes, known.photo_size),
        clipped=clipped,
    )


def _guessed_level(
    residual: Residual, clipped: Mask, labels: NDArray[np.int32]
) -> tuple[float | None, bool]:
    """Level of the median guessed opening, linear light, and whether any is clipped."""
    inside = labels > 0
    level = float(np.median(luminance(residual.added)[inside])) if inside.any() else 0.0
    return level or None, bool((clipped & inside).any())


def _with_glows(leaks: list[Sorted], glows: list[Region]) -> list[Sorted]:
    """Leaks with the large lights that the search for spots is blind to; strongest first."""
    more = not_among(glows, [item.region for item in leaks])
    leaks = leaks + [Sorted(region, leak=True, doubtful=True) for region in more]
    return sorted(leaks, key=lambda item: -item.region.glow)


def _covered(found: list[Sorted], shape: tuple[int, int]) -> Mask:
    """True in the pixels of what was found."""
    covered = np.zeros(shape, np.bool_)
    for item in found:
        covered[item.region.extent.box] |= item.region.extent.mask
    return covered


def _beside(residual: Residual, ground: Ground, settings: Settings) -> list[Sorted]:
    """Light on the bench and the wall that a person would notice: spill, strongest first."""
    if not residual.beside.any():
        return []
    light = light_beside(residual)
    regions, _ = find_regions(
        light,
        ground,
        finely(light),
        false_alarms=settings.false_alarms_per_pair,
        is_leak=lambda _: False,
    )
    return [
        Sorted(region, leak=False, doubtful=False)
        for region in grouped(regions)
        if region.contrast >= settings.noticeable_contrast
    ]


def _numbered(found: Sequence[Sorted], words: Surroundings) -> tuple[Leak, ...]:
    return tuple(
        described(
            item.region,
            number,
            kind_of(item.region, words) if item.leak else "spill",
            words,
            doubtful=item.doubtful,
        )
        for number, item in enumerate(found, start=1)
    )


def _as_openings(found: tuple[Leak, ...]) -> tuple[Leak, ...]:
    """What to do where light may be meant to come out: say so, else mend it as the leak it is."""
    return tuple(replace(leak, advice=f"{IF_OPENING} If not: {leak.advice}") for leak in found)


def glow_map(residual: Residual, fine: Image) -> Image:
    """Added / unlit luminance, (rows, cols) of the frame; NaN where nothing was measured.

    Args:
        residual: of the pair.
        fine: from `finely`.
    """
    ratio = fine / np.maximum(residual.unlit, np.float32(3e-4))
    return np.where(residual.measured, ratio, np.float32(np.nan))
