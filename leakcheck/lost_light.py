"""Light that one test shows and another one lacks, as far as nothing else explains it.

The windows stay as they are between two tests, so a ledge that they light looks alike in both,
while a joint that was painted over does not. But the model never sits quite as before, and spill
is never quite as strong: what counts as lost is only what no place within a few pixels shows in
the other test, nor a photo that lies a little off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.check import Images
from leakcheck.light import block_mean, blurred, quantile
from leakcheck.photo import Image, Mask, frame_to_photo_px, photo_to_frame_px
from leakcheck.stages import Stage, way

BLOCK = 2  # frame px per px here: a line of light is two or three frame px wide
NODE_PX = 8  # between places that are moved one by one; the way is smooth between them
SOFT_PX = 0.3  # smooths what the blocks leave of the pixels' noise
REACH_PX = 1  # that the other test's light may lie elsewhere, beyond what registration leaves
HIDDEN_PX = 2  # about an edge where near parts hide distant ones: registration cannot know
SHIFT_MARGIN = 1.5  # edges are worse than the places that registration rests on
WIDE_PX = 12.0  # over which spill is compared with the other test's
SPILL_RATIO = (0.8, 1.25)  # by which the spill of two tests differs at most
SPILL_CONTRAST = 0.3  # added / unlit light; what is brighter is not weighed as spill
GROUND_STEP, GROUND_SIDE = 4, 5  # the ground is a median over so many blocks of so many px
DARK = 3e-3  # linear light of surfaces that added light is still compared with
LEAST_SIGMA = 0.003  # added / unlit light: surfaces are matched no better
STEEP, STEEP_SIGMA = 0.3, 20.0  # edges that show how well photos lie on each other; noise does not
MIN_EDGES, EDGE_QUANTILE = 50, 0.98
USUAL_EDGE_ERROR = 0.1  # where there are too few: most drawn and rendered tests have 0.05 to 0.13
ALIKE = 2  # px of a file that tell no more than one: cameras smooth them and JPEG does


@dataclass(frozen=True, eq=False)
class Lost:
    """One test's light as far as another one does not explain it; (rows, cols) in blocks."""

    own: Image  # added / unlit light of the test
    noise: Image  # its variance
    surface: Image  # linear light of the surfaces without the lamps
    change: Image  # added / unlit light less the other test's at the same place
    feigned: Image  # added / unlit light that a badly placed edge may be instead
    edges: Image  # brightest / darkest surface within a px, less 1
    edge_error: float  # added / unlit light on an edge / `edges` that is usual in this test
    light: Image  # the same as far as nothing near it explains it
    sigma: Image  # spread of that
    known: Mask  # True where both tests measured


def lost_light(
    stages: Sequence[Stage], here: int, there: int, *, rooms: tuple[float, float]
) -> Lost:
    """What the test `here` shows and the test `there` lacks.

    Args:
        stages: all tests.
        here, there: which two.
        rooms: factors that bring the added / unlit light of each to one scale.
    Returns: in blocks of `BLOCK` frame px of the test `here`.
    """
    one, other = images_of(stages[here]), images_of(stages[there])
    own, noise, surface, known = _ratio(one, rooms[0])
    map_x, map_y = _places(stages, here, there)

    def laid(image: Image) -> Image:
        return np.asarray(
            cv2.remap(image, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )

    their_light, their_noise, _, their_known = _ratio(other, rooms[1])
    # What lies outside the other photo continues its border, but was measured by nobody.
    known_there = cv2.remap(their_known.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR)
    known = known & (known_there > 0.99)
    theirs = laid(their_light)
    theirs = theirs * _spill_ratio(own, theirs, known)
    change = np.where(known, own - theirs, np.float32(0))
    slack_px = (stages[here].slack_px + stages[there].slack_px) / one.scale / BLOCK
    explained = cv2.dilate(theirs, _disc(REACH_PX + round(slack_px)))
    feigned = _feigned(surface, stages[here], one.scale)
    explained = explained + np.maximum(_ground(change), 0) + feigned
    edges = np.asarray(cv2.dilate(surface, _disc(1)) / cv2.erode(surface, _disc(1)) - 1)
    spread = np.sqrt(noise + laid(their_noise))
    return Lost(
        own=own,
        noise=noise,
        surface=surface,
        change=change,
        feigned=feigned,
        edges=edges,
        edge_error=_edge_error(own, noise, edges, known),
        light=np.asarray(own - explained, np.float32),
        sigma=np.maximum(spread, np.float32(LEAST_SIGMA)),
        known=known,
    )


def images_of(stage: Stage) -> Images:
    """What a stage's check measured at every place."""
    assert stage.check.images is not None, "a fresh check keeps its images"
    return stage.check.images


def _ratio(images: Images, room: float) -> tuple[Image, Image, Image, Mask]:
    """Added / unlit light, its variance, the surfaces' light, and where all of it is known."""
    surface: Image = np.maximum(blurred(images.unlit[0], 1.0), np.float32(DARK))
    measured = images.measured.astype(np.float32)
    share = block_mean(measured, BLOCK)
    weight: Image = np.maximum(share, np.float32(0.05))
    plane = images.planes[0]
    light: Image = plane.residual / surface * measured
    noise: Image = plane.variance / surface / surface * measured
    alike = np.float32(room**2 * ALIKE / BLOCK**2)
    return (
        blurred(block_mean(light, BLOCK) / weight * np.float32(room), SOFT_PX),
        block_mean(noise, BLOCK) / weight * alike,
        block_mean(surface, BLOCK),
        np.asarray(share > 0.99),
    )


def _places(stages: Sequence[Stage], here: int, there: int) -> tuple[Image, Image]:
    """Where each block of one test lies in the other one, in its blocks."""
    one, other = images_of(stages[here]), images_of(stages[there])
    rows, cols = (side // BLOCK for side in one.measured.shape)
    y, x = np.mgrid[0 : rows + NODE_PX : NODE_PX, 0 : cols + NODE_PX : NODE_PX].astype(float)
    at = np.column_stack([x.ravel(), y.ravel()])
    moved = way(stages, here, there)
    if moved is not None:
        at = moved(frame_to_photo_px(at, one.scale * BLOCK))
        at = photo_to_frame_px(at, other.scale * BLOCK)
    nodes = np.nan_to_num(at, nan=-1e4).clip(-1e4, 1e6).astype(np.float32).reshape(*x.shape, 2)
    across, down = np.meshgrid(
        np.arange(cols, dtype=np.float32) / NODE_PX, np.arange(rows, dtype=np.float32) / NODE_PX
    )
    moved_to = cv2.remap(nodes, across, down, cv2.INTER_LINEAR)
    return np.ascontiguousarray(moved_to[..., 0]), np.ascontiguousarray(moved_to[..., 1])


def _spill_ratio(own: Image, theirs: Image, known: Mask) -> Image:
    """Spill of the first test / the second's, place by place, within what two tests differ by."""
    here, there = (
        blurred(np.clip(light, 0, SPILL_CONTRAST) * known, WIDE_PX) for light in (own, theirs)
    )
    return np.asarray(np.clip(here / np.maximum(there, 1e-3), *SPILL_RATIO), np.float32)


def _ground(change: Image) -> Image:
    """What a whole neighbourhood lost: an exposure matched not quite, or a broad change."""
    rows, cols = change.shape
    size = (max(cols // GROUND_STEP, 1), max(rows // GROUND_STEP, 1))
    small = cv2.resize(change, size, interpolation=cv2.INTER_AREA)
    middle = cv2.dilate(cv2.medianBlur(small, GROUND_SIDE), np.ones((3, 3), np.uint8))
    return np.asarray(cv2.resize(middle, (cols, rows)), np.float32)


def _feigned(surface: Image, stage: Stage, scale: int) -> Image:
    """Added / unlit light that an edge feigns where the unlit photo lies a little off.

    Where the camera's place changed between the photos, near parts hide others of what is behind
    them: a strip along their edges has no partner at all.
    """
    registration = stage.check.registration
    if registration.identity:
        return np.zeros_like(surface)
    if registration.shift_px is not None:
        return np.asarray(cv2.dilate(surface, _disc(HIDDEN_PX)) / surface - 1, np.float32)
    shift_px = min(SHIFT_MARGIN * registration.residual_px / scale / BLOCK, 1.0)
    step = cv2.dilate(surface, _disc(1)) / surface - 1
    return np.asarray(step * np.float32(shift_px), np.float32)


def _edge_error(own: Image, noise: Image, edges: Image, known: Mask) -> float:
    """How wrong added light may be on an edge, by what the edges of the photo take away.

    Lamps only add light: where an edge is darker with them on, the two photos do not lie quite on
    each other there, or are not quite as sharp. Then others are as much too bright.
    """
    plain = known & (edges > np.maximum(np.float32(STEEP), STEEP_SIGMA * np.sqrt(noise)))
    if np.count_nonzero(plain) < MIN_EDGES:
        return USUAL_EDGE_ERROR
    return max(quantile(-own[plain] / edges[plain], EDGE_QUANTILE), 0.0)


def _disc(radius_px: int) -> NDArray[np.uint8]:
    size = (2 * radius_px + 1, 2 * radius_px + 1)
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, size), np.uint8)
