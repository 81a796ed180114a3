"""Light that belongs to an opening though it lies beyond its outline, and light that does not."""

from __future__ import annotations

import numpy as np
import pytest
from made_checks import box

from leakcheck import Settings, check
from leakcheck.added import added_light
from leakcheck.colourspace import linear_to_srgb
from leakcheck.openings import Opening, Openings
from leakcheck.photo import photo_from_array
from leakcheck.residual import Residual, residual_light

SHAPE = (160, 200)
OPENING = (slice(60, 80), slice(80, 110))  # rows and columns of a window


def residual(
    lit_more: np.ndarray, *, clipped: np.ndarray | None = None, carried_over: bool = False
) -> Residual:
    """A pair with one window, its noise drawn with a fixed seed, and light added to it."""
    rng = np.random.default_rng(1)
    texture = 0.2 + 0.02 * rng.standard_normal((*SHAPE, 1)).astype(np.float32)
    unlit = np.repeat(texture, 3, axis=2)
    openings = np.zeros(SHAPE, bool)
    openings[OPENING] = True
    lit = unlit + lit_more[..., None]
    none = np.zeros(SHAPE, bool)
    seen_unlit = (unlit + 0.002 * rng.standard_normal(unlit.shape)).astype(np.float32)
    seen_lit = (lit + 0.002 * rng.standard_normal(unlit.shape)).astype(np.float32)
    lit_clipped = none if clipped is None else clipped
    added = added_light(
        seen_unlit,
        seen_lit,
        overlap=~none,
        unlit_clipped=none,
        lit_clipped=lit_clipped,
        openings=openings,
    )
    return residual_light(
        added,
        seen_lit,
        lit_clipped=lit_clipped,
        openings=openings,
        inside=None,
        shift_px=0.05,
        carried_over=carried_over,
    )


def test_a_window_that_a_rail_cuts_off_is_no_leak() -> None:
    """The pane goes on for 4 px beyond a rail of 3 px that its outline was drawn to."""
    more = np.zeros(SHAPE, np.float32)
    more[OPENING] = 0.5
    more[83:87, 80:110] = 0.5
    found = residual(more)
    assert not found.measured[83:87, 80:110].any()
    assert found.lamps[85, 95]


@pytest.mark.parametrize(
    ("rows", "level"),
    [((83, 87), 0.2), ((83, 95), 0.5)],
    ids=["much dimmer than the window", "reaches far from it"],
)
def test_what_is_dimmer_or_reaches_farther_is_measured(rows: tuple[int, int], level: float) -> None:
    """A leak beside a window is neither as bright as the window nor as close all over."""
    more = np.zeros(SHAPE, np.float32)
    more[OPENING] = 0.5
    more[rows[0] : rows[1], 80:110] = level
    assert residual(more).measured[84:87, 85:105].all()


@pytest.mark.parametrize("carried_over", [False, True])
def test_the_rim_of_an_outline_from_another_photo_is_left_out(carried_over: bool) -> None:
    """Registration leaves a pixel or two, and a brass rim beside a pane is lit by it."""
    more = np.zeros(SHAPE, np.float32)
    more[OPENING] = 0.5
    found = residual(more, carried_over=carried_over)
    assert found.measured[83, 95] != carried_over
    assert found.measured[86, 95]


def test_a_clipped_window_overflows_so_far_and_no_farther() -> None:
    """White all round a window for 50 px is more than a lens does: a leak lies behind it."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    white = np.hypot(rows - 70, cols - 95) < 50
    more = np.where(white, 0.8, 0.0).astype(np.float32)
    found = residual(more, clipped=white)
    assert not found.measured[84, 95]
    assert found.measured[110, 95]


def test_light_beside_the_model_is_listed_as_spill_and_never_as_a_leak() -> None:
    """A lamp shines on the bench 60 px from the hull's outline; the hull itself is tight.

    An extent that ends at a seventh of a bell curve's peak holds six sevenths of its light.
    """
    rng = np.random.default_rng(5)
    rows, cols = np.mgrid[:400, :600]
    grey = (0.2 + 0.01 * rng.standard_normal((400, 600))).astype(np.float32)
    patch = 0.1 * np.exp(-((cols - 450) ** 2 + (rows - 340) ** 2) / (2 * 25.0**2))
    window = (cols > 200) & (cols < 240) & (rows > 120) & (rows < 150)
    off, on = (
        np.clip(255 * linear_to_srgb(light + 0.001 * rng.standard_normal(grey.shape)), 0, 255)
        for light in (grey, grey + patch + 0.5 * window)
    )
    photos = (
        photo_from_array(np.repeat(np.rint(codes)[..., None], 3, 2).astype(np.uint8), name=name)
        for codes, name in ((off, "off"), (on, "on"))
    )
    hull, pane = box(100, 60, 380, 280), box(200.5, 120.5, 239.5, 149.5)
    drawn = Openings((Opening("hull", "model", (hull,)), Opening("saloon-1", "window", (pane,))))
    result = check(*photos, drawn, settings=Settings(tripod=True))
    assert result.leaks == ()
    nearest = min(result.spill, key=lambda spot: np.hypot(spot.x - 450, spot.y - 340))
    assert np.hypot(nearest.x - 450, nearest.y - 340) < 5
    assert nearest.kind == "spill"
    assert nearest.glow_px == pytest.approx(2 * np.pi * 25**2 * 0.1 / 0.2, rel=0.25)


def leaks_at_the_edge(strip_px: int, *, carried_over: bool) -> list[tuple[float, float]]:
    """Places of leaks where so much inside the hull's right edge (x = 380) has become brighter."""
    rng = np.random.default_rng(5)
    rows, cols = np.mgrid[:400, :600]
    grey = (0.2 + 0.01 * rng.standard_normal((400, 600))).astype(np.float32)
    window = (cols > 200) & (cols < 240) & (rows > 120) & (rows < 150)
    strip = (cols >= 380 - strip_px) & (cols < 380) & (rows > 90) & (rows < 250)
    photos = []
    for name, light in (("off", grey), ("on", grey + 0.5 * window + 0.08 * strip)):
        noisy = light + 0.001 * rng.standard_normal(grey.shape)
        codes = np.rint(255 * linear_to_srgb(noisy.clip(0, 1))).astype(np.uint8)
        photos.append(photo_from_array(np.repeat(codes[..., None], 3, 2), name=name))
    hull, pane = box(99.5, 59.5, 379.5, 279.5), box(200.5, 120.5, 239.5, 149.5)
    shapes = (Opening("hull", "model", (hull,)), Opening("saloon-1", "window", (pane,)))
    drawn = Openings(shapes, carried_over=carried_over)
    found = check(*photos, drawn, settings=Settings(tripod=True))
    return [(leak.x, leak.y) for leak in found.leaks]


def test_background_inside_an_outline_from_another_photo_is_no_leak(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another side of the model makes its edge there: what lies 3 px inside may be the bench.

    It is a leak where the outline was drawn on this photo, and would be one without the rim.
    """
    there = (pytest.approx(378, abs=2), pytest.approx(170, abs=5))
    assert leaks_at_the_edge(3, carried_over=True) == []
    assert leaks_at_the_edge(3, carried_over=False) == [there]
    monkeypatch.setattr("leakcheck.residual.CARRIED_EDGE_PX", 0)
    assert leaks_at_the_edge(3, carried_over=True) == [there]


def test_a_leak_that_reaches_farther_in_is_found_all_the_same() -> None:
    """Eight px of light from the edge on: half of it lies within what is looked at."""
    there = (pytest.approx(374, abs=3), pytest.approx(170, abs=5))
    assert leaks_at_the_edge(8, carried_over=True) == [there]


def test_a_pair_exposed_one_stop_less_gives_the_same_levels() -> None:
    """Half the light in both photos changes no ratio; the levels drawn are the truth.

    0.05 stops: steps of 8 bits and the noise of a window's mean are each a tenth of that.
    """
    rng = np.random.default_rng(7)
    room = (0.1 + 0.02 * rng.standard_normal((300, 500))).clip(0.02).astype(np.float32)
    levels = [0.1, 0.2, 0.25, 0.3, 0.5]
    shapes, lit = [], room.copy()
    for i, level in enumerate(levels):
        x = 60 + 80 * i
        lit[140:170, x : x + 40] += level
        pane = box(x - 0.5, 139.5, x + 39.5, 169.5)
        shapes.append(Opening(f"saloon-{i}", "window", (pane,)))
    found = []
    for exposure in (1.0, 0.5):
        photos = []
        for name, light in (("off", room), ("on", lit)):
            noisy = exposure * light + 0.001 * rng.standard_normal(room.shape)
            codes = np.rint(255 * linear_to_srgb(noisy.clip(0, 1))).astype(np.uint8)
            photos.append(photo_from_array(np.repeat(codes[..., None], 3, 2), name=name))
        result = check(*photos, Openings(tuple(shapes)), settings=Settings(tripod=True))
        found.append([lamp.stops_class for lamp in result.lamps])
    assert found[0] == pytest.approx(found[1], abs=0.05)
    assert found[0] == pytest.approx(list(np.log2(np.array(levels) / 0.25)), abs=0.05)
