"""One pair from photos to result, a line for each step. Read this first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leakcheck.diagnose import Leak, Surroundings, described, kind_of
from leakcheck.group import grouped
from leakcheck.guess import Guess, guess_openings, not_among, regions_of_labels
from leakcheck.guess_shapes import guessed_openings
from leakcheck.lamps import Lamp, class_level, measure_lamps
from leakcheck.light import luminance
from leakcheck.limit import Faintest, Limit, limit_of
from leakcheck.openings import Opening, Openings, geometry_warnings, label_map, model_mask
from leakcheck.photo import (
    Exposure,
    Frame,
    Image,
    Mask,
    Photo,
    frame_scale,
    linear_light,
    relative_exposure,
)
from leakcheck.regions import Ground, Region, find_regions, ground_of
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
from leakcheck.settings import Settings
from leakcheck.side_glow import side_glows
from leakcheck.spill import Sorted, evidence, sort_out
from leakcheck.spots import Plane, smoothed
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

LAMPS = ("window", "beacon")
Progress: TypeAlias = Callable[[str], None]


@dataclass(frozen=True)
class PhotoFacts:
    """What a result says about one of its photos."""

    name: str
    path: str | None
    width_px: int
    height_px: int
    exposure: Exposure
    content_hash: str
    clipped_share: float


@dataclass(frozen=True)
class ExposureMatch:
    """How the two exposures were matched."""

    gain: tuple[float, float, float]  # lit / unlit per channel on surfaces that do not glow
    exif_gain: float | None  # the same from EXIF exposure: time x ISO / N^2
    drift: float  # largest smooth change of the room light across the photo, share
    surface_share: float  # share of the photo's pixels that it rests on


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
    refuse_empty(unlit, off)
    refuse_empty(lit, on)
    progress("Laying the photos onto each other")
    view = _view(lit, on, openings)
    registration = register(
        unlit, lit, ignore=view.labels > 0, model=view.outline, tripod=settings.tripod
    )
    warped, overlap, dead = warp_off(unlit, registration, on_shape=view.shape, on_scale=lit.scale)
    facts = _facts(off, unlit), _facts(on, lit)
    del unlit  # the largest things are let go where they are not needed: photos are large
    progress("Matching the exposure")
    lit_clipped: Mask = any_channel(lit.clipped) > 0
    labels, guess = view.labels, None
    if openings is None:
        guess = guess_openings(
            warped, lit.light, overlap=overlap, unlit_clipped=dead, lit_clipped=lit.clipped
        )
        labels = guess.labels

    lamps_on = _lamps_on(guess, warped, lit, overlap, dead, off, on) if guess else True
    residual = residual_light(
        warped,
        lit.light,
        overlap=overlap,
        unlit_clipped=dead,
        lit_clipped=lit_clipped,
        openings=labels > 0,
        inside=view.outline,
        shift_px=_shift(registration, lit.scale, view.shape),
        carried_over=openings is not None and openings.carried_over,
    )
    del warped
    refuse_swapped(residual, view.lamp_areas(), off, on)
    progress("Looking for light")
    ground, lamps = both(
        lambda: ground_of(residual), lambda: _lamps(residual, lit, view, overlap & ~dead)
    )
    lamps_on = lamps_on and openings_lit(lamps)
    level = class_level(lamps, "window") or class_level(lamps, "beacon")
    brightest = _brightest(residual, labels)
    window_level = level[0] if level else (brightest or None)
    words = Surroundings(
        openings=view.shapes,
        scale=lit.scale,
        window_level=window_level,
        window_clipped=level[1] if level else bool((lit_clipped & (labels > 0)).any()),
        noticeable_contrast=settings.noticeable_contrast,
        mm_per_px=_mm_per_px(settings, view, on),
        model=_box(view, on),
    )

    def is_leak(region: Region) -> bool:
        return evidence(region, kind_of(region, words)) >= 0

    regions, cuts = find_regions(
        residual,
        ground,
        false_alarms=settings.false_alarms_per_pair,
        is_leak=is_leak,
    )
    progress("Saying what it is")
    glows = side_glows(residual, ground, view.beacons())
    leaks, spill = sort_out(regions, words, glows=glows)
    likely = regions_of_labels(guess.labels, residual, ground) if guess else []
    if guess:
        leaks = _with_glows(leaks, regions_of_labels(guess.glows, residual, ground))
    refuse_dark(off, on, lamps_on=lamps_on, leaks=len(leaks))
    beside, limit = both(
        lambda: _beside(residual, ground, settings),
        lambda: limit_of(
            cuts,
            residual,
            ground,
            inside=_inside(view, labels),
            scale=lit.scale,
            window_level=window_level,
            is_leak=is_leak,
            found_leaks=_covered(leaks, view.shape),
        ),
    )
    match = _exposure_match(residual, off, on)
    return Check(
        off=facts[0],
        on=facts[1],
        leaks=_numbered(leaks, words),
        spill=_numbered(spill + beside, words),
        likely_openings=_as_openings(
            _numbered([Sorted(r, leak=True, doubtful=False) for r in likely], words)
        ),
        openings=view.shapes,
        lamps=lamps,
        limit=limit,
        registration=registration,
        exposure=match,
        window_level=window_level,
        window_clipped=words.window_clipped,
        flare_share=residual.flare_share,
        mm_per_px=words.mm_per_px,
        warnings=warnings_of(
            view.warnings, lamps, registration, match.gain, match.exif_gain, lamps_on=lamps_on
        ),
        photo_tips=photo_tips(limit, residual, registration, lamps),
        settings=settings,
        glow=glow_map(residual),
        guessed=guessed_openings(guess.openings, scale=lit.scale) if guess else (),
        images=Images(
            planes=residual.planes,
            unlit=(residual.unlit, *(lit.light[..., c] - residual.added[..., c] for c in (0, 2))),
            measured=residual.measured,
            scale=lit.scale,
        ),
    )


@dataclass(frozen=True, eq=False)
class _View:
    """The lit frame with what is known of its openings."""

    shape: tuple[int, int]
    labels: NDArray[np.int32]
    outline: Mask | None
    shapes: tuple[Opening, ...]
    warnings: tuple[str, ...]

    def lamp_areas(self) -> Mask:
        """True inside windows and beacons, (rows, cols) of the frame."""
        lamps = [k + 1 for k, shape in enumerate(self.shapes) if shape.kind in LAMPS]
        return np.isin(self.labels, lamps)

    def beacons(self) -> dict[str, Mask]:
        """True inside each beacon, (rows, cols) of the frame, by name."""
        return {
            shape.name: self.labels == k
            for k, shape in enumerate(self.shapes, start=1)
            if shape.kind == "beacon"
        }


def _frame(photo: Photo) -> Frame:
    rows, cols = photo.encoded.shape[:2]
    return linear_light(photo, scale=frame_scale(rows, cols))


def _view(lit: Frame, on: Photo, openings: Openings | None) -> _View:
    shape = (lit.light.shape[0], lit.light.shape[1])
    if openings is None:
        return _View(shape, np.zeros(shape, np.int32), None, (), ())
    size = (on.encoded.shape[1], on.encoded.shape[0])
    return _View(
        shape,
        label_map(openings, shape=shape, scale=lit.scale),
        model_mask(openings, shape=shape, scale=lit.scale),
        openings.shapes,
        geometry_warnings(openings, size=size),
    )


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


def _lamps(residual: Residual, lit: Frame, view: _View, usable: Mask) -> tuple[Lamp, ...]:
    if not any(shape.kind in LAMPS for shape in view.shapes):
        return ()
    return measure_lamps(
        residual.added,
        lit_clipped=lit.clipped,
        labels=view.labels,
        openings=view.shapes,
        usable=usable,
        scale=lit.scale,
        noise_sigma=np.sqrt(residual.planes[0].variance),
    )


def _brightest(residual: Residual, labels: NDArray[np.int32]) -> float:
    """Level of the median guessed opening, linear light; 0 where there is none."""
    inside = labels > 0
    return float(np.median(luminance(residual.added)[inside])) if inside.any() else 0.0


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
    regions, _ = find_regions(
        light_beside(residual),
        ground,
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


def _box(view: _View, on: Photo) -> NDArray[np.float64]:
    """Corners (x, y) of the model, or of the photo where no outline is given."""
    rings = [ring for shape in view.shapes if shape.kind == "model" for ring in shape.rings]
    if not rings:
        return np.array([[0.0, 0.0], [on.encoded.shape[1], on.encoded.shape[0]]])
    points = np.vstack(rings)
    return np.stack([points.min(axis=0), points.max(axis=0)])


def _mm_per_px(settings: Settings, view: _View, on: Photo) -> float | None:
    if settings.length_mm is None:
        return None
    (left, top), (right, bottom) = _box(view, on)
    return settings.length_mm / float(max(right - left, bottom - top, 1.0))


def _inside(view: _View, labels: NDArray[np.int32]) -> Mask:
    """The model less its openings; the whole frame where no outline is given."""
    closed: Mask = labels == 0
    return closed if view.outline is None else closed & view.outline


def _facts(photo: Photo, frame: Frame) -> PhotoFacts:
    return PhotoFacts(
        name=photo.name,
        path=None if photo.path is None else str(photo.path),
        width_px=photo.encoded.shape[1],
        height_px=photo.encoded.shape[0],
        exposure=photo.exposure,
        content_hash=photo.content_hash,
        clipped_share=float(any_channel(frame.clipped).mean()),
    )


def _exposure_match(residual: Residual, off: Photo, on: Photo) -> ExposureMatch:
    match = residual.match
    middle = np.median(match.gain, axis=1)
    stated = [relative_exposure(photo.exposure) for photo in (off, on)]
    return ExposureMatch(
        gain=(float(middle[0]), float(middle[1]), float(middle[2])),
        exif_gain=stated[1] / stated[0] if stated[0] and stated[1] else None,
        drift=float((np.abs(match.drift).sum(axis=1) / np.maximum(middle, 1e-6)).max()),
        surface_share=match.surface_share,
    )


def glow_map(residual: Residual) -> Image:
    """Added / unlit luminance, (rows, cols) of the frame; NaN where nothing was measured."""
    fine = smoothed(residual.luminance, residual.measured, 1.0)
    ratio = fine / np.maximum(residual.unlit, np.float32(3e-4))
    return np.where(residual.measured, ratio, np.float32(np.nan))
