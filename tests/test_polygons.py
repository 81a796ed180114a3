"""Pixels, areas and finer copies of polygons, against shapely and by hand."""

import itertools

import numpy as np
import pytest
import shapely

from leakcheck.polygons import filled, finer, has_area, paint, perimeter

SHAPE = (40, 60)


def square(left, top, side):
    return np.array(
        [(left, top), (left + side, top), (left + side, top + side), (left, top + side)]
    )


def painted(rings):
    image = np.zeros(SHAPE, np.int32)
    paint(image, rings, 7)
    return image


def random_rings(seed):
    """A star with a hole, at no special place and partly outside the image."""
    random = np.random.default_rng(seed)
    angles = np.sort(random.uniform(0, 2 * np.pi, 17))
    centre = random.uniform((-5, -5), (65, 45))
    outer = random.uniform(8, 25, (17, 1)) * np.column_stack([np.cos(angles), np.sin(angles)])
    return [centre + outer, centre + 0.3 * outer]


@pytest.mark.parametrize("seed", range(20))
def test_pixels_whose_centre_is_inside(seed):
    """Against shapely's point-in-polygon, pixel by pixel; a pixel's centre is a whole number."""
    rings = random_rings(seed)
    row, column, inside = filled(rings, shape=SHAPE)
    found = np.zeros(SHAPE, bool)
    found[row : row + inside.shape[0], column : column + inside.shape[1]] = inside
    truth = shapely.make_valid(shapely.Polygon(rings[0], [rings[1]]))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    assert (found == shapely.contains_xy(truth, x, y)).all()


def test_neighbours_share_no_pixel_and_leave_none_out():
    """Two squares that meet on a line of pixel centres: each centre belongs to one of them."""
    image = np.zeros(SHAPE, int)
    for left in (5, 10):
        row, column, inside = filled([square(left, 5, 5)], shape=SHAPE)
        image[row : row + inside.shape[0], column : column + inside.shape[1]] += inside
    assert image.max() == 1
    assert image.sum() == 50


def test_pixel_exact_outline_fills_its_pixels():
    """Pixels 10 to 19 span 9.5 to 19.5."""
    image = painted([square(9.5, 9.5, 10)])
    assert image.sum() == 7 * 100
    assert (image[10:20, 10:20] == 7).all()


@pytest.mark.parametrize("left", [-100, 200])
def test_what_is_outside_the_image_fills_nothing(left):
    assert painted([square(left, 3.2, 9)]).max() == 0


@pytest.mark.parametrize("place", [(20.3, 10.4), (0, 0), (59, 39), (20.5, 10.5)])
def test_a_shape_smaller_than_a_pixel_gets_its_nearest(place):
    """By hand: at most half a pixel away along each axis."""
    rows, columns = np.nonzero(painted([np.add(place, [(-0.1, -0.1), (0.1, 0), (0, 0.1)])]))
    assert 1 <= len(rows) <= 4
    assert np.hypot(columns - place[0], rows - place[1]).min() <= np.sqrt(0.5) + 0.1


def test_a_slit_thinner_than_a_pixel_is_not_broken_into_crumbs():
    """A slit of 0.3 px across 40 columns and 11 rows: in one piece (8-neighbours)."""
    ring = np.array([(10, 10), (50, 21), (50, 21.3), (10, 10.3)])
    image = painted([ring])
    touched = np.nonzero(image.any(axis=0))[0]
    assert (touched == np.arange(10, 51)).all()
    rows = [np.nonzero(image[:, column])[0] for column in touched]
    assert all(abs(a.mean() - b.mean()) <= 1 for a, b in itertools.pairwise(rows))


@pytest.mark.parametrize("seed", range(5))
def test_perimeter(seed):
    """Against shapely's length of the polygon with its hole."""
    rings = random_rings(seed)
    truth = shapely.Polygon(rings[0], [rings[1]])
    assert perimeter(rings) == pytest.approx(truth.length)


@pytest.mark.parametrize(
    ("rings", "truth"),
    [
        ([square(3, 4, 5)], True),
        ([np.array([(0, 0), (20, 20), (20, 0), (0, 20.0)])], True),  # bow tie
        ([np.array([(0, 0), (20, 20), (40, 40.0)])], False),
        ([np.array([(0, 0), (20, 20.0)])], False),
        ([square(3, 4, 0)], False),
        ([], False),
        ([square(3, 4, 0), square(3, 4, 5)], True),
        ([np.array([(0, 0), (300, 100), (300, 100.1), (0, 0.1)])], True),
        ([np.array([(0, 0), (300, 100), (300, 100.001), (0, 0.001)])], False),
        ([np.array([(9, 9)] * 5, float)], False),
    ],
)
def test_has_area(rings, truth):
    """By eye."""
    rings = [ring for ring in rings if len(ring) > 2]
    assert has_area(rings, least_px=0.01) is truth


def test_finer_rings_keep_their_corners_and_length():
    """By hand: a square of 10 with points at most 3 apart has 4 points on each side."""
    ring = square(1, 2, 10)
    result = finer(ring, step_px=3)
    assert len(result) == 16
    assert (result[::4] == ring).all()
    assert perimeter([result]) == pytest.approx(40)
    assert np.hypot(*np.diff(result, axis=0).T).max() == pytest.approx(2.5)
