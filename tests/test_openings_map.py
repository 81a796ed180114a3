"""Openings laid into the frame: whose pixel is whose, and how large a pixel is on the model."""

import numpy as np
import pytest

from leakcheck.openings import Opening, Openings
from leakcheck.openings_map import model_box, openings_map

SHAPE, SCALE, SIZE = (60, 80), 2, (160, 120)  # of the frame; of the photo: columns, rows


def box(name, kind, left, top, right, bottom):
    """A rectangle whose edges lie between pixels of the photo."""
    ring = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], float) - 0.5
    return Opening(name, kind, (ring,))


def ferry(*, outline=True):
    shapes = [
        box("saloon", "window", 40, 40, 60, 50),
        box("port light", "beacon", 80, 40, 84, 44),
        box("lamp post", "ignore", 100, 40, 120, 60),
    ]
    if outline:
        shapes.append(box("hull", "model", 20, 20, 140, 100))
    return openings_map(Openings(tuple(shapes)), shape=SHAPE, scale=SCALE, photo_size=SIZE)


def test_lamps_are_windows_and_beacons_only():
    known = ferry()
    lit = known.lamp_areas()
    assert lit[20:25, 20:30].all()
    assert lit[20:22, 40:42].all()
    assert lit.sum() == 5 * 10 + 2 * 2
    assert known.has_lamps


def test_beacons_come_by_name():
    beacons = ferry().beacons()
    assert list(beacons) == ["port light"]
    assert np.argwhere(beacons["port light"]).tolist() == [[20, 40], [20, 41], [21, 40], [21, 41]]


def test_walls_are_the_model_less_its_openings():
    known = ferry()
    walls = known.walls(known.labels)
    assert walls.sum() == 60 * 40 - (5 * 10 + 2 * 2 + 10 * 10)
    assert not walls[:10].any()
    assert not walls[known.labels > 0].any()


def test_without_an_outline_everything_may_be_wall():
    known = ferry(outline=False)
    assert known.walls(known.labels).sum() == 60 * 80 - (5 * 10 + 2 * 2 + 10 * 10)
    assert model_box(known.shapes, SIZE) == pytest.approx(np.array([[0, 0], [160, 120]]))


def test_a_pixel_is_the_length_over_the_longer_side():
    assert ferry().mm_per_px(240.0) == pytest.approx(240.0 / 120.0)
    assert ferry(outline=False).mm_per_px(240.0) == pytest.approx(240.0 / 160.0)
    assert ferry().mm_per_px(None) is None


def test_without_a_drawing_nothing_is_known():
    known = openings_map(None, shape=SHAPE, scale=SCALE, photo_size=SIZE)
    assert not known.labels.any()
    assert known.outline is None
    assert not known.has_lamps
    assert known.beacons() == {}
