"""Openings drawn on one photo land where they belong on another one, set down anew."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scene import camera_move, ferry_scene, render, reposed, save_pair

from leakcheck.carry import carried_to
from leakcheck.openings import Opening, Openings, read_openings
from leakcheck.photo import Frame, linear_light, read_photo

SIZE = (1100, 780)


def centre(opening: Opening):
    points = np.concatenate(opening.rings)
    return (points.min(axis=0) + points.max(axis=0)) / 2


def without_outline(openings: Openings) -> Openings:
    return replace(openings, shapes=tuple(s for s in openings.shapes if s.kind != "model"))


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    """Lit frame and true openings of one drawn ferry, before and after it was set down anew."""
    scene = ferry_scene(2, ambient=8.0, leaks=(), size=SIZE, camera="tripod")
    moved = reposed(replace(scene, seed=scene.seed + 1), camera_move("handheld", size=SIZE, seed=8))
    root = tmp_path_factory.mktemp("stages")
    found = []
    for name, drawn in (("first", scene), ("second", moved)):
        save_pair(render(drawn), root / name)
        light = linear_light(read_photo(root / name / "on.jpg"), scale=1)
        found.append((light, read_openings(root / name / "openings.svg", size=SIZE)))
    return found


@pytest.mark.parametrize("kept", [lambda o: o, without_outline], ids=["outline", "no outline"])
def test_landing(stages, kept):
    """Truth: where the renderer drew the same openings in the second photo. Must: 3 px."""
    (first, drawn), (second, true) = stages
    carried, _ = carried_to(second, kept(drawn), first)
    there = {shape.name: shape for shape in true.shapes}
    off = [
        np.hypot(*(centre(shape) - centre(there[shape.name])))
        for shape in carried.shapes
        if shape.kind != "model" and shape.name in there
    ]
    began = [
        np.hypot(*(centre(shape) - centre(there[shape.name])))
        for shape in drawn.shapes
        if shape.kind != "model" and shape.name in there
    ]
    assert len(off) > 10
    assert np.median(began) > 5  # so that something had to be carried
    assert np.median(off) < 1.0


def texture(shape, seed):
    """Spots of light and dark that a camera could see."""
    noise = np.random.default_rng(seed).normal(size=shape).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 4)
    return np.clip(0.3 + 0.08 * smooth / smooth.std(), 0.02, 0.95)


def frame(wall_by, model_by):
    """A patterned wall and a plainer model before it with twelve lit panes, each moved sideways."""
    wall = np.roll(texture((600, 800), 1), wall_by, axis=1)
    model = 0.3 + texture((300, 240), 2) - 0.3
    for k in range(12):
        top, left = 40 + 170 * (k // 6), 20 + 35 * (k % 6)
        model[top : top + 25, left : left + 18] = 0.95
    wall[150:450, 280 + model_by : 520 + model_by] = model
    light = np.repeat(wall[..., None], 3, axis=2)
    light += np.random.default_rng(model_by + 50).normal(0, 0.003, light.shape).astype(np.float32)
    return light.astype(np.float32)


@pytest.mark.parametrize("outline", [True, False])
def test_a_wall_behind_that_moves_otherwise(outline):
    """The panes go with the model, by the 6 px it was drawn to move, not with the wall's -8."""
    shapes = []
    for k in range(12):
        left, top = 299.5 + 35 * (k % 6), 189.5 + 170 * (k // 6)
        ring = np.add([[0, 0], [18, 0], [18, 25], [0, 25]], (left, top))
        shapes.append(Opening(f"pane-{k}", "window", rings=(ring,)))
    if outline:
        box = np.array([[280, 150], [520, 150], [520, 450], [280, 450]], float) - 0.5
        shapes.append(Opening("hull", "model", rings=(box,)))
    first, second = (
        Frame(light=light, clipped=light >= 1, scale=1) for light in (frame(0, 0), frame(-8, 6))
    )
    carried, _ = carried_to(second, Openings(tuple(shapes)), first)
    for before, after in zip(shapes[:12], carried.shapes, strict=False):
        assert np.allclose(centre(after) - centre(before), (6, 0), atol=1.0)
    assert carried.carried_over  # so that their rims are left out more widely
