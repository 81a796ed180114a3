"""Openings drawn on one photo land where they belong on another one, set down anew."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scene import camera_move, ferry_scene, render, reposed, save_pair

from leakcheck import carry
from leakcheck.carry import carried_to
from leakcheck.motion import project
from leakcheck.openings import Opening, Openings, label_map, model_mask, read_openings
from leakcheck.photo import Frame, linear_light, read_photo
from leakcheck.register import register

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


BRICK = (30, 14)  # px
TOWER = (240, 110, 460, 790)  # left, top, right and bottom, px: before a wall of 700 x 900
PANE = (16, 22)
PANES = (  # top left, px
    *((262, 140), (330, 162), (410, 133), (290, 235), (372, 260), (425, 220), (255, 350)),
    *((340, 372), (400, 330), (300, 470), (420, 455), (270, 580), (352, 560), (415, 600)),
    *((310, 690), (390, 705)),
)
FINER = 3  # drawn so much larger first: courses that lie askew have no steps


def ring(left, top, right, bottom):
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], float) - 0.5


def tower(motion):
    """A tower of bricks that are all alike, moved before a wall that stays."""
    wall = 0.06 + 0.15 * (texture((900, 700), 9) - 0.3)
    wall = cv2.resize(wall.astype(np.float32), None, fx=FINER, fy=FINER)
    y, x = (np.mgrid[: 900 * FINER, : 700 * FINER] + 0.5) / FINER - 0.5
    back = np.linalg.inv(motion)
    x, y = (row[0] * x + row[1] * y + row[2] for row in back[:2])

    def inside(left, top, right, bottom):
        return (x > left - 0.5) & (x < right - 0.5) & (y > top - 0.5) & (y < bottom - 0.5)

    course, above = np.divmod(y - TOWER[1], BRICK[1])
    joint = (above < 2.5) | ((x - TOWER[0] + BRICK[0] / 2 * (course % 2)) % BRICK[0] < 2.5)
    light = np.where(inside(*TOWER), np.where(joint, 0.06, 0.16), wall)
    for left, top in PANES:
        light[inside(left, top, left + PANE[0], top + PANE[1])] = 0.9
    seen = cv2.resize(light.astype(np.float32), (700, 900), interpolation=cv2.INTER_AREA)
    seen = np.repeat(cv2.GaussianBlur(seen, (0, 0), 0.6)[..., None], 3, axis=2)
    seen += np.random.default_rng(int(seen.sum())).normal(0, 0.003, seen.shape).astype(np.float32)
    return Frame(light=seen, clipped=seen >= 1, scale=1)


@pytest.mark.parametrize("bricks", [(2.0, 1.2), (1.5, 1.0)], ids=["two bricks", "one and a half"])
def test_a_tower_of_bricks_that_are_all_alike(bricks, monkeypatch):
    """Its top was set down so many bricks aside, its foot fewer. Must: 3 px at every pane.

    Truth: the motion that it was drawn with. By the bricks alone it is laid on one brick off, and
    so are the openings where their pattern is not looked at.
    """
    top, foot = (BRICK[0] * count for count in bricks)
    turn = -np.degrees(np.arctan((top - foot) / (TOWER[3] - TOWER[1])))
    motion = np.vstack([cv2.getRotationMatrix2D((350, TOWER[3]), turn, 1.0), [0, 0, 1]])
    motion[0, 2] += foot
    first, second = tower(np.eye(3)), tower(motion)
    shapes = [
        Opening(f"pane-{k}", "window", (ring(x, y, x + PANE[0], y + PANE[1]),))
        for k, (x, y) in enumerate(PANES)
    ]
    drawn = Openings((*shapes, Opening("tower", "model", (ring(*TOWER),))))
    middles = np.array(PANES) + (np.array(PANE) - 1) / 2

    def off(link):
        return np.hypot(*(link.on_to_off(middles) - project(motion, middles)).T)

    size = {"shape": (900, 700), "scale": 1}
    ignore, model = label_map(drawn, **size) > 0, model_mask(drawn, **size)
    assert off(register(second, first, ignore=ignore, model=model)).min() > 0.9 * BRICK[0]
    carried, link = carried_to(second, drawn, first)
    assert off(link).max() < 3
    reached = np.array([centre(shape) for shape in carried.shapes[: len(PANES)]])
    assert np.hypot(*(reached - project(motion, middles)).T).max() < 3
    monkeypatch.setattr(carry, "laid_by_lamps", lambda *_: None)
    assert off(carried_to(second, drawn, first)[1]).min() > 0.9 * BRICK[0]
