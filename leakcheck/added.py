"""What the lamps added: the lit frame less the unlit one at the lit one's exposure."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from leakcheck.exposure import (
    Match,
    in_blocks,
    match_exposure,
    rough_gain,
    wide_halo,
    wide_parts,
    without_lamps,
)
from leakcheck.flare import EDGE_PX, NEAR_BLOCK, near_halo, scattering_light
from leakcheck.light import block_mean, box_round, grown, luminance, median
from leakcheck.photo import Image, Mask
from leakcheck.threads import side_by_side

TOUCH_PX = 2  # an outline is drawn no better than that
OVERFLOW_PX = 16  # how far a clipped opening may spread over its rim; further out it is a leak
ROUGH_STEP = 3  # pixels between those that a first guess of the noise is taken from


@dataclass(frozen=True, eq=False)
class Added:
    """Added light with and without halo, and where it was measured."""

    whole: Image  # (rows, cols, 3), linear light: lit less unlit
    light: Image  # (rows, cols, 3), the same without halo
    halo: Image  # (rows, cols), luminance that was taken off
    near_halo: Image  # (rows, cols), of it what is close to the openings
    surface: Image  # (rows, cols), luminance of the unlit frame at the lit one's exposure
    match: Match
    flare_share: float  # light in the halo / light of the openings
    usable: Mask  # (rows, cols), True where both frames were measured
    new_clipped: Mask  # (rows, cols), True where the lit frame alone is at the end of the scale
    sources: Mask  # (rows, cols), True inside openings and there
    lamps: Mask  # (rows, cols), True inside openings and where they overflow


def added_light(
    unlit: Image,
    lit: Image,
    *,
    overlap: Mask,
    unlit_clipped: Mask,
    lit_clipped: Mask,
    openings: Mask,
) -> Added:
    """Match the exposure of two registered frames, subtract, and take off the lens's halo.

    Args:
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto the lit one.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        overlap: (rows, cols), True where the unlit frame covers the lit one.
        unlit_clipped, lit_clipped: (rows, cols), True at the end of the scale.
        openings: (rows, cols), True inside windows, beacons and ignored areas.
    Raises: ExposureError where the photos cannot be compared.
    """
    usable = overlap & ~unlit_clipped & ~lit_clipped
    new_clipped = lit_clipped & ~unlit_clipped & overlap
    sources = openings | new_clipped
    # A leak's own soft rim must not pass for what the lens scattered of its blown out middle.
    lamps = openings | (new_clipped & _touching(new_clipped, openings))
    small_unlit, small_lit = side_by_side(in_blocks, (unlit, lit))
    gain = rough_gain(small_unlit, small_lit, usable & ~grown(sources, EDGE_PX)).astype(np.float32)
    source = scattering_light(lit, unlit, lamps, gain=gain)
    leaks = scattering_light(lit, unlit, sources & ~lamps, gain=gain)
    wide = wide_parts(source)
    match = match_exposure(small_unlit, small_lit, wide, sources=sources, usable=usable)
    expected = without_lamps(unlit, match)
    surface, surface_blocks = luminance(expected), block_mean(expected, NEAR_BLOCK)
    whole = np.subtract(lit, expected, out=expected)
    light = wide_halo(wide, match, shape=surface.shape)
    halo = luminance(light)
    near = np.zeros_like(halo)
    np.subtract(whole, light, out=light)
    box, off = near_halo(
        light,
        surface_blocks,
        source,
        leaks,
        lamps=lamps,
        sources=sources,
        usable=usable,
        noise=_rough_noise(whole),
    )
    if off.size:
        light[box] -= off
        near[box] = luminance(off)
        halo += near
    shone = _sum(source, lamps)
    scattered = _sum(whole, overlap) - _sum(light, overlap)
    return Added(
        whole=whole,
        light=light,
        halo=halo,
        near_halo=near,
        surface=surface,
        match=match,
        flare_share=scattered / shone if shone > 0 else 0.0,
        usable=usable,
        new_clipped=new_clipped,
        sources=sources,
        lamps=lamps,
    )


def _sum(light: Image, where: Mask) -> float:
    """Light of all channels, summed over a mask."""
    count = int(np.count_nonzero(where))
    return sum(cv2.mean(light, where.astype(np.uint8))[:3]) * count


def _rough_noise(added: Image) -> float:
    """Spread of a pixel before anything is known about it."""
    some = added[::ROUGH_STEP, ::ROUGH_STEP, 1]
    return 1.4826 * median(np.abs(some - cv2.blur(some, (3, 3)))) + 1e-6


def _touching(clipped: Mask, openings: Mask) -> Mask:
    """True in clipped areas that reach an opening: they are its own overflow."""
    count, labels = cv2.connectedComponents(clipped.view(np.uint8), connectivity=8)
    here = box_round(openings, OVERFLOW_PX)  # the rest is further from any opening
    touching = np.zeros(count, np.bool_)
    touching[labels[here][(grown(openings, TOUCH_PX) & clipped)[here]]] = True
    touching[0] = False
    overflow = grown(openings, OVERFLOW_PX)
    overflow[here] &= touching[labels[here]]
    return overflow
