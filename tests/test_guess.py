"""Openings guessed from drawn pairs, whose openings and leaks are known."""

from __future__ import annotations

import functools
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scene import Lens, Opening, Scene, ferry_scene, plain_field, render

from leakcheck.extent import Extent
from leakcheck.guess import Guess, guess_openings, not_among
from leakcheck.guess_shapes import guessed_openings
from leakcheck.openings import Opening as Shape
from leakcheck.openings import Openings, label_map, read_openings, write_openings
from leakcheck.photo import Frame, linear_light, photo_from_array

FOUND = 0.6  # intersection / union from which an opening counts as found: the number
# All kinds of light that is no opening; mixed for each scene by its seed.
SCENES = {"bright room": 0.5, "usual": 8.0, "dim": 30.0, "dark": 200.0}


@functools.cache
def frames(scene: Scene) -> tuple[Frame, Frame]:
    pair = render(scene)
    off, on = (
        linear_light(photo_from_array(pixels, name=name), scale=1)
        for pixels, name in ((pair.off, "off"), (pair.on, "on"))
    )
    return off, on


def guessed(scene: Scene) -> Guess:
    """The guess of a pair from a tripod, which needs no laying on."""
    off, on = frames(scene)
    shape = off.light.shape[:2]
    return guess_openings(
        off.light,
        on.light,
        overlap=np.ones(shape, bool),
        unlit_clipped=off.clipped.any(axis=2),
        lit_clipped=on.clipped,
    )


def shares(scene: Scene, shapes: tuple[Shape, ...]) -> dict[str, float]:
    """Best intersection / union of each true opening with any guessed one; truth: as drawn."""
    size = scene.size[1], scene.size[0]
    truth = Openings(tuple(Shape(o.id, o.kind, (np.array(o.ring),)) for o in scene.openings))
    true_map = label_map(truth, shape=size, scale=1)
    guess_map = label_map(Openings(shapes), shape=size, scale=1)
    areas = np.bincount(guess_map.ravel(), minlength=len(shapes) + 1)
    best = {}
    for k, opening in enumerate(scene.openings, start=1):
        common = np.bincount(guess_map[true_map == k], minlength=len(shapes) + 1)
        union = areas + (true_map == k).sum() - common
        best[opening.id] = float((common[1:] / union[1:]).max(initial=0))
    return best


@functools.cache
def mixed(room: str) -> Scene:
    return ferry_scene(20 + list(SCENES).index(room), ambient=SCENES[room])


@pytest.mark.parametrize("room", SCENES)
def test_windows_and_beacons_are_found_where_they_are(room):
    """Truth: the drawn polygons. 95 % of windows and half of the two beacons, in any room."""
    scene = mixed(room)
    found = shares(scene, guessed_openings(guessed(scene).openings, scale=1))
    windows = [found[o.id] for o in scene.openings if o.kind == "window"]
    beacons = [found[o.id] for o in scene.openings if o.kind == "beacon"]
    assert np.mean(np.array(windows) > FOUND) >= 0.95, found
    assert np.mean(np.array(beacons) > FOUND) >= 0.5, found
    # Half a pixel all round a window of 34 x 29 px, or a porthole 16 px wide, is a share of 0.87.
    assert np.median(windows) > 0.8


def test_leaks_and_mirror_images_are_not_offered():
    """Truth: what was drawn. At most one leak in ten, and nothing where nothing was drawn."""
    offered, leaks, elsewhere = 0, 0, 0
    for room in SCENES:
        scene, guess = mixed(room), guessed(mixed(room))
        labels = render(scene).labels
        drawn = np.zeros(labels.shape, bool)
        for shape in scene.openings:
            drawn |= label_map(
                Openings((Shape("", "window", (np.array(shape.ring),)),)),
                shape=drawn.shape,
                scale=1,
            ).astype(bool)
        for leak in scene.leaks:
            here = labels == leak.id
            leaks += 1
            offered += bool(here.any() and (guess.labels[here] > 0).mean() > 0.3)
        for k in range(1, int(guess.labels.max()) + 1):
            inside = guess.labels == k
            elsewhere += not (drawn | (labels > 0))[inside].any()
    assert leaks >= 12
    assert offered <= leaks / 10
    assert elsewhere == 0


def test_rows_are_named_in_order_and_beacons_by_colour():
    """The ferry's windows from above: 3 in the wheelhouse, 7, then 12, then 9 portholes."""
    shapes = guessed_openings(guessed(mixed("usual")).openings, scale=1)
    names = [shape.name for shape in shapes if shape.kind == "window"]
    rows = {"a": 3, "b": 7, "c": 12, "d": 9}
    assert names == [f"window-{row}{k}" for row, count in rows.items() for k in range(1, count + 1)]
    middles = {shape.name: shape.rings[0].mean(axis=0) for shape in shapes}
    for row, count in rows.items():
        across = [middles[f"window-{row}{k}"][0] for k in range(1, count + 1)]
        assert across == sorted(across)
    assert middles["window-a1"][1] < middles["window-b1"][1] < middles["window-d1"][1]
    assert "beacon-red-1" in {shape.name for shape in shapes}


def test_a_window_lit_far_too_brightly_is_as_large_as_drawn():
    """Portholes 16 px wide at 200 times the hull's light, blurred: the outline must not follow.

    Truth: as drawn. Half of the clipped light lies 1.5 px outside, which is a share of 0.7.
    """
    scene = replace(mixed("dark"), lens=Lens(blur_px=1.5, flare=0.01, bloom=0.03))
    found = shares(scene, guessed_openings(guessed(scene).openings, scale=1))
    assert np.median([found[f"w{k}"] for k in range(20, 29)]) > 0.82


def test_a_dim_corner_belongs_to_its_window():
    """One window whose light falls to a sixth across it. Truth: its outline as drawn.

    Where it is brighter than half of its own median it is 0.81 of it.
    """
    scene = replace(mixed("usual"), leaks=(), spills=())
    window = next(o for o in scene.openings if o.id == "w08")
    (x0, y0), _, (x1, y1), _ = window.ring
    edges, levels = np.linspace(x0, x1, 17), np.linspace(1.2, 0.2, 16)
    strips = tuple(
        Opening(f"strip{k}", "window", ((a, y0), (b, y0), (b, y1), (a, y1)), float(level))
        for k, (a, b, level) in enumerate(zip(edges[:-1], edges[1:], levels, strict=True))
    )
    others = tuple(o for o in scene.openings if o.id != "w08")
    uneven = replace(scene, openings=(*others, *strips))
    shapes = guessed_openings(guessed(uneven).openings, scale=1)
    assert shares(replace(scene, openings=(window,)), shapes)["w08"] > 0.9


def test_fields_without_a_lamp_offer_nothing():
    """Noise and texture alone."""
    for seed in range(4):
        assert guessed(plain_field(seed, texture=0.05)).openings == ()


def test_the_guess_does_not_change_its_input_and_is_the_same_twice():
    off, on = frames(mixed("usual"))
    before = off.light.copy(), on.light.copy()
    first, second = guessed(mixed("usual")), guessed(mixed("usual"))
    assert np.array_equal(first.labels, second.labels)
    assert np.array_equal(off.light, before[0])
    assert np.array_equal(on.light, before[1])


def test_saved_shapes_are_read_back_at_the_photos_size(tmp_path):
    """A frame of 4 photo pixels each: the file is in photo pixels, same areas within 2 %."""
    found = guessed(mixed("usual")).openings
    shapes = guessed_openings(found, scale=2)
    size = (2560, 1800)
    path = tmp_path / "guess.svg"
    path.write_text(write_openings(Openings(shapes), size=size), encoding="utf-8")
    again = read_openings(path, size=size)
    assert [shape.name for shape in again.shapes] == [shape.name for shape in shapes]
    pixels = label_map(again, shape=(900, 1280), scale=2)
    assert (pixels > 0).sum() == pytest.approx((guessed(mixed("usual")).labels > 0).sum(), rel=0.02)


def test_a_glow_that_is_reported_already_is_not_reported_again(make_region):
    """Two squares of 10 px: moved by 8 px they share 20 % of their pixels, by 5 px half."""
    first, far, near = make_region(0, 0), make_region(0, 8), make_region(0, 5)
    assert not_among([far], [first]) == [far]
    assert not_among([near], [first]) == []


@pytest.fixture
def make_region():
    def make(top: int, left: int):
        none = np.zeros((10, 10), np.float32)
        extent = Extent(np.ones((10, 10), bool), top, left, none, none, none)
        return SimpleNamespace(extent=extent)

    return make
