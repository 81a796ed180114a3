"""The pictures of a saved check from its photos: nothing is searched, judged or measured anew."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from leakcheck.added import added_light
from leakcheck.check import glow_map
from leakcheck.errors import MeasurementError, PhotoError
from leakcheck.openings import Opening, Openings, label_map, model_mask
from leakcheck.photo import frame_scale, linear_light, read_photo
from leakcheck.regions import finely
from leakcheck.register import warp_off
from leakcheck.residual import residual_light

if TYPE_CHECKING:
    from leakcheck.check import Check, PhotoFacts
    from leakcheck.photo import Frame, Image, Photo


def photo_of(facts: PhotoFacts, *, result: Path, given: Path | None = None) -> Photo:
    """A photo that a result was made of.

    Args:
        facts: what the result says about it.
        result: the result file: the photo may lie beside it or in the folder above.
        given: where it is now; None looks where it was, then near the result.
    Raises: PhotoError where it is not there or not the same photo any more.
    """
    if given is not None:
        places = [given]
    else:
        near = [result.parent / facts.name, result.parent.parent / facts.name]
        was = [] if facts.path is None else [Path(facts.path), result.parent / facts.path]
        places = [place for place in (*was, *near) if place.is_file()]
    if not places:
        raise PhotoError(
            f"{result} was made of {facts.path or facts.name}, which is not there; put the photo"
            " beside the result, or say with --off and --on where both are."
        )
    photos = (read_photo(place) for place in places)
    same = next((photo for photo in photos if photo.content_hash == facts.content_hash), None)
    if same is None:
        raise PhotoError(
            f"{places[0]} is not the photo that {result} was made of: it has changed since. Run"
            " the check again, or say with --off and --on where the photos are."
        )
    return same


def glow_again(check: Check, off: Photo, on: Photo) -> Image | None:
    """The added light of a saved check, laid on and subtracted as its result says.

    Returns: as `Check.glow`; None where the photos can no longer be subtracted.
    """
    unlit, lit = _frame(off), _frame(on)
    warped, overlap, dead = warp_off(
        unlit, check.registration, on_shape=lit.light.shape[:2], on_scale=lit.scale
    )
    shapes = check.openings or tuple(
        Opening(f"o{leak.number}", "window", (np.asarray(leak.outline, float),))
        for leak in check.likely_openings
    )
    openings = Openings(shapes)
    where: dict[str, Any] = {"shape": lit.light.shape[:2], "scale": lit.scale}
    inside_openings = label_map(openings, **where) > 0
    clipped = np.asarray(lit.clipped.any(axis=2))
    try:
        added = added_light(
            warped,
            lit.light,
            overlap=overlap,
            unlit_clipped=dead,
            lit_clipped=clipped,
            openings=inside_openings,
        )
        residual = residual_light(
            added,
            lit.light,
            lit_clipped=clipped,
            openings=inside_openings,
            inside=model_mask(openings, **where),
            shift_px=check.registration.residual_px / lit.scale,
        )
    except MeasurementError:
        return None
    return glow_map(residual, finely(residual))


def _frame(photo: Photo) -> Frame:
    return linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2]))
