"""What a result says about its photos and how their exposures were matched."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leakcheck.exposure import Match
from leakcheck.photo import Exposure, Frame, Photo, relative_exposure
from leakcheck.texture import any_channel


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


def photo_facts(photo: Photo, frame: Frame) -> PhotoFacts:
    """Facts of a photo, and how much of the frame made from it is clipped."""
    return PhotoFacts(
        name=photo.name,
        path=None if photo.path is None else str(photo.path),
        width_px=photo.encoded.shape[1],
        height_px=photo.encoded.shape[0],
        exposure=photo.exposure,
        content_hash=photo.content_hash,
        clipped_share=float(any_channel(frame.clipped).mean()),
    )


def exposure_match(match: Match, off: Photo, on: Photo) -> ExposureMatch:
    """A match across the frame as single numbers, beside what EXIF says of both photos."""
    middle = np.median(match.gain, axis=1)
    stated = [relative_exposure(photo.exposure) for photo in (off, on)]
    return ExposureMatch(
        gain=(float(middle[0]), float(middle[1]), float(middle[2])),
        exif_gain=stated[1] / stated[0] if stated[0] and stated[1] else None,
        drift=float((np.abs(match.drift).sum(axis=1) / np.maximum(middle, 1e-6)).max()),
        surface_share=match.surface_share,
    )
