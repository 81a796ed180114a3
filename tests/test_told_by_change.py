"""Leaks that only the change between two tests tells: what is one, and all that is none.

Truth is the drawn light. Bounds of the module were found on drawn tests; these are others.
"""

from __future__ import annotations

import math
from dataclasses import replace

import made_checks
import made_stages as made
import numpy as np
import pytest
from made_stages import COLS, NOISE, ROWS, dot, line, noise_of
from scene import camera_move, ferry_scene, openings_svg, render, reposed

from leakcheck.compare import Side, compared
from leakcheck.diagnose import Leak
from leakcheck.light import blurred
from leakcheck.openings import read_openings
from leakcheck.photo import photo_from_array
from leakcheck.places import Place, places_of
from leakcheck.settings import Settings
from leakcheck.stages import Pair, checked_stages
from leakcheck.told_by_change import told_by_change

ACROSS_PX, ALONG_PX = 1.5, 12.0  # a line is known well across; noise takes pieces off its ends
ALIKE = (1.0, 1.0)  # both tests in one room light


def told(before, after, **changes) -> tuple[tuple[Leak, ...], ...]:
    """What two tests of one pose tell, each with noise of its own."""
    stages = made.pair_of(before + noise_of(1), after + noise_of(2), **changes)
    return told_by_change(stages, ALIKE)


def lies_on(leak: Leak | Side, x: float, y: float, turn: float = 0.0) -> bool:
    """Whether a leak's middle is a line's, as far as noise lets it be known."""
    dx, dy = leak.x - x, leak.y - y
    along, across = (
        dx * math.cos(turn) + dy * math.sin(turn),
        dy * math.cos(turn) - dx * math.sin(turn),
    )
    return abs(across) < ACROSS_PX and abs(along) < ALONG_PX


def only(found: tuple[tuple[Leak, ...], ...], side: int = 0) -> Leak:
    """The one leak that a test of two tells."""
    assert not found[1 - side]
    (leak,) = found[side]
    return leak


DARK = np.zeros_like(ROWS)


@pytest.mark.parametrize("contrast", [0.06, 0.08, 0.1])
@pytest.mark.parametrize("turn", [0.0, 0.4, 1.57, 2.5])
def test_a_faint_line_is_a_seam(contrast, turn):
    """Drawn: 60 px long, 2 px wide, a few times as bright as one px's noise; then painted."""
    leak = only(told(contrast * line(160, 120.3, turn=turn), DARK))
    assert leak.kind == "seam leak"
    assert lies_on(leak, 160, 120.3, turn)
    assert 40 < leak.length_px < 80  # smoothing lengthens it, noise hides its ends
    assert 0.4 * contrast < leak.contrast < contrast  # a mean over more than its two px
    assert (leak.number, leak.doubtful, leak.noticeable) == (0, True, True)
    assert leak.advice.startswith("Cover the openings with tape")


@pytest.mark.parametrize("contrast", [0.08, 0.15, 0.4])
def test_a_dot_is_a_pinhole(contrast):
    """Drawn: a bell of 1.5 px, as sharp as a lens shows a pinhole."""
    leak = only(told(contrast * dot(160.4, 120.3, sigma_px=1.5), DARK))
    assert leak.kind == "pinhole"
    assert math.hypot(leak.x - 160.4, leak.y - 120.3) < 1.5


@pytest.mark.parametrize("contrast", [0.06, 0.1, 0.2])
def test_a_wider_dot_is_told(contrast):
    """A bell of 2 px, four spreads of which are 8 px: by 9 px it is the bound of two kinds."""
    leak = only(told(contrast * dot(160.4, 120.3), DARK))
    assert leak.kind in ("pinhole", "show-through")
    assert math.hypot(leak.x - 160.4, leak.y - 120.3) < 1.5


@pytest.mark.parametrize("light", [line(160, 120.3), dot(160.4, 120.3)], ids=["line", "dot"])
def test_swapped_tests_tell_it_of_the_other_one(light):
    forth, back = told(0.1 * light, DARK), told(DARK, 0.1 * light)
    assert only(back, side=1).kind == only(forth).kind
    assert only(back, side=1).x == pytest.approx(only(forth).x, abs=ALONG_PX)


def test_the_same_test_twice_tells_nothing():
    light = 0.1 * line(160, 120.3) + dot(60, 60) + noise_of(1)
    assert told_by_change(made.pair_of(light, light), ALIKE) == ((), ())


def test_a_line_on_a_lit_ledge_is_told():
    """The ledge stays, a tenth weaker; the joint in it, brighter than the ledge, does not."""
    ledge = np.asarray(0.06 * np.exp(-((ROWS - 120) ** 2) / (2 * 8.0**2)), np.float32)
    leak = only(told(ledge + 0.15 * line(160, 130), 0.9 * ledge))
    assert leak.kind == "seam leak"
    assert lies_on(leak, 160, 130)


@pytest.mark.parametrize("scale", [1, 2])
def test_places_are_in_photo_px_of_the_test_that_shows_it(scale):
    """The second test's model lies elsewhere: (14, -9) frame px. Its line is told in its photo."""
    x, y = 160.0, 120.3
    only_after = 0.1 * line(x + 14, y - 9)
    both = [0.3 * line(80, 60), 0.3 * line(80 + 14, 60 - 9)]
    stages = (
        made.stage("before", both[0] + noise_of(1), scale=scale),
        made.stage(
            "after",
            both[1] + only_after + noise_of(2),
            scale=scale,
            at=(14.0 * scale, -9.0 * scale),
        ),
    )
    leak = only(told_by_change(stages, ALIKE), side=1)
    at = (np.array([x + 14, y - 9]) + 0.5) * scale - 0.5  # a frame px is scale px wide
    assert lies_on(replace(leak, x=leak.x / scale, y=leak.y / scale), *(at / scale))
    assert 40 * scale < leak.length_px < 80 * scale


@pytest.mark.parametrize("contrast", [0.1, 0.3, 1.0])
@pytest.mark.parametrize("edge", [COLS > 150, ROWS > 120, COLS + ROWS > 270])
def test_a_step_is_no_line(contrast, edge):
    """Half of the photo lost its light, as where a lamp in the room was moved."""
    assert told(contrast * edge.astype(np.float32), DARK) == ((), ())


@pytest.mark.parametrize("moved_px", [1, 2, 3, 4, 5, 6, 8, 10])
@pytest.mark.parametrize("turn", [0.0, 0.3])
@pytest.mark.parametrize("contrast", [0.1, 0.5])
def test_a_rail_that_moved_is_no_leak(moved_px, turn, contrast):
    """A lit rail through the whole photo lies elsewhere in the second test: both show it."""
    before = line(160, 120, length_px=600, turn=turn)
    dx, dy = -moved_px * math.sin(turn), moved_px * math.cos(turn)
    after = line(160 + dx, 120 + dy, length_px=600, turn=turn)
    assert told(contrast * before, contrast * after) == ((), ())


@pytest.mark.parametrize("moved_px", [1, 2, 4, 6, 8])
@pytest.mark.parametrize("contrast", [0.1, 0.5])
def test_a_rivet_that_moved_is_no_leak(moved_px, contrast):
    before, after = dot(160.4, 120.3), dot(160.4 + 0.8 * moved_px, 120.3 - 0.6 * moved_px)
    assert told(contrast * before, contrast * after) == ((), ())


def test_a_rail_that_went_is_told():
    """Not moved but gone: what makes the two tests above more than a refusal of all rails."""
    assert only(told(0.1 * line(160, 120, length_px=600), DARK)).kind == "seam leak"


def test_one_of_many_alike_is_no_leak():
    """One of eleven rails, all as bright, is missing: more likely it is hidden there."""
    rails = sum(line(160, y, length_px=200) for y in range(40, 201, 16))
    missing = line(160, 120, length_px=200)
    assert told(0.1 * rails, 0.1 * (rails - missing)) == ((), ())
    leak = only(told(0.1 * rails + 0.2 * missing, 0.1 * (rails - missing)))
    assert leak.kind == "seam leak"  # three times as bright as they are


def test_what_nobody_notices_is_not_told():
    """Sure by far, as noise is low, but of 0.012 contrast, and people notice 0.02."""
    faint = np.asarray(0.012 * line(160, 120), np.float32)
    stages = made.pair_of(
        faint + noise_of(1, level=5e-4), DARK + noise_of(2, level=5e-4), noise=5e-4
    )
    assert told_by_change(stages, ALIKE) == ((), ())


def test_an_edge_that_lies_badly_is_no_leak():
    """A bright line with a dark one as strong 12 px away: a rail seen from another place by day.

    Lamps only add light; without the dark twin the same line is told.
    """
    bright, dark = 0.2 * line(160, 120), 0.2 * line(160, 132)
    assert only(told(bright, DARK)).kind == "seam leak"
    assert told(bright - dark, DARK) == ((), ())


def test_a_place_that_the_other_test_is_dark_at_is_no_leak():
    """Below nothing there is no light: the other test's photos lie badly on each other there."""
    assert told(0.2 * line(160, 120), -0.1 * line(160, 120)) == ((), ())


@pytest.mark.parametrize("off", [True, False], ids=["lies badly", "lies well"])
def test_edges_of_the_photo_say_what_an_edge_may_feign(off):
    """Where walls lose light along their edges, another edge may have gained as much.

    By hand: half a px takes a tenth of an edge's step from the walls on the right. The edge on the
    left is a step of 1: up to 1.5 times a tenth is no light there.
    """
    zigzag = np.abs((COLS - 160) % 80 - 40)
    moved = np.abs((COLS - 160 + 0.5) % 80 - 40)
    walls = np.where(COLS >= 160, 0.6 * np.exp(-0.08 * zigzag), 0.1 + 0.1 * (COLS >= 60))
    taken = np.where(COLS >= 164, np.exp(-0.08 * (moved - zigzag)) - 1, 0)
    taken = np.where(taken < 0, taken, 0) if off else DARK
    edge = 0.12 * line(60, 120, turn=math.pi / 2)
    surface = walls.astype(np.float32)
    first, second = made.pair_of(
        np.asarray(edge + taken + noise_of(1, level=2e-3), np.float32),
        DARK + noise_of(2, level=2e-3),
        surface=surface,
        noise=2e-3,
    )
    found = [leak for leak in told_by_change((first, second), ALIKE)[0] if leak.x < 160]
    assert len(found) == (0 if off else 1)


def test_black_paint_tells_nothing():
    """A tenth of the light of all other surfaces: it mirrors the room from each place anew."""
    black = np.where(np.abs(ROWS - 120) < 20, np.float32(0.015), np.float32(0.2))
    assert told(0.2 * line(160, 120), DARK, surface=black) == ((), ())


def leak_round(light: str, x: float, y: float, radius: float, **changes: object) -> Leak:
    """A hand-made leak or spill: a disc."""
    size = {"length_px": 2 * radius, "width_px": 2 * radius}
    return made_checks.leak(1, made_checks.circle(x, y, radius), kind=light, **{**size, **changes})  # type: ignore[arg-type]


def test_a_leak_that_is_known_is_not_told():
    """The first test lists the joint itself: only the other line is told."""
    known = made_checks.leak(1, made_checks.box(128, 58, 192, 62), kind="seam leak")
    before = 0.1 * line(160, 60) + 0.1 * line(160, 180)
    first, second = made.pair_of(before + noise_of(1), DARK + noise_of(2))
    assert len(told_by_change((first, second), ALIKE)[0]) == 2
    first = replace(first, check=replace(first.check, leaks=(known,)))
    leak = only(told_by_change((first, second), ALIKE))
    assert leak.y == pytest.approx(180, abs=1)


def glow(x: float, y: float, sigma_px: float) -> np.ndarray:
    return dot(x, y, sigma_px=sigma_px)


def broad_pair(left: float, *, radius: float = 24.0, doubtful: bool = True):
    """A glow in what the first test lists as spill, of which the second has a share left."""
    spill = leak_round("spill", 160, 120, radius, doubtful=doubtful)
    wall = 0.1 * glow(160, 120, 12.0)
    window = 0.1 * glow(160, 60, 12.0)  # the light beside it stays
    return (
        made.stage("before", wall + window + noise_of(1), spill=(spill,)),
        made.stage("after", left * wall + window + noise_of(2), at=(0.0, 0.0)),
    )


def test_broad_spill_that_went_is_a_wall_that_shone():
    """Light from a window stays where paint is all that changed; through a wall it does not."""
    leak = only(told_by_change(broad_pair(0.0), ALIKE))
    assert (leak.kind, leak.number, leak.doubtful) == ("show-through", 0, True)
    assert (leak.x, leak.y) == pytest.approx((160, 120))
    assert "blocking coat" in leak.advice
    assert leak.advice.startswith("Cover the openings with tape")
    assert "respirator" in leak.caution


@pytest.mark.parametrize("left", [1.0, 0.85, 0.7])
def test_broad_spill_that_stayed_is_spill(left):
    assert told_by_change(broad_pair(left), ALIKE) == ((), ())


def test_spill_that_is_sure_or_small_is_not_told():
    """A check that is sure of spill is believed; under 16 px wide it would be a line or dot."""
    assert told_by_change(broad_pair(0.0, doubtful=False), ALIKE) == ((), ())
    assert told_by_change(broad_pair(0.0, radius=7.5), ALIKE) == ((), ())


@pytest.mark.parametrize("grain_px", [0.0, 0.7, 1.5], ids=["white", "fine", "coarse"])
def test_noise_alone_tells_nothing(grain_px):
    """Twenty pairs of nothing but noise, as a sensor has it and as denoising leaves it.

    However faint it may be, a line must stand seven spreads out of those round about: one in 1e12
    of normal noise. 19 200 blocks, 13 shapes and both tests are 1e7 places in 20 pairs: 1e-5 leaks
    to expect, borders and corners of the photo included.
    """
    count = 0
    for seed in range(20):
        pair = []
        for k in range(2):
            noise = noise_of(100 + 2 * seed + k, level=1.0)
            noise = blurred(noise, grain_px) if grain_px else noise
            pair.append(np.asarray(NOISE * noise / noise.std(), np.float32))
        stages = made.pair_of(*pair, settings=Settings(noticeable_contrast=0.0))
        count += sum(map(len, told_by_change(stages, ALIKE)))
    assert count == 0


def test_ledges_and_rivets_laid_on_a_little_off_tell_nothing():
    """Twenty drawn sides: twelve lit lines and dots each, up to 2 px off and 15 % weaker."""
    for seed in range(20):
        rng = np.random.default_rng((seed, 5))
        before, after = DARK, DARK
        for k in range(12):
            x, y, turn = rng.uniform(20, 300), rng.uniform(20, 220), rng.uniform(0, math.pi)
            angle, moved = rng.uniform(0, 2 * math.pi), rng.uniform(0, 2)
            dx, dy = moved * math.cos(angle), moved * math.sin(angle)
            light, width_px = 10 ** rng.uniform(-1.3, 0.3), rng.uniform(1.5, 6)
            share = rng.uniform(0.85, 1.15)
            if k % 2:
                one, two = (
                    dot(x + at, y + up, sigma_px=width_px / 2) for at, up in ((0, 0), (dx, dy))
                )
            else:
                length_px = rng.uniform(20, 150)
                one, two = (
                    line(x + at, y + up, length_px=length_px, width_px=width_px, turn=turn)
                    for at, up in ((0, 0), (dx, dy))
                )
            before, after = before + light * one, after + share * light * two
        stages = made.pair_of(
            np.asarray(before, np.float32) + noise_of(2 * seed),
            np.asarray(after, np.float32) + noise_of(2 * seed + 1),
        )
        assert told_by_change(stages, ALIKE) == ((), ()), seed


def faint_pair(after: float = 0.0, **changes: object):
    """A seam that no check lists, and what is left of it; laid out for `compared`."""
    joint = 0.1 * line(160, 120.3)
    return made.pair_of(joint + noise_of(1), after * joint + noise_of(2), **changes)


def test_a_place_that_is_told_is_never_sure():
    """No check found it: it has no number, and what it is is what the change tells."""
    stages = faint_pair(leaks=())
    (place,) = places_of(stages, told_by_change(stages, ALIKE))
    assert not place.sure
    assert place.leaks == (None, None)
    assert place.finder == 0
    assert place.leak is place.told
    assert place.leak.doubtful


def test_a_found_place_is_its_finders():
    """Nothing is told of what a check found: `told` is empty and the leak the found one."""
    found = leak_round("pinhole", 60, 60, 4)
    place = Place((None, found), 1)
    assert place.sure
    assert place.leak is found
    assert place.told is None


def test_what_lies_in_a_known_leak_is_no_place_of_its_own():
    """By hand: one told leak inside a leak of the other test, one elsewhere, told by both tests."""
    known = leak_round("show-through", 60, 60, 20)
    inside = leak_round("pinhole", 65, 60, 4, doubtful=True)
    alone = leak_round("pinhole", 200, 150, 4, doubtful=True, significance=9.0)
    again = replace(alone, significance=5.0)
    first, second = made.pair_of(DARK, DARK, leaks=())
    second = replace(second, check=replace(second.check, leaks=(known,)))
    places = places_of((first, second), [(again, inside), (alone,)])
    assert [place.leak for place in places] == [known, alone]
    assert [place.finder for place in places] == [1, 1]  # as the one who shows it better
    assert [place.sure for place in places] == [True, False]


def test_a_change_that_only_the_change_tells_was_found_by_neither():
    """Drawn: 0.4 of the line's light is left, a density of 0.40."""
    (change,) = compared(faint_pair(0.4, leaks=())).changes
    assert change.state == "fainter"
    assert change.density == pytest.approx(-math.log10(0.4), abs=0.1)
    for side in (change.before, change.after):
        assert side is not None
        assert (side.found, side.number) == (False, None)
        assert lies_on(side, 160, 120.3)
    assert change.before.contrast > change.after.contrast


def test_gone_and_new_are_told_the_same_way():
    first, second = faint_pair(leaks=())
    (gone,) = compared((first, second)).changes
    assert (gone.state, gone.after, gone.before.found) == ("gone", None, False)
    (new,) = compared((second, first)).changes
    assert (new.state, new.before, new.after.found) == ("new", None, False)


def test_nothing_that_is_told_of_two_alike():
    """Two tests with one and the same faint seam: no check lists it, and no change tells it."""
    assert compared(faint_pair(1.0, leaks=())).changes == ()


SIZE = (1100, 780)


def drawn(left: float, *, noise_seed: int = 0, moved: bool = True):
    """A ferry with one seam on the ledge of the deck, lit by the windows above; so much is left.

    Its light is a tenth of the room's at its middle, before the lens: 0.05 of contrast after it.
    """
    scene = ferry_scene(
        8, ambient=8.0, leaks=("seam leak",), contrast=(0.1, 0.101), size=SIZE, camera="tripod"
    )
    (leak,) = scene.leaks
    scene = replace(scene, leaks=(replace(leak, level=leak.level * left),), noise_seed=noise_seed)
    return render(reposed(scene, camera_move("handheld", size=SIZE, seed=8)) if moved else scene)


@pytest.fixture(scope="module")
def ferry(tmp_path_factory):
    """The ferry before a coat; after it, with the seam gone; and set down anew without one."""
    before = drawn(1.0, moved=False)
    path = tmp_path_factory.mktemp("ferry") / "openings.svg"
    path.write_text(openings_svg(before), encoding="utf-8")
    shapes = read_openings(path, size=SIZE)
    pairs = [
        Pair(name, photo_from_array(pair.off), photo_from_array(pair.on))
        for name, pair in (
            ("before", before),
            ("gone", drawn(0.0, noise_seed=1)),
            ("stays", drawn(1.0, noise_seed=2)),
        )
    ]
    return before, checked_stages(pairs, shapes)


def test_a_seam_that_no_check_lists_is_told_when_it_goes(ferry):
    """Drawn: the seam lies where the label map has it; paint took all of its light."""
    before, (first, gone, _) = ferry
    assert first.check.leaks == gone.check.leaks == ()
    (change,) = compared((first, gone)).changes
    assert (change.kind, change.state) == ("seam leak", "gone")
    assert not change.before.found
    rows, cols = np.nonzero(before.labels == 1)
    assert cols.min() - 3 < change.x < cols.max() + 3
    assert rows.min() - 3 < change.y < rows.max() + 3


def test_the_same_seam_is_new_in_swapped_tests(ferry):
    """The base stays the first photo: stages may come in any order."""
    _, (first, gone, _) = ferry
    (change,) = compared((gone, first)).changes
    assert (change.kind, change.state, change.after.found) == ("seam leak", "new", False)


def test_a_seam_that_no_check_lists_and_that_stays_is_not_told(ferry):
    """Neither in one pair as both tests nor in one of the model set down anew."""
    _, (first, _, stays) = ferry
    assert compared((first, first)).changes == ()
    assert stays.check.leaks == ()
    assert compared((first, stays)).changes == ()
    assert compared((stays, first)).changes == ()
