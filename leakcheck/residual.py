"""What the lamps added beyond the openings and their halo: the picture that leaks are sought in."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from leakcheck.added import Added
from leakcheck.exposure import Match
from leakcheck.flare import EDGE_PX
from leakcheck.light import blurred, box_round, grown, luminance, slope, typical
from leakcheck.noise import (
    LOCAL_PX,
    fine_square,
    fit_noise,
    local_variance,
    texture_energy,
    variance,
)
from leakcheck.photo import Image, Mask
from leakcheck.seeds import COLOUR_SCALES_PX, SCALES_PX, Plane
from leakcheck.threads import side_by_side

RIM_PX = 2  # next to an opening that is not
CARRIED_RIM_PX = 4  # the same where its outline was carried over from another photo
CARRIED_EDGE_PX = 4  # next to the model's edge, which another side of it makes in another photo
OWN_REACH_PX = 8  # how far past its outline an opening may go on
OWN_GAP_PX = 4  # width of a rail
OWN_LEVEL = 0.5  # of its brightest light
HALO_DOUBT = 0.25  # share of the near halo that its fitted shape may be wrong by
SHAKE_MARGIN = 1.5  # edges are worse than the places that registration rests on
STILL_PX = 0.02  # what a photo that needed no moving may still be off by
BROAD_PX = 8.0  # scale from which light beside the model is listed


@dataclass(frozen=True, eq=False)
class Residual:
    """Lit light less expected light, and what it was made of."""

    light: Image  # (rows, cols, 3), linear light: added by leaks and spill
    luminance: Image  # (rows, cols), the same in luminance
    unlit: Image  # (rows, cols), luminance of the surfaces without the lamps, lit exposure
    added: Image  # (rows, cols, 3), lit less unlit light, openings and halo included
    halo: Image  # (rows, cols), luminance taken off as halo
    planes: tuple[Plane, ...]  # what is searched, with its variance
    measured: Mask  # (rows, cols), True where a leak could be seen
    beside: Mask  # (rows, cols), True beside the model, where light can be spill only
    sources: Mask  # (rows, cols), True inside openings and clipped spots
    lamps: Mask  # (rows, cols), True inside openings, where they overflow, and on their own rims
    shake: float  # variance, at the median place, from edges that do not lie quite on themselves
    halo_doubt: float  # the same from the halo's shape
    match: Match
    flare_share: float  # light in the halo / light of the openings


def residual_light(
    added: Added,
    lit: Image,
    *,
    lit_clipped: Mask,
    openings: Mask,
    inside: Mask | None,
    shift_px: float | Image,
    carried_over: bool = False,
) -> Residual:
    """Fit the noise of added light, and say where a leak could be seen in it.

    Args:
        added: from `added_light`.
        lit: (rows, cols, 3), linear light of the lights-on frame.
        lit_clipped: (rows, cols), True at the end of the scale.
        openings: (rows, cols), True inside windows, beacons and ignored areas.
        inside: (rows, cols), True inside the model's outline; None without one.
        shift_px: what registration leaves, frame px, one number or place by place.
        carried_over: whether the openings were drawn on another photo.
    """
    blind = added.lamps | _own_light(luminance(added.whole), openings)
    # A leak as bright as to clip is a leak all the same: only its level is not known.
    overflown = blind & lit_clipped
    measured = (added.usable | added.new_clipped) & ~grown(overflown, EDGE_PX)
    measured &= ~grown(blind, CARRIED_RIM_PX if carried_over else RIM_PX)
    beside = measured & ~inside if inside is not None else np.zeros_like(measured)
    if inside is not None:
        measured &= ~grown(~inside, CARRIED_EDGE_PX) if carried_over else inside
    shake = _shake(added.surface, shift_px)
    halo_doubt = np.square(np.float32(HALO_DOUBT) * added.near_halo)
    typical_doubts = typical(shake, measured), typical(halo_doubt, measured)
    doubt = np.add(shake, halo_doubt, out=shake)
    del halo_doubt  # frames are the largest things there are
    planes = _planes(added.light, lit, added.surface + added.halo, doubt, measured)
    return Residual(
        light=added.light,
        luminance=planes[0].residual,
        unlit=added.surface,
        added=added.whole,
        halo=added.halo,
        planes=planes,
        measured=measured,
        beside=beside,
        sources=added.sources,
        lamps=blind,
        shake=typical_doubts[0],
        halo_doubt=typical_doubts[1],
        match=added.match,
        flare_share=added.flare_share,
    )


def light_beside(residual: Residual) -> Residual:
    """The same residual to be searched beside the model, for what is broad only.

    Registration holds for the model; what stands before or behind it does not quite lie on itself.
    """
    light = residual.planes[0]
    broad = replace(light, scales_px=tuple(s for s in light.scales_px if s >= BROAD_PX))
    return replace(residual, planes=(broad,), measured=residual.beside)


def _channel(light: Image, channel: int) -> Image:
    return np.asarray(cv2.extractChannel(light, channel), np.float32)


def _own_light(added: Image, openings: Mask) -> Mask:
    """True where an opening goes on past its outline: as bright as it is, and touching it.

    Outlines are drawn a little small, and a rail or wire before a lamp cuts its outline in two.
    """
    size = 4 * OWN_REACH_PX + 1
    whole = np.zeros(openings.shape, np.bool_)
    here = box_round(openings, size)
    added, openings = added[here], openings[here]
    if not openings.any():
        return whole
    level = np.where(openings, added, np.float32(0))
    around = np.asarray(cv2.dilate(cv2.blur(level, (3, 3)), np.ones((size, size))), np.float32)
    bright = (added > OWN_LEVEL * around) & (around > 0) & ~openings
    count, labels = cv2.connectedComponents(bright.view(np.uint8), connectivity=8)
    own = np.zeros(count, np.bool_)
    own[labels[bright & grown(openings, OWN_GAP_PX)]] = True
    own[labels[bright & ~grown(openings, OWN_REACH_PX)]] = False
    own[0] = False
    whole[here] = own[labels] & ~grown(openings, RIM_PX)
    return whole


def _shake(surface: Image, shift_px: float | Image) -> Image:
    """Variance from edges that do not lie quite on themselves."""
    edge = np.asarray(cv2.dilate(slope(blurred(surface, 1.0)), np.ones((5, 5))), np.float32)
    off = np.maximum(np.asarray(shift_px, np.float32), np.float32(STILL_PX))
    return np.asarray(np.square(SHAKE_MARGIN * off * edge), np.float32)


def _planes(
    light: Image, lit: Image, grey: Image, doubt: Image, measured: Mask
) -> tuple[Plane, ...]:
    """Luminance, and red and blue by themselves: a coloured leak has little luminance.

    Red and blue are 0 further from all that was measured than anything is sought.

    Args:
        light: (rows, cols, 3), what leaks and spill add.
        lit: (rows, cols, 3), the lit frame: without leaks it would be as much less.
        grey: (rows, cols), luminance of what it would be.
        doubt: (rows, cols), variance from other reasons than noise.
        measured: (rows, cols), True where a leak could be seen.
    """
    energy = texture_energy(grey)
    whole = (slice(0, measured.shape[0]), slice(0, measured.shape[1]))
    near = box_round(measured, 2 * LOCAL_PX, LOCAL_PX)

    def plane(colour: tuple[str, int | None, tuple[float, ...]]) -> Plane:
        name, channel, scales = colour
        here = whole if channel is None else near
        residual = luminance(light) if channel is None else _channel(light[here], channel)
        ground = grey if channel is None else _channel(lit[here], channel) - residual
        square = fine_square(residual)
        model = fit_noise(square, ground, energy[here], measured[here])
        spread = variance(ground, energy[here], model)
        del ground
        np.maximum(spread, local_variance(square, measured[here]), out=spread)
        spread += doubt[here]
        added = _in_frame(residual, here, measured.shape)
        return Plane(name, added, _in_frame(spread, here, measured.shape), scales)

    return tuple(
        side_by_side(
            plane,
            [
                ("luminance", None, SCALES_PX),
                ("red", 0, COLOUR_SCALES_PX),
                ("blue", 2, COLOUR_SCALES_PX),
            ],
        )
    )


def _in_frame(part: Image, here: tuple[slice, slice], shape: tuple[int, ...]) -> Image:
    """A part of a frame in its place; 0 around it."""
    if part.shape == shape:
        return part
    whole = np.zeros(shape, np.float32)  # takes memory only where something is written
    whole[here] = part
    return whole
