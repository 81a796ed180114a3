"""Whether two photos show one view, and which has more light: drawn photos, known answers."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scene import camera_move, ferry_scene, render, reposed
from sessions import COLS, ROWS, ferry, lit, moved, pattern

from leakcheck.likeness import alike, light_map
from leakcheck.shots import look_at


def look(picture, *, seed=0):
    grain = np.random.default_rng(seed).normal(0, 1.5, picture.shape)
    return look_at(np.clip(picture + grain, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("ambient", [0.5, 8.0, 200.0])
def test_the_lit_photo_of_the_ferry_has_more_light(ambient):
    """From a bright room to near darkness, camera held by hand, exposure halved by the lamps."""
    scene = ferry_scene(
        3, ambient=ambient, camera="handheld", exposure_ratio=0.5, size=(640, 460), leaks="none"
    )
    pair = render(scene)
    off, on = look_at(pair.off), look_at(pair.on)
    assert alike(off, on).more == 1
    assert alike(on, off).more == -1


def test_the_ferry_set_down_anew_is_the_same_view_with_the_same_light():
    scene = ferry_scene(5, camera="tripod", size=(640, 460), leaks="none")
    again = reposed(replace(scene, noise_seed=9), camera_move("handheld", size=(640, 460), seed=8))
    first, second = render(scene), render(again)
    assert alike(look_at(first.off), look_at(second.off)).more == 0
    assert alike(look_at(first.off), look_at(second.on)).more == 1


def test_the_other_side_is_another_view():
    pair = ferry(1)
    port, starboard = pair.off, np.ascontiguousarray(pair.off[:, ::-1])
    assert alike(look_at(port), look_at(starboard)) is None


def test_another_side_on_the_same_bench_is_another_view():
    """A tripod, and the model turned between the photos: the room fits, the middle does not."""
    room = np.ones((ROWS, COLS, 1), bool)
    cv2.ellipse(
        mask := np.zeros((ROWS, COLS), np.uint8),
        (COLS // 2, ROWS // 2),
        (165, 115),
        0,
        0,
        360,
        1,
        -1,
    )
    room[..., 0] = mask == 0
    port, bow = (np.where(room, pattern(30), pattern(seed)) for seed in (31, 32))
    assert alike(look(port), look(bow, seed=1)) is None
    assert alike(look(port), look(lit(port), seed=2)).more == 1


def test_things_that_have_nothing_in_common():
    assert alike(look(pattern(33)), look(pattern(34))) is None
    assert alike(look(pattern(33)), look(np.full((ROWS, COLS, 3), 90.0))) is None


def test_what_a_moved_camera_cuts_off_is_no_light():
    side = pattern(35)
    assert alike(look(side), look(moved(side, 40, -25, 2.0), seed=1)).more == 0


def test_the_map_of_light_shows_where_it_was_added():
    side = pattern(36)
    light = light_map(look(side), look(lit(side), seed=1))
    inside = np.zeros((ROWS, COLS), bool)
    inside[172:184, 122:136] = True  # the first window, without its rim
    assert np.median(light[inside]) > 1
    assert abs(np.median(light[~inside])) < 0.05
    assert light_map(look(side), look(pattern(37))) is None
