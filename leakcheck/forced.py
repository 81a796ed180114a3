"""How much light one place adds in a test, whether anything was found there or not.

Two tests of a comparison are measured over the same pixels of the model with the same weights, so
that what the weights leave out drops out of the ratio. Astronomers call it forced photometry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.check import Images
from leakcheck.light import blurred, grown
from leakcheck.photo import Image, Mask, frame_to_photo_px, photo_to_frame_px
from leakcheck.polygons import covered

Points = NDArray[np.float64]  # (n, 2) of x, y
Moved = Callable[[Points], Points]  # photo px of one test -> photo px of another

MARGIN_PX = 1.5  # frame px round an outline: registration and blur move light so far
SOFT_PX = 1.0  # the aperture's edge: a hard one would make a sum jump from pixel to pixel
RING_MIN_PX, RING_MAX_PX = 8.0, 40.0  # width of the surroundings that the ground is taken from
GAP_PX = 2.0  # between aperture and ring: the glow's own tail
MIN_RING, MIN_RING_PAINT = 25, 150  # pixels; fewer do not fix a plane, or a change of paint
TUKEY = 4.7  # spreads at which a pixel of the ring has no say (95 % efficient on noise)
DARK = 3e-4  # linear light under which a surface's own light is not known
MIN_MEASURED = 0.4  # share of the place's weight that both tests must have measured
SHAPE_PX = 2.0  # frame px: a leak's own shape, smoothed so that noise does not weigh itself
CORE, MOSTLY = 0.5, 0.5  # weight of a place's core; share of it that lies in another light
MIN_FIT = 0.6  # share of an aperture beside the leak that must lie on measured ring
SHIFT_SIGMA = 6.0  # significance from which a leak itself tells where it lies
MIN_ROOM = 2.0  # apertures that fit beside the leak; fewer tell no spread
# A coloured leak stands out in its own channel; the change must be worth giving up luminance,
# which every leak has and noise shows least in.
OTHER_PLANE = 1.3


@dataclass(frozen=True, eq=False)
class Patch:
    """A leak's place: weights on a grid of frame pixels of the test that it was found in."""

    weight: Image  # (rows, cols), 0 to 1
    near: Mask  # (rows, cols), True in leak and gap: no surroundings
    x: int  # frame column and row of the grid's first pixel
    y: int
    scale: int  # photo px per grid px


@dataclass(frozen=True, eq=False)
class Look:
    """One test's light on the grid of a patch."""

    ratio: tuple[Image, ...]  # per plane: added / unlit
    noise: tuple[Image, ...]  # per plane: variance of the ratio, one pixel
    surface: tuple[Image, ...]  # per plane: the surfaces' light without the lamps
    known: Mask  # True where the test measured
    free: Mask  # True where it is known and no other light lies: surroundings


@dataclass(frozen=True, eq=False)
class Backdrop:
    """What the surroundings of a place add on their own, as far as they tell."""

    light: Image  # (rows, cols), added / unlit
    parts: tuple[Image, ...]  # what it was fitted with: one, slopes, paint
    covariance: NDArray[np.float64]  # (parts, parts), of their amounts

    def variance(self, weight: Image) -> float:
        """Of its weighted mean: a few pixels to one side do not fix a slope or a paint's share."""
        at = np.array([float((part * weight).sum()) for part in self.parts]) / float(weight.sum())
        return float(at @ self.covariance @ at)


@dataclass(frozen=True)
class Amount:
    """What a place adds in one test."""

    contrast: float  # added / unlit light, weighted mean over the place
    sigma: float  # of it: noise and unevenness of the surroundings


def patch_of(outline: Points, *, scale: int) -> Patch:
    """The place inside an outline, softened, with room for its surroundings.

    Args:
        outline: (n, 2), closed polygon, photo px.
        scale: photo px per frame px.
    """
    points = photo_to_frame_px(np.asarray(outline, float), scale)
    low, high = np.floor(points.min(axis=0)), np.ceil(points.max(axis=0))
    ring = float(np.clip((high - low).max() / 2, RING_MIN_PX, RING_MAX_PX))
    pad = int(np.ceil(MARGIN_PX + GAP_PX + 3 * SOFT_PX + ring)) + 2
    x, y = int(low[0]) - pad, int(low[1]) - pad
    cols, rows = (int(v) + 2 * pad + 1 for v in high - low)
    inside = covered([points - (x, y)], (rows, cols))
    wide = grown(inside, MARGIN_PX)
    return Patch(
        weight=blurred(wide.astype(np.float32), SOFT_PX),
        near=grown(wide, GAP_PX + SOFT_PX),
        x=x,
        y=y,
        scale=scale,
    )


def look_at(
    patch: Patch, images: Images, *, moved: Moved | None, others: Sequence[Points] = ()
) -> Look:
    """A test's light laid onto the grid of a patch.

    Args:
        patch: the place, on the grid of the test that it was found in.
        images: of the test to be looked at.
        moved: photo px of the patch's test -> photo px of this one; None: the same photo.
        others: outlines of the other lights of this test, photo px.
    """
    map_x, map_y = _places(patch, images, moved)

    def laid(image: Image) -> Image:
        border = cv2.BORDER_REPLICATE
        return np.asarray(cv2.remap(image, map_x, map_y, cv2.INTER_LINEAR, borderMode=border))

    ratios: list[Image] = []
    noises: list[Image] = []
    surfaces: list[Image] = []
    for plane, unlit in zip(images.planes, images.unlit, strict=True):
        surface = np.asarray(np.maximum(blurred(laid(unlit), 1.0), np.float32(DARK)))
        ratios.append(np.divide(laid(plane.residual), surface, dtype=np.float32))
        noises.append(np.divide(laid(plane.variance), np.square(surface), dtype=np.float32))
        surfaces.append(surface)
    share = cv2.remap(images.measured.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR)
    known = np.asarray(share > 0.99)
    taken = _other_lights(others, images.scale, map_x, map_y, patch.weight > CORE)
    free = known & ~taken & ~patch.near
    return Look(tuple(ratios), tuple(noises), tuple(surfaces), known, free)


def both_amounts(
    patch: Patch, first: Look, second: Look, *, search_px: float
) -> tuple[Amount, Amount] | None:
    """What a place adds in two tests, over the pixels that both measured.

    Args:
        patch: the place.
        first: the test that it was found in.
        second: the other test.
        search_px: grid px that a light which stands out may lie off in the second test.
    Returns: None where too little was measured in both.
    """
    known, ring = first.known & second.known, first.free & second.free
    plane = _best_plane(patch, first)
    weight = _weight(patch, first, plane, known)
    one, two = (_ground(look, plane, ring) for look in (first, second))
    here = _amount(weight, first, plane, one, known, ring)
    there = _amount(weight, second, plane, two, known, ring)
    if here is None or there is None:
        return None
    if search_px > 0 and there.contrast > SHIFT_SIGMA * there.sigma:
        for moved in _shifted(weight, search_px):
            found = _amount(moved, second, plane, two, known, ring)
            if found is not None and found.contrast > there.contrast:
                there = found
    return here, there


def _weight(patch: Patch, look: Look, plane: int, known: Mask) -> Image:
    """Weights of a place's pixels: where the leak shines in the test that found it, its core most.

    What lies beside the core may be spill on a rail, or another leak's. Dark surfaces count for
    little: added / room light means little where there is hardly any.
    """
    inside = patch.weight * known
    light = look.ratio[plane] - _ground(look, plane, look.free).light
    shape = np.maximum(blurred(light * known, SHAPE_PX), 0)
    top = float((shape * inside).max())
    core = np.square(shape / top) if top > 0 else np.ones_like(shape)
    return np.asarray(inside * core * look.surface[plane], np.float32)


def _best_plane(patch: Patch, look: Look) -> int:
    """The colour that the leak stands out in: luminance unless another is plainly better."""
    strength = []
    for plane in range(len(look.ratio)):
        weight = _weight(patch, look, plane, look.known)
        ground = _ground(look, plane, look.free)
        found = _amount(weight, look, plane, ground, look.known, look.free)
        strength.append(found.contrast / found.sigma if found else 0.0)
    best = int(np.argmax(strength))
    return best if strength[best] > OTHER_PLANE * strength[0] else 0


def _shifted(weight: Image, reach_px: float) -> Iterator[Image]:
    """Weights moved by whole pixels: a map between two poses is a pixel off here and there."""
    reach = int(np.ceil(reach_px))
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            if 0 < np.hypot(dx, dy) <= reach_px:
                yield np.roll(weight, (dy, dx), (0, 1))  # the padding is wider than any reach


def _amount(
    weight: Image, look: Look, plane: int, ground: Backdrop, known: Mask, ring: Mask
) -> Amount | None:
    """Weighted mean over the ground and its spread; None where nothing was measured."""
    on = weight * known
    total = float(on.sum())
    if total <= 0:
        return None
    ratio, noise = look.ratio[plane] - ground.light, look.noise[plane]
    formal = float((on**2 * noise).sum()) / total**2
    own = max(formal, _beside(weight, ratio, ring) ** 2)
    under = ground.variance(on) if ground.parts else formal
    return Amount(
        contrast=float((on * ratio).sum()) / total,
        sigma=float(np.sqrt(own + under)),
    )


def _ground(look: Look, plane: int, ring: Mask) -> Backdrop:
    """What the surroundings add on their own, by the ring: 0 where there is none.

    A plane, and a step between surfaces of another paint: spill, and what an exposure matched not
    quite leaves, add another share to a red stripe than to the grey wall beside it.
    """
    ratio = look.ratio[plane]
    values = ratio[ring]
    if len(values) < MIN_RING:
        return Backdrop(np.zeros_like(ratio), (), np.zeros((0, 0)))
    rows, cols = ratio.shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    parts = [np.ones_like(ratio), x / cols - np.float32(0.5), y / rows - np.float32(0.5)]
    if len(values) >= MIN_RING_PAINT:
        grey, red, blue = (np.log(surface) for surface in look.surface)
        parts += [grey - np.median(grey[ring]), red - blue - np.median((red - blue)[ring])]
    columns = np.column_stack([part[ring] for part in parts])
    amounts, root = np.zeros(len(parts)), np.ones(len(values))
    amounts[0] = np.median(values)
    for _ in range(5):
        left = values - columns @ amounts
        spread = 1.4826 * float(np.median(np.abs(left - np.median(left)))) + 1e-9
        # Tukey's biweight: what stands out of the ring has no say in it.
        root = np.maximum(1 - np.square(left / (TUKEY * spread)), 0)
        amounts = np.linalg.lstsq(columns * root[:, None], values * root, rcond=None)[0]
    light = sum(float(amount) * part for amount, part in zip(amounts, parts, strict=True))
    low, high = np.quantile(columns @ amounts, (0.005, 0.995))
    # Paint that the ring does not show tells nothing: the ground stays within what it does show.
    light = np.asarray(np.clip(light, low, high), np.float32)
    weighed = columns * root[:, None]
    noise = float(look.noise[plane][ring].mean())
    covariance = np.asarray(noise * np.linalg.pinv(weighed.T @ weighed), float)
    return Backdrop(light, tuple(parts), covariance)


def _beside(weight: Image, ratio: Image, ring: Mask) -> float:
    """Spread of what the same weights find in the surroundings; 0 where there is no room.

    It holds what pixel noise does not: surfaces lit unevenly, edges that lie badly on themselves.
    """
    rows, cols = np.nonzero(weight > 0.05 * weight.max())
    kernel = weight[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    on = ring.astype(np.float32)
    support = cv2.filter2D(on, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    fits = support > MIN_FIT * kernel.sum()
    if fits.sum() < MIN_ROOM * kernel.sum():
        return 0.0
    found = cv2.filter2D(ratio * on, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    means = found[fits] / support[fits]
    return 1.4826 * float(np.median(np.abs(means - np.median(means))))


def _places(patch: Patch, images: Images, moved: Moved | None) -> tuple[Image, Image]:
    """Frame px of the test to be measured for each pixel of the grid."""
    rows, cols = patch.weight.shape
    y, x = np.mgrid[patch.y : patch.y + rows, patch.x : patch.x + cols].astype(float)
    at = np.column_stack([x.ravel(), y.ravel()])
    if moved is not None:
        at = photo_to_frame_px(moved(frame_to_photo_px(at, patch.scale)), images.scale)
    at = np.nan_to_num(at, nan=-1e4).clip(-1e4, 1e6).astype(np.float32)
    return at[:, 0].reshape(rows, cols), at[:, 1].reshape(rows, cols)


def _other_lights(
    outlines: Sequence[Points], scale: int, map_x: Image, map_y: Image, core: Mask
) -> Mask:
    """True on the grid within two pixels of any of the outlines.

    An outline that the place itself lies in is left out: its light is the ground under the leak.
    """
    taken = np.zeros(map_x.shape, np.bool_)
    low = np.array([np.floor(map_x.min()) - 3, np.floor(map_y.min()) - 3])
    high = np.array([np.ceil(map_x.max()) + 4, np.ceil(map_y.max()) + 4])
    cols, rows = (high - low).astype(int)
    if rows * cols > 4 * map_x.size + 10_000:  # a place mapped far outside
        return taken
    x, y = map_x - np.float32(low[0]), map_y - np.float32(low[1])
    for outline in outlines:
        points = photo_to_frame_px(np.asarray(outline, float), scale)
        if (points.max(axis=0) < low).any() or (points.min(axis=0) > high).any():
            continue
        near = grown(covered([points - low], (rows, cols)), 2.0).astype(np.uint8)
        here = cv2.remap(near, x, y, cv2.INTER_NEAREST) > 0
        if here[core].mean() < MOSTLY:
            taken |= here
    return taken
