"""Leaks and spill of the drawn scenes: their light, areas and shapes, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from quiet_scenes import CLEAR, LIGHT, luminance, quiet
from scene import (
    Leak,
    Lens,
    Scene,
    Sensor,
    ferry_scene,
    plain_field,
    render,
)
from scene_draw import coverage
from scene_lamps import Spill


def with_leaks(*leaks: Leak, lens: Lens = CLEAR) -> Scene:
    """A flat field, room light 0.2, ambient ratio 8, with leaks of white light."""
    return replace(quiet(plain_field(1)), ambient=8.0, leaks=leaks, lens=lens)


def test_show_through_has_the_glow_of_a_bell_curve() -> None:
    """Integrated by hand: a Gaussian's part above a tenth of its peak.

    Its area is 2 pi a b ln 10, its sum 2 pi a b 0.9 x peak: means are 0.9 / ln 10 of the peak.
    """
    leak = Leak(1, "show-through", ((300.3, 200.7),), 0.05, size_px=(20.0, 12.0), angle_deg=30)
    truth = render(with_leaks(leak)).leaks[0]
    area, peak = 2 * np.pi * 20 * 12 * np.log(10), 0.05 * 8
    assert truth.visible_area_px == pytest.approx(area, rel=0.01)
    assert truth.peak_contrast == pytest.approx(peak, rel=0.01)
    assert truth.contrast == pytest.approx(peak * 0.9 / np.log(10), rel=0.01)
    assert truth.glow_px == pytest.approx(2 * np.pi * 20 * 12 * 0.9 * peak, rel=0.01)
    assert truth.centroid_px == pytest.approx((300.3, 200.7), abs=0.05)


def test_a_pinhole_takes_the_shape_of_the_lens() -> None:
    """By hand: spreads add in squares, so source, blur and pixel (variance 1/12) give the peak."""
    leak = Leak(1, "pinhole", ((200.0, 150.0),), 0.5, size_px=(0.5, 0.5))
    truth = render(with_leaks(leak, lens=Lens(blur_px=0.8, flare=0, vignette=0))).leaks[0]
    spread2 = 0.5**2 + 0.8**2 + 1 / 12
    assert truth.peak_level == pytest.approx(0.5 * 0.5**2 / spread2, rel=0.06)
    assert truth.visible_area_px == pytest.approx(2 * np.pi * spread2 * np.log(10), rel=0.15)


def test_an_unbroken_seam_is_as_long_as_its_line() -> None:
    """By hand: within r = sqrt(2 ln 10) spreads of the line it has a tenth of its peak.

    Length x 2 r, a half disc at each end, and at the right angle a corner of (1 - pi/4) r^2 less.
    """
    line = ((100.0, 200.0), (220.0, 230.0), (240.0, 150.0))  # slanted: rows do not round it
    leak = Leak(1, "seam leak", line, 0.04, size_px=(1.5, 0))
    truth = render(with_leaks(leak)).leaks[0]
    r = np.sqrt(2 * np.log(10)) * np.hypot(1.5, np.sqrt(1 / 12))
    area = (np.hypot(120, 30) + np.hypot(20, 80)) * 2 * r + np.pi * r**2 - (1 - np.pi / 4) * r**2
    assert truth.visible_area_px == pytest.approx(area, rel=0.03)


def test_beads_break_a_seam_into_pieces_with_one_label() -> None:
    """By hand: a bead every 12 px of 120 px; OpenCV counts the pieces of the label."""
    leak = Leak(7, "seam leak", ((94.0, 200.0), (214.0, 200.0)), 0.1, size_px=(1, 1), bead_px=12)
    labels = render(with_leaks(leak)).labels
    count, _ = cv2.connectedComponents((labels == 7).astype(np.uint8))
    assert count - 1 in (10, 11)


def test_a_side_glow_is_a_half_moon_on_its_side() -> None:
    """By hand: no light on the far side, none inside the beacon, colour red."""
    leak = Leak(1, "side glow", ((300.0, 200.0),), 0.1, "red", (6.0, 5.0), angle_deg=0.0)
    pair = render(with_leaks(leak))
    added = LIGHT(pair.on).astype(float) - LIGHT(pair.off)
    assert added[200, 309, 0] > 0.02
    assert abs(added[200, 291]).max() < 1e-3
    assert abs(added[200, 302]).max() < 1e-3
    assert added[200, 309, 0] > 10 * added[200, 309, 1]
    assert pair.leaks[0].centroid_px[0] > 308


def test_an_open_hole_has_its_area() -> None:
    """By hand: pi r^2, and the level all over it."""
    ring = tuple(
        (250 + 5 * np.cos(a), 100 + 5 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 60)[:-1]
    )
    truth = render(with_leaks(Leak(1, "open hole", ring, 0.4))).leaks[0]
    assert truth.glow_px == pytest.approx(np.pi * 25 * 0.4 * 8, rel=0.02)


def test_the_truth_is_what_the_photos_show() -> None:
    """The truth's glow against the two photos themselves: on - off over off, summed by hand."""
    scene = quiet(ferry_scene(11, leaks=("show-through", "open hole", "seam leak"), ambient=2.0))
    scene = replace(
        scene,
        room_gain=1.0,
        drift=(0, 0),
        spills=(),
        openings=(),
        lens=replace(scene.lens, flare=0, bloom=0),
    )
    pair = render(scene)
    ratio = luminance(pair.on) / luminance(pair.off) - 1
    for leak in pair.leaks:
        assert ratio[pair.labels == leak.id].sum() == pytest.approx(leak.glow_px, rel=0.03), leak


def test_snr_is_signal_over_noise_times_root_of_area() -> None:
    """By hand on a flat field: one channel's noise, weighted as luminance is."""
    leak = Leak(1, "show-through", ((300.0, 200.0),), 0.01, "cool white", (20.0, 20.0))
    scene = replace(with_leaks(leak), sensor_on=Sensor(slope=1e-4, read=0.0, quality=None))
    truth = render(scene).leaks[0]
    added = truth.contrast * 0.2
    sigma = np.sqrt(1e-4 * (0.2 + added) * (0.2126**2 + 0.7152**2 + 0.0722**2))
    assert truth.snr == pytest.approx(added / sigma * np.sqrt(truth.visible_area_px), rel=0.02)


def test_leaks_keep_to_their_surface() -> None:
    """A show-through of the hull adds nothing on boot top and windows that cover it."""
    for seed in range(3):
        pair = render(quiet(ferry_scene(seed, leaks=("show-through",))))
        hull = next(s for s in pair.scene.surfaces if s.name == "boot top")
        covered = np.zeros(pair.labels.shape, np.float32)
        window, cover = coverage(np.array(hull.ring), pair.labels.shape)
        covered[window] = cover
        assert (pair.labels[cv2.erode(covered, np.ones((5, 5))) > 0.99] == 0).all()


def test_spill_follows_the_surface_and_falls_away() -> None:
    """By hand: (1 + d^2)^-1.5 along it, and twice the reflectance sends back twice the light."""
    lobe = Spill("lobe", ((320.0, 200.0),), 1.2, size_px=(20, 20), surfaces=("field",))
    scene = replace(quiet(plain_field(1)), ambient=8.0, spills=(lobe,), lens=CLEAR)
    bright = replace(scene.surfaces[0], colour=(0.6, 0.6, 0.6))
    added = []
    for s in (scene, replace(scene, surfaces=(bright,), hull_reflectance=0.6)):
        pair = render(s)
        added.append(luminance(pair.on) - luminance(pair.off))
    near, far = added[0][210, 320], added[0][240, 320]
    assert near == pytest.approx(1.2 * 0.3 * 8 * 0.2 * 1.25**-1.5, rel=0.03)
    assert far / near == pytest.approx((5 / 1.25) ** -1.5, rel=0.06)
    assert added[1][240, 320] == pytest.approx(2 * far, rel=0.08)  # 8-bit steps; near it clips
    assert not render(scene).labels.any()
