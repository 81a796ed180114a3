"""Lit windows as a pattern: found where they were drawn to be, and nowhere else."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from leakcheck.lamp_pattern import laid_by_lamps, pattern_of, shown
from leakcheck.motion import project
from leakcheck.photo import Frame

ROWS, COLS = 780, 1040
BRICK = (32, 16)  # px: every course is like every other
PANE = (18, 26)  # px: a shift by one brick leaves little of it on itself
CORNERS = (  # top left, px; irregular, so that they fit in one place alone
    *((310, 190), (371, 170), (520, 205), (610, 180), (690, 214), (333, 300), (450, 318)),
    *((575, 290), (702, 330), (305, 430), (480, 455), (655, 440), (730, 480)),
)
MIDDLES = np.array(CORNERS) + (np.array(PANE) - 1) / 2
BACKGROUND, JOINT, WALL, LIT = 0.05, 0.04, 0.12, 0.9  # linear light


def panes(corners) -> np.ndarray:
    mask = np.zeros((ROWS, COLS), bool)
    for left, top in corners:
        mask[top : top + PANE[1], left : left + PANE[0]] = True
    return mask


LAMPS = panes(CORNERS)


def facade(lit: float = LIT, corners=CORNERS) -> np.ndarray:
    """Light of a brick wall before a plain background, its windows as bright as is said."""
    y, x = np.mgrid[:ROWS, :COLS]
    every_other = BRICK[0] // 2 * (y // BRICK[1] % 2)
    joint = (y % BRICK[1] < 3) | ((x + every_other) % BRICK[0] < 3)
    wall = (x >= 270) & (x < 780) & (y >= 130) & (y < 560)
    light = np.where(wall, np.where(joint, JOINT, WALL), BACKGROUND)
    return np.where(panes(corners), lit, light).astype(np.float32)


def photo(light: np.ndarray, seed: int = 0) -> Frame:
    noise = np.random.default_rng(seed).normal(0, 0.002, light.shape)
    colours = np.repeat((light + noise)[..., None], 3, axis=2).astype(np.float32)
    return Frame(light=colours, clipped=colours >= 1, scale=1)


def motion(turn: float, scale: float, shift: tuple[float, float]) -> np.ndarray:
    """Degrees about the photo's middle, scale and px: where a point of the first photo went."""
    matrix = np.vstack([cv2.getRotationMatrix2D((COLS / 2, ROWS / 2), turn, scale), [0, 0, 1]])
    matrix[:2, 2] += shift
    return matrix


def again(light: np.ndarray, moved: np.ndarray) -> np.ndarray:
    """The same light in a second photo."""
    border = cv2.BORDER_REPLICATE
    return cv2.warpAffine(light, moved[:2], (COLS, ROWS), flags=cv2.INTER_AREA, borderMode=border)


MOTIONS = {
    "turned": motion(5, 0.95, (60, 0)),
    "the other way": motion(-5, 0.95, (-60, 20)),
    "nearer": motion(7.5, 1.12, (30, 30)),  # between the turns and scales that are tried
}


@pytest.mark.parametrize("moved", MOTIONS.values(), ids=MOTIONS.keys())
@pytest.mark.parametrize("exposure", [1.0, 0.5])
def test_windows_are_found_again(moved, exposure):
    """Truth: the motion that the second photo was drawn with. Must: 2 px at every window."""
    first, second = photo(facade()), photo(exposure * again(facade(), moved), 1)
    pattern = pattern_of(first, LAMPS)
    found = laid_by_lamps(pattern, second, first, LAMPS)
    off = np.hypot(*(project(found, MIDDLES) - project(moved, MIDDLES)).T)
    assert off.max() < 2
    assert np.array_equal(found, laid_by_lamps(pattern, second, first, LAMPS))


@pytest.mark.parametrize("moved", MOTIONS.values(), ids=MOTIONS.keys())
@pytest.mark.parametrize("exposure", [1.0, 0.5])
def test_a_pattern_shows_under_its_own_motion_alone(moved, exposure):
    """All of it, as the root of light: 1 where the exposure is the same, else its root.

    Up to a tenth more, as coarse px at a window's rim are in part wall in the pattern's strength.
    """
    pattern = pattern_of(photo(facade()), LAMPS)
    second = photo(exposure * again(facade(), moved), 1)
    right = shown(pattern, second, lambda xy: project(moved, xy))
    assert right == pytest.approx(np.sqrt(exposure), rel=0.12)
    for course in ((BRICK[0], 0), (-BRICK[0], 0), (0, BRICK[1]), (BRICK[0] / 2, BRICK[1])):
        wrong = shown(pattern, second, lambda xy, by=course: project(moved, xy) + by)
        assert wrong < 0.3 * right


def test_dark_windows_make_no_pattern():
    """As bright as the wall, darker, and none at all."""
    assert pattern_of(photo(facade(WALL)), LAMPS) is None
    assert pattern_of(photo(facade(0.01)), LAMPS) is None
    assert pattern_of(photo(facade()), np.zeros_like(LAMPS)) is None


def leaves() -> np.ndarray:
    """Some soft pattern with neither bricks nor windows."""
    noise = np.random.default_rng(4).normal(size=(ROWS, COLS)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 4)
    return np.clip(0.2 + 0.06 * smooth / smooth.std(), 0, 1)


ROW_BY_ROW = [(300 + 75 * k, 170 + 90 * row) for k in range(6) for row in range(4)]
OTHERS = {
    "leaves": leaves(),
    "unlit": facade(WALL),
    "another house": facade(LIT, ROW_BY_ROW),
    "black": np.zeros((ROWS, COLS), np.float32),
    "white": np.ones((ROWS, COLS), np.float32),
}


@pytest.mark.parametrize("other", OTHERS.values(), ids=OTHERS.keys())
def test_it_is_not_found_in_a_photo_of_something_else(other):
    first, second = photo(facade()), photo(other, 2)
    assert laid_by_lamps(pattern_of(first, LAMPS), second, first, LAMPS) is None


@pytest.mark.parametrize("moved", MOTIONS.values(), ids=MOTIONS.keys())
def test_windows_in_one_row_do_not_bend_what_lies_above_and_below(moved):
    """Truth: the motion at the wall's corners, where the row itself tells little. Must: 4 px.

    A row that is drawn a pixel crooked fits homographies that are 600 px off there.
    """
    row = [(290 + 45 * k, 330 + k % 2) for k in range(10)]
    first, second = photo(facade(LIT, row)), photo(again(facade(LIT, row), moved), 1)
    found = laid_by_lamps(pattern_of(first, panes(row)), second, first, panes(row))
    corners = np.array([[270, 130], [780, 130], [780, 560], [270, 560]], float)
    assert np.hypot(*(project(found, corners) - project(moved, corners)).T).max() < 4
