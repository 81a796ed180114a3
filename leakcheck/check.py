"""One pair from photos to result, a line for each step. Read this first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from leakcheck.diagnose import Leak
from leakcheck.openings import Opening
from leakcheck.photo import Exposure
from leakcheck.register import Registration
from leakcheck.settings import Settings


@dataclass(frozen=True)
class Faintest:
    """The weakest leak that this pair could have shown."""

    contrast: float  # added light / room light on the same surface, no unit
    level: float | None  # added light / median window, no unit; None where no window is lit


@dataclass(frozen=True)
class Limit:
    """What the pair could not have shown, as typical (median) places of the model."""

    pinhole_far: Faintest  # further than `near` from any lit opening
    pinhole_near: Faintest
    broad_far: Faintest
    broad_near: Faintest
    near_px: float  # what counts as near, photo px from the edge of an opening
    limited_by: str  # noise, flare, clipping, bright room, shake or dark room
    blind_share: float  # share of the model where nothing could be measured


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
class Check:
    """The result of one light test."""

    off: PhotoFacts
    on: PhotoFacts
    leaks: tuple[Leak, ...]  # strongest first
    spill: tuple[Leak, ...]  # light from openings on other surfaces: listed apart
    likely_openings: tuple[Leak, ...]  # without an openings file: bright, sharp-edged
    openings: tuple[Opening, ...]  # as measured with, in ON photo px
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

    @property
    def tight(self) -> bool:
        """True where no leak was found."""
        return not self.leaks

    def to_dict(self) -> dict[str, Any]:
        """The result as it goes into the JSON file."""
        raise NotImplementedError
