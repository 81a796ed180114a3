"""The drawn scenes are what they say: every test of the project that uses them rests on this."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scene_camera
from quiet_scenes import CLEAR, LIGHT, luminance, moved, quiet
from scene import (
    CameraMove,
    Lens,
    Opening,
    camera_move,
    ferry_scene,
    plain_field,
    render,
    reposed,
)
from scene_draw import coverage, warped
from scipy import stats
from skimage.draw import polygon2mask
from skimage.registration import phase_cross_correlation

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
