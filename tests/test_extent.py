"""What counts as a leak's light: shares and sums against hand calculation on drawn glows."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, label
from skimage.morphology import reconstruction
from skimage.segmentation import watershed

from leakcheck.extent import SADDLE, Extent, _parted, extent_of, joined_extent, light_of
from leakcheck.seeds import Plane, find_seeds
from leakcheck.spots import grow_spots, smoothed

SHAPE = (120, 200)
NOISE = 0.001


def bell(x: float, y: float, spread: float) -> np.ndarray:
    """A glow with a peak of one."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    distance = (cols - x) ** 2 + (rows - y) ** 2
    return np.exp(-distance / (2 * spread**2)).astype(np.float32)


def whole(added: np.ndarray, surface: np.ndarray) -> Extent:
    """All pixels of a frame as one extent."""
    mask = np.ones(added.shape, bool)
    return Extent(mask, 0, 0, added, added, surface)


def extents(light: np.ndarray) -> list[Extent]:
    """The extents of all spots of a frame with white noise of a known sigma."""
    seen = (light + np.random.default_rng(3).normal(0, NOISE, SHAPE)).astype(np.float32)
    plane = Plane("luminance", seen, np.full(SHAPE, NOISE**2, np.float32), (4.0,))
    measured = np.ones(SHAPE, bool)
    residual = SimpleNamespace(luminance=seen, planes=(plane,), measured=measured)
    seeds, _ = find_seeds((plane,), measured, false_alarms=0.05)
    spots, smooth = grow_spots(seeds, (plane,), measured)
    fine = smoothed(seen, measured, 1.0)
    surface = np.full(SHAPE, 0.1, np.float32)
    return [
        extent_of(
            replace(spot, base=0.0),  # as its surroundings tell
            residual,  # type: ignore[arg-type]  # all that extents look at
            image=smooth[spot.plane, spot.scale_px],
            fine=fine,
            surface=surface,
        )[0]
        for spot in spots
    ]


def test_a_glow_is_its_light_over_the_surface_that_it_leaves() -> None:
    """2 pi s^2 peak / surface: the part that the lens carried onto a dark edge counts no more.

    A pinhole 4 px beside an edge to a surface a tenth as bright: pixel by pixel the tail beyond
    the edge would add two fifths.
    """
    added = 0.05 * bell(100, 60, 2.0)
    surface = np.full(SHAPE, 0.1, np.float32)
    surface[:, 104:] = 0.01
    exact = 2 * np.pi * 2.0**2 * 0.05 / 0.1
    light = light_of(whole(added, surface))
    assert (light.x, light.y) == (pytest.approx(100, abs=0.01), pytest.approx(60, abs=0.01))
    assert light.glow == pytest.approx(exact, rel=0.05)
    assert float((added / surface).sum()) > 1.15 * exact


def test_two_halves_of_a_glow_are_the_glow() -> None:
    """Overlapping pieces joined count every pixel once."""
    added, surface = bell(100, 60, 6.0), np.full(SHAPE, 0.2, np.float32)
    first = Extent(np.ones((120, 110), bool), 0, 0, *[added[:, :110]] * 2, surface[:, :110])
    second = Extent(np.ones((120, 120), bool), 0, 80, *[added[:, 80:]] * 2, surface[:, 80:])
    both, all_of_it = light_of(joined_extent(first, second)), light_of(whole(added, surface))
    assert both.glow == pytest.approx(all_of_it.glow, rel=1e-5)
    assert both.x == pytest.approx(all_of_it.x, abs=1e-3)
    assert both.area == SHAPE[0] * SHAPE[1]


@pytest.mark.parametrize("share", [1.0, 0.6])
def test_each_of_two_glows_keeps_its_own_light(share: float) -> None:
    """Glows of 6 px, 32 px apart, each smoothed to 7.2 px: the saddle lies at 0.17 of a peak.

    The brighter one's centroid lies on it, not between the two, and its light is 2 pi s^2 peak.
    """
    found = extents(0.05 * bell(80, 60, 6.0) + share * 0.05 * bell(112, 60, 6.0))
    brightest = min(found, key=lambda extent: abs(light_of(extent).x - 80))
    light = light_of(brightest)
    assert light.x == pytest.approx(80, abs=1.5)
    assert brightest.left + np.flatnonzero(brightest.mask.any(axis=0)).max() <= 104
    assert light.glow == pytest.approx(2 * np.pi * 36 * 0.05 / 0.1, rel=0.15)


def test_ripples_of_the_noise_part_nothing() -> None:
    """A flat-topped glow has many summits, but no saddle deep enough between them.

    Its pixels are those above a tenth of its peak when scipy smooths it without any noise.
    """
    flat = 0.02 * np.clip(4 * bell(100, 60, 5.0), 0, 1)
    largest = max(extents(flat.astype(np.float32)), key=lambda extent: extent.mask.sum())
    smooth = gaussian_filter(flat, 4.0)
    expected = float((smooth > 0.1 * smooth.max()).sum())
    assert float(largest.mask.sum()) == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_light_is_parted_as_scikit_image_parts_it(seed: int) -> None:
    """Reconstruction, then watershed from the domes: the same pixels, on drawn hills."""
    rng = np.random.default_rng(seed)
    light = gaussian_filter(rng.normal(0, 1, (60, 80)), 3).astype(np.float32)
    mask = light > 0.02
    light = np.where(mask, light, np.float32(0))
    sunk = np.maximum(light / SADDLE, 0)
    domes = light > reconstruction(sunk, light)
    labels, count = label(domes, np.ones((3, 3)))
    top = np.unravel_index(light.argmax(), light.shape)
    core = labels == labels[top]
    assert count > 3, "several summits"
    others = np.where(domes & ~core, labels + 1, 0)
    told = watershed(-light, np.where(core, 1, others), mask=mask) == 1
    assert 0 < told.sum() < mask.sum()
    assert np.array_equal(_parted(light, sunk, core, mask), told)
