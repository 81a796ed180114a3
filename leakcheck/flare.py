"""Light that the lens scattered out of whatever is bright in the lit photo.

The halo of a bright spot is a function of distance and of how much light the spot sends. It is
built here from Gaussians of rising width round every lit opening, whose amounts are fitted to the
pair: a clipped opening hides its true level, so only its surroundings can tell.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.fit import fit_lower
from leakcheck.light import block_mean, box_round, enlarged, grown, quantile, scaled, summed
from leakcheck.photo import Image, Mask
from leakcheck.threads import side_by_side

# Widths (sigma) of the halo's parts in frame px: doubling steps make any smooth profile.
NEAR_PX = (2.0, 4.0, 8.0, 16.0)
WIDE_PX = (12.0, 24.0, 48.0, 96.0, 192.0)
NEAR_REACH_PX = 48  # surroundings that the near halo is fitted in
NEAR_WINDOW_PX = 4 * int(max(NEAR_PX)) + 8  # the Gaussians are cut off at four sigmas
ALIGNED_PX = 16
NEAR_BLOCK = 2  # the near halo is smooth enough to be measured at half the resolution
EDGE_PX = 4  # next to an opening's edge the lens's blur decides, not its halo
STRENGTH_REACH_PX = 16  # frame px round an opening where its own halo outshines the others'
STRENGTH_SIGMA = 1.0  # of noise that the halo must exceed to tell anything
STRENGTH_POINTS = 12
STRENGTH_RANGE = (0.4, 4.0)
LEAK_SHARE = 0.2  # of a blown out leak's light may lie round it as halo; more is its own rim
MAX_POINTS = 12_000  # more only cost time
MATCH_SHARE = 0.01  # how well a surface's light is known without the halo


def scattering_light(
    lit: Image, unlit: Image, sources: Mask, *, gain: NDArray[np.float32]
) -> Image:
    """The light that may have been scattered: what was added inside openings and clipped spots.

    Args:
        lit: (rows, cols, 3), linear light of the lights-on frame.
        unlit: (rows, cols, 3), linear light of the lights-off frame laid onto it.
        sources: (rows, cols), True inside openings and where the lit frame is clipped.
        gain: (3,), lit / unlit light of surfaces that no lamp lights.
    Returns: (rows, cols, 3), linear light; 0 outside the sources.
    """
    added = np.zeros_like(lit)
    here = box_round(sources, 0)
    inside = sources[here]
    added[here][inside] = np.maximum(lit[here][inside] - unlit[here][inside] * gain, 0)
    return added


def halo_parts(source: Image, widths_px: tuple[float, ...], block: int) -> list[Image]:
    """The halo's parts at block resolution, each for an amount of 1.

    Args:
        source: (rows, cols, 3), from `scattering_light`.
        widths_px: sigma of each part in frame px.
        block: frame px per pixel of the result.
    Returns: for each width (rows // block, cols // block, 3), linear light.
    """
    parts = []
    coarse, done = block_mean(source, block), block
    shape = (coarse.shape[0], coarse.shape[1])
    for width in widths_px:
        while width / done >= 8:
            coarse, done = block_mean(coarse, 2), done * 2
        part = cv2.GaussianBlur(coarse, (0, 0), width / done, borderType=cv2.BORDER_CONSTANT)
        parts.append(enlarged(np.asarray(part, np.float32), done // block, shape))
    return parts


def near_halo(
    residual: Image,
    surface: Image,
    source: Image,
    leaks: Image,
    *,
    lamps: Mask,
    sources: Mask,
    usable: Mask,
    noise: float,
) -> tuple[tuple[slice, slice], Image]:
    """The halo close to lamps and blown out leaks, with amounts fitted to the lamps' surroundings.

    What surrounds a leak tells nothing: it may be its own soft rim.

    Args:
        residual: (rows, cols, 3), lit light less unlit light less the wide halo.
        surface: (rows, cols, 3) of blocks of NEAR_BLOCK, linear light of the surfaces without the
            lamps.
        source: (rows, cols, 3), from `scattering_light`, of the lamps.
        leaks: (rows, cols, 3), the same of what is blown out besides.
        lamps: (rows, cols), True inside openings and where they overflow.
        sources: (rows, cols), True there and in what is blown out besides.
        usable: (rows, cols), True where both frames were measured.
        noise: one standard deviation of a pixel of the residual, linear light.
    Returns: the rows and columns that it reaches, and the linear light to take off there.
    """
    here = box_round(sources, NEAR_WINDOW_PX, ALIGNED_PX)  # whole blocks of every resolution
    if not lamps.any():
        return here, np.zeros((0, 0, 3), np.float32)
    top, left = (side.start // NEAR_BLOCK for side in here)
    halo, amounts = _fitted_near_halo(
        residual[here], surface[top:, left:], source[here], lamps[here], usable[here], noise
    )
    if (sources & ~lamps).any():
        most = np.minimum(LEAK_SHARE / np.maximum(amounts.sum(axis=1), LEAK_SHARE), 1.0)
        halo += _summed(halo_parts(leaks[here], NEAR_PX, NEAR_BLOCK), amounts * most[:, None])
    return here, enlarged(halo, NEAR_BLOCK, (residual[here].shape[0], residual[here].shape[1]))


def _fitted_near_halo(
    residual: Image,
    surface: Image,
    source: Image,
    lamps: Mask,
    usable: Mask,
    noise: float,
) -> tuple[Image, NDArray[np.float64]]:
    """The lamps' halo, in blocks of the window that it reaches, and each channel's amounts."""
    blind = grown(lamps, EDGE_PX) | ~usable
    open_ = block_mean(blind.astype(np.float32), NEAR_BLOCK) == 0
    near = (
        cv2.distanceTransform(
            (block_mean(lamps.astype(np.float32), NEAR_BLOCK) == 0).astype(np.uint8),
            cv2.DIST_L2,
            3,
        )
        < NEAR_REACH_PX / NEAR_BLOCK
    )
    places = np.flatnonzero(open_ & near)
    if len(places) < 20 * len(NEAR_PX):
        return np.zeros_like(block_mean(residual, NEAR_BLOCK)), np.zeros((3, len(NEAR_PX)))
    places = places[:: max(1, len(places) // MAX_POINTS)]
    parts = halo_parts(source, NEAR_PX, NEAR_BLOCK)
    small = block_mean(residual, NEAR_BLOCK)
    ground = surface[: small.shape[0], : small.shape[1]]

    def fitted(channel: int) -> NDArray[np.float64]:
        columns = np.column_stack([part[..., channel].ravel()[places] for part in parts])
        known = MATCH_SHARE * ground[..., channel].ravel()[places]
        sigma = np.hypot(noise / NEAR_BLOCK, known).astype(float) + 1e-6
        values = small[..., channel].ravel()[places].astype(float)
        return fit_lower(columns.astype(float), values, sigma).amounts

    amounts = np.stack(side_by_side(fitted, range(3)))
    halo = _summed(parts, amounts)
    strength = _strengths(small, halo, lamps, open_ & near, noise / NEAR_BLOCK)
    stronger = source.copy()
    stronger[lamps] *= strength[lamps][:, None]
    return _summed(halo_parts(stronger, NEAR_PX, NEAR_BLOCK), amounts), amounts


def _summed(parts: list[Image], amounts: NDArray[np.float64]) -> Image:
    """All parts of a halo with their amounts (3, parts) in each channel."""
    total = np.zeros_like(parts[0])
    for k, part in enumerate(parts):
        total += scaled(part, amounts[:, k])
    return total


def _strengths(residual: Image, halo: Image, sources: Mask, around: Mask, noise: float) -> Image:
    """How much stronger each opening's halo is than the fit for all of them together says.

    A clipped opening hides its level; what lies round it tells. The lower side of the ring is
    taken: a leak beside an opening must not pass as its halo.

    Returns: (rows, cols) of the frame: a factor inside each source, 1 elsewhere.
    """
    count, labels = cv2.connectedComponents(sources.astype(np.uint8), connectivity=8)
    rows, cols = residual.shape[0] * NEAR_BLOCK, residual.shape[1] * NEAR_BLOCK
    free = (labels == 0).astype(np.uint8)
    distance, nearest = cv2.distanceTransformWithLabels(
        free, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_CCOMP
    )
    ring = around & (distance[:rows:NEAR_BLOCK, :cols:NEAR_BLOCK] < STRENGTH_REACH_PX)
    grey_halo, grey = summed(halo), summed(residual)
    ring &= grey_halo > STRENGTH_SIGMA * noise
    owner = nearest[:rows:NEAR_BLOCK, :cols:NEAR_BLOCK][ring]
    ratio = grey[ring] / grey_halo[ring]
    factor = np.ones(count + 1, np.float32)
    order = np.argsort(owner, kind="stable")
    cuts = np.searchsorted(owner[order], np.arange(count + 2))
    for k in range(1, count):
        values = ratio[order][cuts[k] : cuts[k + 1]]
        if len(values) >= STRENGTH_POINTS:
            factor[k] = np.clip(quantile(values, 0.4), *STRENGTH_RANGE)
    # distanceTransformWithLabels numbers the sources by itself: look the numbers up inside them.
    strength = np.ones(sources.shape, np.float32)
    strength[sources] = factor[np.minimum(nearest[sources], count)]
    return strength
