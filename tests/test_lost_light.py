"""Light that one test shows and another one lacks: on hand-made light, with truth by hand."""

from __future__ import annotations

import made_stages as made
import numpy as np
import pytest
from made_stages import COLS, GREY, NOISE, ROWS

from leakcheck.light import block_mean, blurred
from leakcheck.lost_light import BLOCK, USUAL_EDGE_ERROR, Lost, lost_light

QUIET = 1e-4  # noise where none is drawn: light is compared with what was drawn
CONTRAST = 0.1
DARK = np.zeros_like(ROWS)


def lost(before, after, *, swapped: bool = False, rooms=(1.0, 1.0), **changes) -> Lost:
    """What the first of two tests of one pose shows and the second lacks, or the other way.

    Args:
        rooms: of the one that shows it, and of the other.
    """
    stages = made.pair_of(before, after, **{"noise": QUIET, **changes})
    here, there = (1, 0) if swapped else (0, 1)
    return lost_light(stages, here, there, rooms=rooms)


def spill() -> np.ndarray:
    """A window's light on a ledge with rails: broad, with lines 13 px apart."""
    broad = np.exp(-((COLS - 160) ** 2) / (2 * 60**2) - (ROWS - 120) ** 2 / (2 * 25**2))
    return np.asarray(0.2 * broad * (1 + 0.5 * np.sin(COLS / 2)), np.float32)


def test_two_tests_alike_lose_nothing():
    """Both show one line and noise of their own: what is lost is noise.

    A block is judged by the spread of both tests' noise and compared with the brightest of its
    neighbours: 4 spreads are passed by 3 in 100 000 of 19 200 blocks even without those.
    """
    line = CONTRAST * made.line(160, 120)
    found = lost(line + made.noise_of(1), line + made.noise_of(2), noise=NOISE)
    assert found.known.all()
    assert float((found.light / found.sigma).max()) < 4


def seen_through_a_lens(*lights: np.ndarray) -> np.ndarray:
    """Light as sharp as a lens and a camera's demosaicing leave it."""
    return CONTRAST * blurred(np.asarray(sum(lights), np.float32), 0.7)


def lines_and_dots(dx: float, dy: float) -> np.ndarray:
    """Three lit ledges and a lit rivet, all moved by so many frame px."""
    return seen_through_a_lens(
        made.line(160 + dx, 120.3 + dy, turn=0.3),
        made.line(90.5 + dx, 60 + dy, turn=1.5),
        made.line(240 + dx, 180 + dy, width_px=4.0),
        made.dot(60.4 + dx, 180.3 + dy),
    )


@pytest.mark.parametrize("moved", [(1, 0), (0, 1), (-1, -1), (2, 0), (0, -2), (1.4, 1.4)])
def test_light_that_moved_a_little_is_not_lost(moved):
    """All light lies 1 to 2 frame px off, as where two poses are laid on each other badly.

    Half of its height bounds what is left: half a block's shift alone takes a third from the
    brightest block of a line that is one block wide.
    """
    for swapped in (False, True):
        found = lost(lines_and_dots(0, 0), lines_and_dots(*moved), swapped=swapped)
        assert float(found.light.max()) < 0.5 * float(found.own.max())


def test_light_that_moved_far_is_lost():
    """Six px off nothing explains it: the bound above is not one that all light keeps."""
    found = lost(lines_and_dots(0, 0), lines_and_dots(0, 6))
    assert float(found.light.max()) > 0.75 * float(found.own.max())


@pytest.mark.parametrize("factor", [0.85, 1 / 0.85])
def test_spill_of_another_strength_is_not_lost(factor):
    """All of a window's spill is 15 % weaker in one test: nothing of it, lines and all, is lost."""
    for swapped in (False, True):
        found = lost(spill(), factor * spill(), swapped=swapped)
        assert float(found.light.max()) < 0.01 * float(spill().max())


def test_spill_that_halved_is_lost():
    """More than a quarter of difference is no spill as it was: a share of its lines is left."""
    found = lost(spill(), 0.5 * spill())
    assert float(found.light.max()) > 0.1 * float(spill().max())


def test_line_of_one_test_is_lost_with_its_contrast():
    """Truth: the drawn line's mean over each block, which the smoothing lowers by 2 %."""
    drawn = CONTRAST * made.line(160, 120.3)
    found = lost(drawn, DARK)
    mean = block_mean(drawn, BLOCK)
    assert found.light == pytest.approx(mean, abs=0.02 * CONTRAST)
    assert found.own == pytest.approx(mean, abs=0.02 * CONTRAST)
    row, _ = np.unravel_index(int(found.light.argmax()), found.light.shape)
    assert row == 120.3 // BLOCK


def test_swapped_tests_lose_nothing():
    """What the second test alone shows is no light that the first one shows."""
    found = lost(CONTRAST * made.line(160, 120), DARK, swapped=True)
    assert float(found.light.max()) <= 0
    assert float(found.change.min()) < -0.5 * CONTRAST  # gained


def test_line_in_spill_that_stays_is_lost_alone():
    """A joint on a lit ledge: spill and its lines stay, 15 % weaker, and the joint is painted.

    Under a line of so little light the ledge's own is a few per cent off.
    """
    line = CONTRAST * made.line(160, 180)
    found = lost(0.85 * spill() + line, spill())
    mean = block_mean(line, BLOCK)
    assert found.light[88:92, 70:90] == pytest.approx(mean[88:92, 70:90], abs=0.15 * CONTRAST)
    assert float(np.delete(found.light, np.s_[86:94], axis=0).max()) < 0.05 * CONTRAST


def test_room_light_of_another_strength_is_taken_off():
    """In 0.7 of the room light the same line adds 1 / 0.7 of it: `rooms` brings both to one."""
    line = CONTRAST * made.line(160, 120)
    assert float(lost(line / 0.7, line).light.max()) > 0.1 * CONTRAST
    found = lost(line / 0.7, line, rooms=(0.7, 1.0))
    assert float(found.light.max()) < 0.01 * CONTRAST
    found = lost(line, line / 0.7, rooms=(0.7, 1.0), swapped=True)
    assert float(found.light.max()) < 0.01 * CONTRAST
    assert found.own.max() == pytest.approx(float(lost(line, DARK).own.max()), rel=0.01)


def test_a_whole_surface_that_lost_light_is_ground():
    """An exposure matched badly takes 3 % of every surface: no light is lost by it."""
    found = lost(DARK + np.float32(0.03), DARK)
    assert float(found.light.max()) < 0.001


@pytest.mark.parametrize("other", [False, True], ids=["here", "there"])
def test_what_one_test_did_not_measure_is_not_known(other):
    """Blocks with any frame px that either test left out; all others are known."""
    measured = np.ones(made.SHAPE, np.bool_)
    measured[100:121, 150:180] = False
    whole = made.stage("whole", DARK, at=(0.0, 0.0) if other else None)
    part = made.stage("part", DARK, at=None if other else (0.0, 0.0), measured=measured)
    found = lost_light((part, whole), 0, 1, rooms=(1.0, 1.0))
    back = lost_light((whole, part), 0, 1, rooms=(1.0, 1.0))
    for known in (found.known, back.known):
        assert not known[50:61, 75:90].any()
        assert known.sum() == known.size - 11 * 15


@pytest.mark.parametrize("scale", [1, 2])
def test_places_are_carried_between_poses(scale):
    """The model lies 12 frame px to the right and 6 up in the second test's photo.

    Truth: light that is drawn so is not lost, and a line that one test alone shows is lost where
    that test shows it.
    """
    frame = (12.0, -6.0)
    both = CONTRAST * made.line(200, 60)
    only = CONTRAST * made.line(120, 180)
    moved = CONTRAST * made.line(200 + frame[0], 60 + frame[1])
    stages = (
        made.stage("before", both + only, noise=QUIET, scale=scale),
        made.stage(
            "after", moved, noise=QUIET, scale=scale, at=(frame[0] * scale, frame[1] * scale)
        ),
    )
    found = lost_light(stages, 0, 1, rooms=(1.0, 1.0))
    lit = found.known & (found.light > 0.02 * CONTRAST)
    rows, cols = np.nonzero(lit)
    assert {89, 90} <= {int(row) for row in rows} <= {89, 90, 91}
    assert cols.min() * BLOCK == pytest.approx(90, abs=2)
    assert cols.max() * BLOCK == pytest.approx(150, abs=2)
    back = lost_light(stages, 1, 0, rooms=(1.0, 1.0))
    assert not (back.known & (back.light > 0.02 * CONTRAST)).any()


def test_places_outside_the_other_photo_are_not_known():
    """The model lies 40 px to the right: what was within 40 px of that side is not in the photo.

    By hand: of 160 blocks 140 are; a block beside the border may count as outside.
    """
    line = CONTRAST * made.line(300, 120, length_px=30)
    stages = (made.stage("before", line), made.stage("after", DARK, at=(40.0, 0.0)))
    known = lost_light(stages, 0, 1, rooms=(1.0, 1.0)).known
    assert known[:, :139].all()
    assert not known[:, 141:].any()
    known = lost_light(stages, 1, 0, rooms=(1.0, 1.0)).known
    assert known[:, 21:].all()
    assert not known[:, :19].any()


def bright_half() -> np.ndarray:
    """A pale wall beside a dark one, four times as bright."""
    return np.where(COLS < 160, np.float32(GREY / 4), np.float32(GREY))


def test_a_strip_along_an_edge_is_feigned_where_near_parts_hide_others():
    """With parallax, what is hidden beside an edge may be as much brighter as the brighter side.

    By hand: a pale wall of four times the light feigns up to 3 within two blocks, none on itself.
    The same strip further away, or in photos that line up, is light.
    """
    strip = np.where(np.abs(COLS - 156) < 2, np.float32(0.3), np.float32(0))
    strip = np.where(np.abs(COLS - 60) < 2, np.float32(0.3), strip)
    plain = lost(strip, DARK, surface=bright_half())
    assert not plain.feigned.any()
    assert float(plain.light[:, 76:80].max()) == pytest.approx(0.3, rel=0.05)
    shifted = lost(strip, DARK, surface=bright_half(), laid=made.registration(parallax=True))
    # Surfaces are smoothed by a px: the first block beyond the edge is not quite as pale.
    assert float(shifted.feigned[:, 78].min()) > 2
    assert float(shifted.feigned.max()) <= 3
    assert float(shifted.light[:, 76:80].max()) < 0
    assert float(shifted.light[:, 28:32].max()) == pytest.approx(0.3, rel=0.05)
    assert float(shifted.feigned[:, 84:].max()) == pytest.approx(0, abs=1e-3)


def test_an_edge_feigns_as_far_as_photos_lie_off():
    """By hand: a step to four times the light is 3; it counts for 1.5 residuals, in blocks.

    0.4 photo px at 1 photo px per frame px are 0.2 blocks, so 0.3 of that step.
    """
    off = made.registration(at=(0.5, 0.0), residual_px=0.4)
    found = lost(DARK, DARK, surface=bright_half(), laid=off)
    step = found.feigned[50, 76:82]
    assert float(step.max()) <= 0.3 * 3
    assert float(step.max()) > 0.3 * 1  # the blocks at the edge are a step apart in part only
    assert not found.feigned[:, :76].any()
    assert float(found.feigned[:, 82:].max()) == pytest.approx(0, abs=1e-3)


PERIOD_PX, STEEPNESS = 80, 0.08  # of walls whose light rises and falls by 8 % from px to px


def walls(shift_px: float) -> np.ndarray:
    """Light that rises and falls at one rate: the logarithm is a zigzag."""
    from_dark = np.abs((COLS + shift_px) % PERIOD_PX - PERIOD_PX / 2)
    return np.asarray(0.6 * np.exp(-STEEPNESS * from_dark), np.float32)


@pytest.mark.parametrize("shift_px", [0.5, 1.0])
def test_edge_error_of_photos_that_lie_off(shift_px):
    """Calculus: on such a slope a shift of s takes 1 - exp(-g s) of the light, or exp(g s) - 1.

    Between a block's neighbours, 4 frame px apart, it changes by exp(4 g). The error is stated of
    what is taken away; a tenth is for the turns and for smoothing.
    """
    unlit, lit = walls(shift_px), walls(0.0)
    found = lost((lit - unlit) / unlit, DARK, surface=unlit)
    taken = -np.expm1(-STEEPNESS * shift_px) / np.expm1(2 * BLOCK * STEEPNESS)
    assert found.edge_error == pytest.approx(taken, rel=0.15)


def test_edges_that_lie_on_themselves_have_no_error():
    """Nothing is taken away where nothing moved, nor where lamps only add light."""
    assert lost(DARK, DARK, surface=walls(0.0)).edge_error == 0
    assert lost(DARK + np.float32(0.1), DARK, surface=walls(0.0)).edge_error == 0


def test_few_edges_tell_nothing_so_the_usual_error_holds():
    """One steep place of 10 by 10 px, half of it too dark: 9 blocks prove nothing of the photo."""
    unlit = np.full(made.SHAPE, GREY, np.float32)
    unlit[100:110, 100:110] = GREY / 2
    taken = np.where(unlit < GREY, np.float32(-0.3), np.float32(0))
    assert lost(taken, DARK, surface=unlit).edge_error == USUAL_EDGE_ERROR
