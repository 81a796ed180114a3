"""The drawn scenes are what they say: every test of the project that uses them rests on this."""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import scene_camera
from numpy.typing import NDArray
from PIL import ExifTags
from PIL import Image as PilImage
from scene import (
    CameraMove,
    Leak,
    Lens,
    Opening,
    Scene,
    Sensor,
    camera_move,
    ferry_scene,
    ladder_scene,
    plain_field,
    render,
    reposed,
    save_pair,
)
from scene_draw import coverage, warped
from scene_ferry import LEAK_KINDS
from scene_lamps import Spill
from scipy import stats
from skimage.draw import polygon2mask
from skimage.registration import phase_cross_correlation

LIGHT = scene_camera.decode_srgb
QUIET = Sensor(slope=1e-9, read=0.0, quality=None)  # no noise, no JPEG: only rounding to 8 bits
CLEAR = Lens(blur_px=0.0, flare=0.0, vignette=0.0)


def quiet(scene: Scene, **changes: Any) -> Scene:
    """The scene without noise, JPEG, tone curve and sharpening."""
    return replace(scene, sensor_off=QUIET, sensor_on=QUIET, **changes)


def moved(shift: tuple[float, float]) -> CameraMove:
    """A camera that shifts all planes alike."""
    h = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    return CameraMove("nudge", (h, h, h))


def luminance(codes: NDArray[np.uint8]) -> NDArray[np.float64]:
    return np.asarray(LIGHT(codes), float) @ [0.2126, 0.7152, 0.0722]


# ---- geometry -----------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [(0.31, -0.22), (2.4, 1.75), (-7.5, 3.125)])
def test_a_shift_is_the_shift_asked_for(shift: tuple[float, float]) -> None:
    """Recovered by scikit-image's phase correlation (Guizar-Sicairos 2008), lamps off in both.

    0.03 px: its own search step is 0.01 px, and the edge of the window costs about as much.
    """
    scene = quiet(ferry_scene(3, leaks="none"), openings=(), spills=(), camera=moved(shift))
    pair = render(scene)
    window = np.outer(np.hanning(900), np.hanning(1280))
    off, on = (luminance(photo) for photo in (pair.off, pair.on))
    found, _, _ = phase_cross_correlation(
        (off - off.mean()) * window, (on - on.mean()) * window, upsample_factor=100
    )
    assert found[::-1] == pytest.approx(shift, abs=0.03)


@pytest.mark.parametrize("name", ["nudge", "handheld"])
def test_the_true_homography_maps_one_photo_onto_the_other(name: str) -> None:
    """OpenCV's ECC (Evangelidis 2008), started at the identity, finds the hull's homography.

    Its points on the model agree to 0.1 px: the hull alone is 50 px high and ECC iterates to 1e-6.
    """
    scene = ferry_scene(5, leaks="none", camera=name)
    scene = quiet(scene, openings=(), spills=(), drift=(0.0, 0.0))
    only_hull = tuple(s for s in scene.surfaces if s.plane != 2 or s.name == "saloon")
    h = scene.camera.planes[1]
    scene = replace(scene, surfaces=only_hull, camera=CameraMove(name, (h, h, h)))
    pair = render(scene)
    off, on = (cv2.cvtColor(p, cv2.COLOR_RGB2GRAY) for p in (pair.off, pair.on))
    start = h.copy()
    start[:2, 2] += (0.8, -0.6)  # near enough to converge, far enough to show
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-6)
    _, found = cv2.findTransformECC(
        on, off, start.astype(np.float32), cv2.MOTION_HOMOGRAPHY, criteria
    )
    apart = warped(pair.flow_on, found.astype(float)) - warped(pair.flow_on, pair.on_to_off)
    assert len(pair.flow_on) > 50
    assert np.percentile(np.hypot(*apart.T), 95) < 0.1


def test_parallax_moves_the_planes_apart_and_the_flow_says_so() -> None:
    """By hand: a handheld camera's room plane lies off the hull's by its own shift."""
    scene = ferry_scene(8, camera="handheld")
    pair = render(scene)
    room, hull, house = scene.camera.planes
    corner = np.array([[0.0, 0.0]])
    assert np.hypot(*(warped(corner, room) - warped(corner, hull))[0]) > 1
    by_hull, by_house = warped(pair.flow_on, hull), warped(pair.flow_on, house)
    on_hull = np.isclose(pair.flow_off, by_hull).all(axis=1)
    on_house = np.isclose(pair.flow_off, by_house).all(axis=1)
    assert on_hull.sum() > 20
    assert on_house.sum() > 20
    assert (on_hull != on_house).all()


def test_a_model_set_down_anew_looks_as_a_moved_camera_sees_it() -> None:
    """The same move as a camera's and as the model's: two ways of drawing, one picture.

    The lamps move along: openings stay on their windows, leaks on their walls.
    """
    plain = quiet(ferry_scene(9, lens=CLEAR), room_slope=(0.0, 0.0), drift=(0.0, 0.0))
    move = camera_move("handheld", size=plain.size, seed=9)
    by_camera = render(replace(plain, camera=move))
    by_hand = render(reposed(plain, move))
    apart = by_camera.off.astype(int) - by_hand.off
    assert np.abs(apart).mean() < 0.1  # corners of shading boxes, nothing else
    lit = luminance(by_hand.on) - luminance(by_hand.off) > 0.3
    for opening in by_hand.scene.openings:
        x, y = np.round(np.mean(opening.ring, axis=0)).astype(int)
        assert lit[y, x], opening.id


@pytest.mark.parametrize(
    "ring",
    [
        [(3.2, 2.1), (20.7, 4.4), (15.3, 18.9)],
        [(-5, 3), (12.25, 3), (12.25, 9.5), (-5, 9.5)],
        [(5, 5), (25, 5), (25, 25), (15, 10), (5, 25)],
        [(5, 25), (15, 10), (25, 25), (25, 5), (5, 5)],
    ],
)
def test_coverage_is_the_polygons_area(ring: list[tuple[float, float]]) -> None:
    """Against scikit-image's point-in-polygon test of 32 x 32 points a pixel.

    0.05: eight lines a pixel miss at most that much of a slanted edge.
    """
    fine = 32
    corners = np.array(ring, float)
    inside = polygon2mask((30 * fine, 30 * fine), (corners[:, ::-1] + 0.5) * fine - 0.5)
    expected = inside.reshape(30, fine, 30, fine).mean(axis=(1, 3))
    got = np.zeros((30, 30))
    window, cover = coverage(corners, (30, 30))
    got[window] = cover
    assert np.abs(got - expected).max() < 0.05
    assert got.sum() == pytest.approx(expected.sum(), rel=0.003)


def test_the_model_outline_holds_the_openings() -> None:
    """OpenCV's point-in-polygon test: every opening of the ferry lies inside it."""
    pair = render(ferry_scene(1, leaks="none"))
    contour = pair.model.astype(np.float32).reshape(-1, 1, 2)
    for opening in pair.scene.openings:
        x, y = np.mean(opening.ring, axis=0)
        assert cv2.pointPolygonTest(contour, (float(x), float(y)), False) > 0, opening.id


# ---- light --------------------------------------------------------------------------------------


def test_codes_follow_the_srgb_standard() -> None:
    """IEC 61966-2-1: end points, the joint at 0.04045, and 18 % grey (code 118 of 255)."""
    assert scene_camera.encode_srgb(np.array([0.0, 1.0, 0.0031308])) == pytest.approx(
        [0, 1, 0.04045], abs=1e-4
    )
    assert scene_camera.encode_srgb(np.array([0.18])) * 255 == pytest.approx(117.65, abs=0.05)
    assert np.round(LIGHT(np.array([255, 118, 10])), 4) == pytest.approx(
        [1, 0.1812, 0.003], abs=1e-4
    )


def test_exposure_ratio_and_white_balance_are_as_asked() -> None:
    """The means of the two photos differ by the factors, by hand; 8-bit steps average out."""
    scene = replace(
        quiet(plain_field(1, texture=0.05, light=0.3, exposure_ratio=0.6)),
        balance_off=(1.02, 1.0, 0.97),
        balance_on=(0.9, 1.0, 1.1),
        room_gain=1.05,
    )
    pair = render(scene)
    measured = LIGHT(pair.on).mean((0, 1)) / LIGHT(pair.off).mean((0, 1))
    by_hand = 0.63 * np.array([0.9 / 1.02, 1.0, 1.1 / 0.97])
    assert scene.gain == pytest.approx(by_hand)
    assert measured == pytest.approx(by_hand, rel=2e-3)


def test_room_light_drift_runs_from_edge_to_edge() -> None:
    """By hand: a drift of 0.1 in x is +5 % at the right edge and -5 % at the left."""
    pair = render(replace(quiet(plain_field(1, texture=0.02)), drift=(0.1, 0.0)))
    ratio = LIGHT(pair.on)[..., 1] / LIGHT(pair.off)[..., 1]
    assert np.median(ratio[:, :8]) == pytest.approx(0.95, abs=0.004)
    assert np.median(ratio[:, -8:]) == pytest.approx(1.05, abs=0.004)


def test_noise_follows_the_linear_law() -> None:
    """EMVA 1288 photon transfer: variance against mean of flat fields is a line.

    Six levels of 307,200 x 3 values; each variance is known to sqrt(2 / N) = 0.15 %, so slope and
    floor come back within 1 and 3 %. Rounding adds a step's square / 12, which is taken off.
    """
    slope, read = 2e-4, 3e-3
    means, variances = [], []
    for k, light in enumerate((0.02, 0.05, 0.1, 0.2, 0.4, 0.6)):
        pair = render(plain_field(k, light=light, slope=slope, read=read))
        off, on = LIGHT(pair.off).astype(float), LIGHT(pair.on).astype(float)
        table = LIGHT(np.arange(256, dtype=np.uint8))
        code = int(np.median(pair.off))
        step = (table[code + 1] - table[code - 1]) / 2
        means.append(off.mean())
        variances.append((on - off).var() / 2 - step**2 / 12)
    line = stats.linregress(means, variances)
    assert line.slope == pytest.approx(slope, rel=0.01)
    assert line.intercept == pytest.approx(read**2, rel=0.03)


def test_denoised_grain_keeps_the_stated_variance_but_not_its_whiteness() -> None:
    """By hand: the spread is the law's, and neighbours go together as a Gaussian says.

    A blur of 1 px correlates neighbours by exp(-1 / 4) = 0.78.
    """
    pair = render(plain_field(2, light=0.2, slope=2e-4, read=0.0, grain_px=1.0))
    off = LIGHT(pair.off)[..., 1].astype(float)
    off -= off.mean()
    assert off.std() == pytest.approx(np.sqrt(2e-4 * 0.2), rel=0.02)
    assert (off[:, 1:] * off[:, :-1]).mean() / off.var() == pytest.approx(0.78, abs=0.02)


def test_the_lens_moves_light_and_makes_none() -> None:
    """By hand: a point of light keeps its sum; its tail holds the flare's share of it.

    What of the tail's bell curves lies within 4 px or beyond the photo's edges comes from
    scipy's normal law. 3 %: the two wide ones are drawn at reduced size.
    """
    light = np.zeros((601, 801, 3), np.float32)
    light[300, 400] = 1000.0
    lens = Lens(blur_px=0.7, flare=0.02, bloom=0.0, vignette=0.0)
    out = scene_camera.through_lens(light, lens)
    y, x = np.mgrid[:601, :801]
    far = np.hypot(y - 300, x - 400) > 4
    expected = 0.0
    for share, weight in zip(scene_camera.FLARE_WIDTHS, scene_camera.FLARE_WEIGHTS, strict=True):
        sigma = share * 801
        inside = np.diff(stats.norm.cdf([-300.5, 300.5], scale=sigma))[0]
        inside *= np.diff(stats.norm.cdf([-400.5, 400.5], scale=sigma))[0]
        expected += 20 * weight * (inside - (1 - np.exp(-0.5 * (4 / sigma) ** 2)))
    assert out.sum() / 3 == pytest.approx(1000, rel=0.001)
    assert out[far].sum() / 3 == pytest.approx(expected, rel=0.03)


def test_a_window_has_its_level() -> None:
    """By hand: level x ambient x hull light, where nothing clips and nothing scatters."""
    ring = ((100.0, 60.0), (140.0, 60.0), (140.0, 90.0), (100.0, 90.0))
    scene = replace(
        quiet(plain_field(1)),
        ambient=2.0,
        openings=(Opening("w", "window", ring, 0.8, "cool white", glass=(0.0, 0.0, 0.0)),),
        lens=CLEAR,
    )
    added = luminance(render(scene).on)[65:85, 105:135]
    assert added.mean() == pytest.approx(0.8 * 2.0 * 0.2, rel=0.01)


# ---- leaks --------------------------------------------------------------------------------------


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


# ---- families and files -------------------------------------------------------------------------


def test_the_same_scene_gives_the_same_photos() -> None:
    one, two = (render(ferry_scene(4, camera="nudge")) for _ in range(2))
    other = render(ferry_scene(5, camera="nudge"))
    assert one.on_jpeg == two.on_jpeg
    assert one.off_jpeg == two.off_jpeg
    assert one.on_jpeg != other.on_jpeg


def test_mixed_ferries_have_leaks_of_every_kind_worth_finding() -> None:
    """Twelve seeds show all five kinds, most of them strong enough to count."""
    leaks = [
        leak for seed in range(12) for leak in render(ferry_scene(seed, size=(800, 560))).leaks
    ]
    assert {leak.kind for leak in leaks} == set(LEAK_KINDS)
    assert np.mean([leak.snr >= 15 and leak.contrast >= 0.02 for leak in leaks]) > 0.8


@pytest.mark.parametrize("kind", ["pinhole", "show-through"])
def test_a_ladder_rises_near_and_far(kind: str) -> None:
    """By hand: rungs have the contrast asked for, where the nearest pixel's centre sees them."""
    asked = np.array([0.1, 0.2, 0.4] * 2)
    scene = ladder_scene(kind=kind, contrasts=tuple(asked[:3]), lens=CLEAR)
    bare = tuple(replace(s, grain=0.0, weather=0.0, lines=()) for s in scene.surfaces)
    pair = render(replace(scene, surfaces=bare))
    if kind == "pinhole":  # a spread of 0.7 px seen by pixels, and off their centre
        spread2 = 0.7**2 + 1 / 12
        place = np.array([leak.points[0] for leak in pair.scene.leaks])
        off_centre = ((place - np.round(place)) ** 2).sum(axis=1)
        asked *= 0.7**2 / spread2 * np.exp(-0.5 * off_centre / spread2)
    contrasts = [leak.peak_contrast for leak in pair.leaks]
    assert contrasts == pytest.approx(asked, rel=0.02)
    low = max(y for o in pair.scene.openings for _, y in o.ring)
    below = [leak.centroid_px[1] - low for leak in pair.leaks]
    assert all(10 < d < 25 for d in below[:3])
    assert all(d > 200 for d in below[3:])


def test_a_pair_on_disk_says_all_that_it_knows(tmp_path: Path) -> None:
    """Read back with Pillow, ElementTree and OpenCV: exposure, shapes in SVG units, labels."""
    pair = render(ferry_scene(6, camera="handheld", exposure_ratio=0.5, ambient=30))
    save_pair(pair, tmp_path)
    times = []
    for name, pixels in (("off", pair.off), ("on", pair.on)):
        with PilImage.open(tmp_path / f"{name}.jpg") as photo:
            times.append(
                float(photo.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.ExposureTime])
            )
            assert np.abs(np.asarray(photo).astype(int) - pixels).max() <= 3  # two JPEG decoders
    assert times[1] / times[0] == pytest.approx(0.5, rel=1e-3)
    shapes = ET.parse(tmp_path / "openings.svg").getroot().findall("{*}polygon")
    by_class = [shape.get("class") for shape in shapes]
    assert by_class.count("model") == 1
    assert by_class.count("window") == sum(o.kind == "window" for o in pair.scene.openings)
    first = pair.scene.openings[0]
    drawn = next(s for s in shapes if s.get("id") == first.id).get("points", "").split()
    x, y = (float(v) for v in drawn[0].split(","))
    assert (x - 0.5, y - 0.5) == pytest.approx(first.ring[0], abs=2e-3)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert [leak["id"] for leak in truth["leaks"]] == [leak.id for leak in pair.leaks]
    labels = cv2.imread(str(tmp_path / "leaks.png"), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(np.asarray(labels), pair.labels)
    flow = np.load(tmp_path / "flow.npz")
    assert flow["on"].shape == flow["off"].shape == pair.flow_on.shape


def test_a_photo_is_coded_once() -> None:
    """The bytes kept are the JPEG whose pixels the pair holds; Pillow is the second decoder."""
    pair = render(ferry_scene(2, leaks="none"))
    assert pair.on_jpeg is not None
    with PilImage.open(io.BytesIO(pair.on_jpeg)) as photo:
        assert np.abs(np.asarray(photo).astype(int) - pair.on).max() <= 3
