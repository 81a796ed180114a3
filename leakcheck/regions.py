"""A spot's core becomes a measured region: its extent, its light, and what surrounds it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from leakcheck.extent import Extent, box_of, extent_of, light_of
from leakcheck.light import blurred, covariance, grown, median, quantile, slope
from leakcheck.photo import Image, Mask
from leakcheck.residual import Residual
from leakcheck.seeds import Cut, find_seeds
from leakcheck.spots import Spot, averaging, grow_spots, smoothed, thickness_of
from leakcheck.threads import side_by_side

EDGE_SHARE = 0.06  # change of the surface's light per pixel / its light: an edge of something
DARK = 3e-4  # linear light under which a surface's own light is not known
FINE_PX = 1.0  # of the average that the finest spots are outlined in
FINE_SCALE_PX = 2.0  # scales whose surroundings are taken close by
HIDDEN_PX = 3  # round a known leak
LINE_PX = 13  # width up to which something dark is a line or crevice
AROUND_GAP_PX, AROUND_GAP = 15.0, 0.7  # surroundings begin so far out, or so many thicknesses
AROUND_PX = 45.0  # and reach so much further
AROUND_QUANTILE = 0.95
MIN_AROUND = 50  # pixels
MIN_CORE = 9  # pixels; fewer have no slope


@dataclass(frozen=True, eq=False)
class Ground:
    """What regions are measured against; made once for a pair."""

    surface: Image  # (rows, cols), luminance of the surfaces without the lamps, above zero
    edge: Mask  # (rows, cols), True within two pixels of an edge of the surfaces
    unlit: Image  # (rows, cols), the same smoothed, as dark as it is
    to_opening: Image  # (rows, cols), px to the nearest opening or clipped spot
    to_lamp: Image  # (rows, cols), px to the nearest opening


@dataclass(frozen=True, eq=False)
class Region:
    """One place where light shows, in frame pixels."""

    spot: Spot
    extent: Extent
    x: float  # centroid of the added light
    y: float
    area: float  # px
    glow: float  # added / unlit luminance, summed over its pixels
    contrast: float  # the same, mean
    peak: float  # linear light, luminance
    length: float  # px, along
    width: float  # px, across
    rgb: tuple[float, float, float]  # linear light, mean over the core
    # What tells a leak from spill and flare:
    isolation: float  # log of its light over surface / the brightest of that round about
    edge_share: float  # share of its steep border that lies on an edge of the surface
    step: float  # log of the surface's own light inside / around, without sign
    dark_line: float  # how far the surface is darker inside than on both sides, share
    standing: float  # log of its light / the brightest of that round about
    halo_ratio: float  # halo taken off / light left
    to_lamp_px: float  # from its brightest pixel to the nearest opening
    falling: float  # how steadily it falls off with distance from there: -correlation
    growth: float  # area above 15 % of its peak / area above half
    pieces: int = 1  # spots that it was joined of


def ground_of(residual: Residual) -> Ground:
    """Edges and distances that all regions of a pair are measured against."""
    unlit = blurred(residual.unlit, 1.0)
    light: Image = np.maximum(unlit, np.float32(DARK))
    edge = (slope(unlit) > np.float32(EDGE_SHARE) * light).view(np.uint8)

    def away(mask: Mask) -> Image:
        return np.asarray(cv2.distanceTransform((~mask).view(np.uint8), cv2.DIST_L2, 3), np.float32)

    to_opening, to_lamp = side_by_side(away, (residual.sources, residual.lamps))
    return Ground(
        surface=light,
        edge=cv2.dilate(edge, np.ones((5, 5), np.uint8)) > 0,
        unlit=unlit,
        to_opening=to_opening,
        to_lamp=to_lamp,
    )


def find_regions(
    residual: Residual,
    ground: Ground,
    fine: Image,
    *,
    false_alarms: float,
    is_leak: Callable[[Region], bool],
) -> tuple[list[Region], list[Cut]]:
    """All places of a pair where light shows, measured; and the cuts that were asked of them.

    Args:
        residual, ground: of the pair.
        fine: from `finely`.
        false_alarms: expected number in the pair from noise alone.
        is_leak: whether a region is taken for a leak; a leak beside another one is measured
            again as if the other were not there.
    """
    seeds, cuts = find_seeds(residual.planes, residual.measured, false_alarms=false_alarms)
    smooth = {(residual.planes[0].name, FINE_PX): fine}
    spots, smooth = grow_spots(seeds, residual.planes, residual.measured, smooth)
    hidden = np.zeros(residual.measured.shape, np.bool_)

    def measured(spot: Spot, before: Region | None = None) -> Region:
        image = smooth[spot.plane, averaging(spot.scale_px)]
        return measure_region(spot, residual, ground, image, fine, hidden, before=before)

    regions = [measured(spot) for spot in spots]
    for region in filter(is_leak, regions):
        hidden[box_of(region.extent.mask, region.extent.top, region.extent.left)] |= (
            region.extent.mask
        )
    hidden = grown(hidden, HIDDEN_PX)
    regions = [
        region
        if is_leak(region) or not hidden[_window(spot, hidden.shape)[0]].any()
        else measured(spot, region)
        for spot, region in zip(spots, regions, strict=True)
    ]
    return regions, cuts


def finely(residual: Residual) -> Image:
    """Luminance residual smoothed by one pixel, (rows, cols); -1 where nothing was measured."""
    return smoothed(residual.luminance, residual.measured, FINE_PX)


def measure_region(
    spot: Spot,
    residual: Residual,
    ground: Ground,
    image: Image,
    fine: Image,
    hidden: Mask,
    *,
    before: Region | None = None,
) -> Region:
    """Extent and light of one spot.

    Args:
        spot: its core.
        residual: of the pair.
        ground: of the pair.
        image: (rows, cols), the smoothed residual that the core was grown in.
        fine: (rows, cols), luminance residual smoothed by one pixel.
        hidden: (rows, cols), True where surroundings do not count: in known leaks.
        before: the same spot measured with other surroundings.
    """
    around = _surroundings(spot, residual, ground, image, fine, hidden)
    spot = replace(spot, base=min(around["base"], 0.8 * spot.peak))
    if before is not None and before.spot.base == spot.base:
        extent, growth = before.extent, before.growth
    else:
        extent, growth = extent_of(spot, residual, image=image, fine=fine, surface=ground.surface)
    light = light_of(extent)
    peak = float(fine[extent.box][extent.mask].max())
    core = box_of(spot.mask, spot.top, spot.left)
    core_light = residual.light[core][spot.mask].mean(axis=0)
    return Region(
        spot=spot,
        extent=extent,
        x=light.x,
        y=light.y,
        area=light.area,
        glow=light.glow,
        contrast=light.contrast,
        peak=max(peak, 0.0),
        length=light.length,
        width=light.width,
        rgb=(float(core_light[0]), float(core_light[1]), float(core_light[2])),
        growth=growth,
        isolation=around["isolation"],
        edge_share=around["edge_share"],
        step=around["step"],
        dark_line=around["dark_line"],
        standing=around["standing"],
        halo_ratio=around["halo_ratio"],
        to_lamp_px=float(ground.to_lamp[spot.row, spot.col]),
        falling=_falling(ground.to_lamp[core][spot.mask], fine[core][spot.mask]),
    )


def region_of_mask(
    mask: Mask, top: int, left: int, residual: Residual, ground: Ground, fine: Image
) -> Region:
    """A region that is known already, such as an opening, measured in all the light added to it.

    Args:
        mask, top, left: its pixels in their box.
        residual, ground: of the pair.
        fine: (rows, cols), luminance of all added light, smoothed by one pixel.
    """
    box = box_of(mask, top, left)
    none = np.float32(0)
    extent = Extent(
        mask=mask,
        top=top,
        left=left,
        added=np.where(mask, fine[box], none),
        weight=np.where(mask, np.maximum(fine[box], none), none),
        surface=np.where(mask, ground.surface[box], none),
    )
    rows, cols = np.nonzero(mask)
    rows, cols = rows + top, cols + left
    at = int(np.argmax(fine[rows, cols]))
    noise = float(np.sqrt(residual.planes[0].variance[rows[at], cols[at]]))
    peak = float(max(fine[rows[at], cols[at]], 0.0))
    spot = Spot(
        peak / max(noise, 1e-6),
        int(rows[at]),
        int(cols[at]),
        1.0,
        "luminance",
        peak,
        0.0,
        top,
        left,
        mask,
    )
    return region_of_extent(extent, spot, residual.added, peak)


def region_of_extent(extent: Extent, spot: Spot, light: Image, peak: float) -> Region:
    """A region whose extent is known already; nothing is said of its surroundings.

    Args:
        extent: its pixels.
        spot: its core.
        light: (rows, cols, 3), linear light of the frame that its colour is taken from.
        peak: its brightest luminance, linear light.
    """
    own = light_of(extent)
    red, green, blue = light[extent.box][extent.mask].mean(axis=0)
    return Region(
        spot=spot,
        extent=extent,
        x=own.x,
        y=own.y,
        area=own.area,
        glow=own.glow,
        contrast=own.contrast,
        peak=peak,
        length=own.length,
        width=own.width,
        rgb=(float(red), float(green), float(blue)),
        isolation=0.0,
        edge_share=0.0,
        step=0.0,
        dark_line=0.0,
        standing=0.0,
        halo_ratio=0.0,
        to_lamp_px=0.0,
        falling=0.0,
        growth=1.0,
    )


def _surroundings(
    spot: Spot,
    residual: Residual,
    ground: Ground,
    image: Image,
    fine: Image,
    hidden: Mask,
) -> dict[str, float]:
    """What lies round a core, compared with its inside."""
    window, thickness, gap = _window(spot, image.shape)
    measured = residual.measured[window]
    away = _away(spot, window)
    around = np.flatnonzero((away > gap) & (away < gap + AROUND_PX) & measured & ~hidden[window])
    beside = (away > 2) & (away < 2 + max(5.0, thickness)) & measured
    surface = ground.surface[window]
    light = fine[window].ravel()[around]
    core = box_of(spot.mask, spot.top, spot.left)
    own_light, own_surface = fine[core][spot.mask], ground.surface[core][spot.mask]
    own = max(median(own_light / own_surface), 1e-4)
    level = light
    if spot.scale_px <= FINE_SCALE_PX:
        level = image[window][(away > 4) & (away < 12) & measured]
    elif image is not fine:
        level = image[window].ravel()[around]
    step = np.log(median(own_surface) / median(surface[beside])) if beside.any() else 0.0
    return {
        "base": max(median(level), 0.0) if len(level) >= MIN_AROUND else spot.base,
        "isolation": _isolation(light / surface.ravel()[around], own),
        "standing": _isolation(light, median(own_light)),
        "edge_share": _edge_share(spot, ground, image, measured, window),
        "step": abs(float(step)),
        "dark_line": _dark_line(spot, ground),
        "halo_ratio": float(residual.halo[core][spot.mask].mean() / max(median(own_light), 1e-6)),
    }


def _away(spot: Spot, window: tuple[slice, slice]) -> Image:
    """Distance of each pixel of a window from a core, px."""
    outside = np.ones([side.stop - side.start for side in window], np.uint8)
    core = box_of(spot.mask, spot.top - window[0].start, spot.left - window[1].start)
    outside[core] = ~spot.mask
    return np.asarray(cv2.distanceTransform(outside, cv2.DIST_L2, 5), np.float32)


def _edge_share(
    spot: Spot, ground: Ground, image: Image, measured: Mask, window: tuple[slice, slice]
) -> float:
    """Share of a core's steep border that lies on an edge of the surface, beyond what is usual."""
    rows, cols = spot.mask.shape
    above, before = min(spot.top, 1), min(spot.left, 1)
    part = (
        slice(spot.top - above, spot.top + rows + 1),
        slice(spot.left - before, spot.left + cols + 1),
    )
    steepness = slope(np.ascontiguousarray(image[part]))
    inside = np.zeros(steepness.shape, np.uint8)
    inside[above : above + rows, before : before + cols] = spot.mask
    border = (inside > 0) & (cv2.erode(inside, np.ones((3, 3))) == 0)
    steep, on_edge = steepness[border], ground.edge[part][border]
    met = float(steep[on_edge].sum() / max(float(steep.sum()), 1e-9))
    # On a surface full of lines any border meets edges: only more than that tells something.
    edges = int(np.count_nonzero(ground.edge[window] & measured))
    usual = edges / max(int(np.count_nonzero(measured)), 1)
    return max(met - usual, 0.0) / max(1.0 - usual, 0.1)


def _dark_line(spot: Spot, ground: Ground) -> float:
    """How far lines under a core are darker than both of their sides, share of the surface."""
    rows, cols = spot.mask.shape
    above, before = min(spot.top, LINE_PX), min(spot.left, LINE_PX)
    part = np.ascontiguousarray(
        ground.unlit[
            spot.top - above : spot.top + rows + LINE_PX,
            spot.left - before : spot.left + cols + LINE_PX,
        ]
    )
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (LINE_PX, LINE_PX))
    deeper = np.asarray(cv2.morphologyEx(part, cv2.MORPH_CLOSE, disc)) - part
    inside = deeper[above : above + rows, before : before + cols]
    surface = ground.surface[box_of(spot.mask, spot.top, spot.left)]
    return median((inside / surface)[spot.mask])


def _window(spot: Spot, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], float, float]:
    """Where a core's surroundings lie, its thickness, and how far from it they begin, px."""
    thickness = thickness_of(spot.mask)
    gap = max(AROUND_GAP_PX, AROUND_GAP * thickness)
    pad = int(gap + AROUND_PX) + 2
    top, left = max(spot.top - pad, 0), max(spot.left - pad, 0)
    bottom = min(spot.top + spot.mask.shape[0] + pad, shape[0])
    right = min(spot.left + spot.mask.shape[1] + pad, shape[1])
    return (slice(top, bottom), slice(left, right)), thickness, gap


def _falling(distance: Image, light: Image) -> float:
    """How steadily light falls off with distance: minus their correlation, -1 to 1."""
    if len(distance) < MIN_CORE or np.ptp(distance) < 1.0 or np.ptp(light) <= 0:
        return 0.0
    spread = covariance(distance, light)
    both = np.sqrt(spread[0, 0]), np.sqrt(spread[1, 1])
    return -float(np.clip(spread[0, 1] / both[0] / both[1], -1.0, 1.0))


def _isolation(around: Image, own: float) -> float:
    """How far the brightest places round about stay behind; 1 where there is nothing to compare."""
    if len(around) < MIN_AROUND:
        return 1.0
    brightest = quantile(around, AROUND_QUANTILE)
    return float(np.clip(np.log(max(own, 1e-4) / max(brightest, 1e-3)), -2.0, 5.0))
