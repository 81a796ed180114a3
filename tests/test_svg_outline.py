"""Areas of every kind of shape, against formulas of geometry and against shapely."""

import numpy as np
import pytest
import shapely
from drawn import box, one, polygon, read
from shapely import affinity

from leakcheck.errors import OpeningsError

CHORDS = 3e-4  # share by which chords of 2 degrees make a circle smaller: (pi / 90)^2 / 6 = 2e-4


@pytest.mark.parametrize(
    ("drawn", "area"),
    [
        ('<rect x="10" y="20" width="30" height="12.5"/>', 30 * 12.5),
        # Rounded corners lose a square minus a quarter ellipse each.
        ('<rect width="60" height="40" rx="12" ry="8"/>', 2400 - (4 - np.pi) * 12 * 8),
        ('<rect width="60" height="40" rx="12"/>', 2400 - (4 - np.pi) * 144),
        ('<rect width="60" height="40" rx="500" ry="10"/>', 2400 - (4 - np.pi) * 300),
        ('<rect width="60" height="40" rx="0" ry="10"/>', 2400),
        ('<circle cx="50" cy="50" r="20"/>', np.pi * 400),
        ('<ellipse cx="50" cy="50" rx="20" ry="7"/>', np.pi * 140),
        ('<ellipse cx="50" cy="50" rx="20"/>', np.pi * 400),
        ('<polygon points="10,10 50,10 10,40"/>', 600),
        ('<polyline points="10 10 50 10 10 40"/>', 600),
        ('<path d="M10 10h40v30h-40z"/>', 1200),
        ('<path d="m10,10 40,0 0,30 -40,0"/>', 1200),
        # A parabola's segment is two thirds of its box (Archimedes): control 40 up, bulge 20.
        ('<path d="M0 50 Q30 10 60 50z"/>', 2 / 3 * 60 * 20),
        ('<path d="M0 50 Q30 10 60 50 T120 50 V90 H0z"/>', 120 * 40),
        # Cubic (0,0) (0,a) (3,a) (3,0): the integral of y dx = 54 a t^2 (1 - t)^2 dt is 9 a / 5.
        ('<path d="M10 10 C10 50 13 50 13 10z"/>', 9 * 40 / 5),
        ('<path d="M10 10 c0 20 3 20 3 0 s3 -20 3 0 v40 h-6z"/>', 6 * 40),
        ('<path d="M10 50 A20 20 0 0 1 50 50z"/>', np.pi * 200),
        ('<path d="M10 50 a20 10 0 1 0 40 0z"/>', np.pi * 100),
        # A quarter of a circle; what it leaves over by the large-arc flag, less a triangle.
        ('<path d="M30 30 V10 A20 20 0 0 1 50 30z"/>', np.pi * 100),
        ('<path d="M30 10 A20 20 0 1 1 50 30z"/>', np.pi * 300 + 200),
        # Radii too small for their chord grow until they fit: SVG 2, appendix B.2.5.
        ('<path d="M10 50 A1 1 0 0 1 50 50z"/>', np.pi * 200),
        ('<path d="M10 50 A0 5 0 0 1 50 50 V90z"/>', 800),
        # Two windows in one path.
        ('<path d="M0 0h10v10h-10z m20 0h10v10h-10z"/>', 200),
        # A frame; drawn the other way round its hole is a hole whatever the fill rule.
        ('<path d="M0 0h40v40h-40z M10 10v20h20v-20z"/>', 1200),
        ('<path d="M0 0h40v40h-40z M10 10h20v20h-20z" fill-rule="evenodd"/>', 1200),
        ('<path d="M0 0h40v40h-40z M10 10h20v20h-20z" style="fill-rule:evenodd"/>', 1200),
        # With SVG's own fill rule, nonzero, a part drawn the same way round fills its hole.
        ('<path d="M0 0h40v40h-40z M10 10h20v20h-20z"/>', 1600),
        ('<path d="M0 0h40v40h-40z M40 0h40v40h-40z"/>', 3200),
        # A bow tie: two triangles of 20 x 10 / 2.
        ('<polygon points="0,0 20,20 20,0 0,20"/>', 200),
    ],
)
def test_area_of_a_filled_shape(tmp_path, drawn, area):
    """By formulas of plane geometry, named beside each."""
    assert polygon(one(tmp_path, drawn)).area == pytest.approx(area, rel=CHORDS)


@pytest.mark.parametrize(
    ("drawn", "area"),
    [
        ('<line x1="10" y1="10" x2="50" y2="40" stroke-width="4"/>', 50 * 4),
        ('<line x1="10" y1="10" x2="50" y2="40"/>', 50),  # SVG's default width is 1
        (
            '<line x1="10" y1="10" x2="50" y2="40" stroke-width="4" stroke-linecap="round"/>',
            200 + np.pi * 4,
        ),
        (
            '<line x1="10" y1="10" x2="50" y2="40" stroke-width="4" stroke-linecap="square"/>',
            54 * 4,
        ),
        # An L: two bars and the corner's square, bevelled or rounded.
        ('<polyline points="10,10 50,10 50,40" fill="none" stroke="red" stroke-width="6"/>', 420),
        (
            '<polyline points="10,10 50,10 50,40" fill="none" stroke="red" stroke-width="6" '
            'stroke-linejoin="bevel"/>',
            420 - 4.5,
        ),
        (
            '<polyline points="10,10 50,10 50,40" style="fill:none;stroke:#f00;stroke-width:6px;'
            'stroke-linejoin:round"/>',
            420 - (1 - np.pi / 4) * 9,
        ),
        # Half a ring by Pappus: length along the middle times width.
        (
            '<path d="M10 50 A20 20 0 0 1 50 50" fill="none" stroke="red" stroke-width="4"/>',
            np.pi * 20 * 4,
        ),
        # Closed outlines stand for their inside, whatever their stroke.
        ('<rect width="30" height="20" fill="none" stroke="red" stroke-width="4"/>', 600),
        ('<path d="M0 0h30v20h-30z" fill="none" stroke="red" stroke-width="4"/>', 600),
        ('<polyline points="0,0 30,0 30,20 0,0" fill="none" stroke="red"/>', 300),
        # Open with a fill, or with nothing at all: what the fill would cover.
        ('<polyline points="0,0 30,0 30,20" stroke="red" stroke-width="9"/>', 300),
        ('<polyline points="0,0 30,0 30,20" fill="none"/>', 300),
        # Stroke and its width may come from a group and are scaled with the shape.
        (
            '<g fill="none" stroke="red" stroke-width="3" transform="scale(2)">'
            '<polyline points="0,10 20,10"/></g>',
            20 * 3 * 4,
        ),
    ],
)
def test_area_of_a_slit(tmp_path, drawn, area):
    """By formulas of plane geometry."""
    assert polygon(one(tmp_path, drawn)).area == pytest.approx(area, rel=CHORDS)


@pytest.mark.parametrize(
    ("transform", "place"),
    [
        ("translate(30)", lambda g: affinity.translate(g, 30)),
        ("translate(30,-4.5)", lambda g: affinity.translate(g, 30, -4.5)),
        ("scale(2)", lambda g: affinity.scale(g, 2, 2, origin=(0, 0))),
        ("scale(2 .5)", lambda g: affinity.scale(g, 2, 0.5, origin=(0, 0))),
        (
            "scale(-1,1) translate(-99)",
            lambda g: affinity.affine_transform(g, [-1, 0, 0, 1, 99, 0]),
        ),
        ("rotate(30)", lambda g: affinity.rotate(g, 30, origin=(0, 0))),
        ("rotate(-15 60 40)", lambda g: affinity.rotate(g, -15, origin=(60, 40))),
        ("skewX(20)", lambda g: affinity.skew(g, xs=20, origin=(0, 0))),
        ("skewY(-10)", lambda g: affinity.skew(g, ys=-10, origin=(0, 0))),
        (
            "matrix(1 .2 -.3 1.1 5 6)",
            lambda g: affinity.affine_transform(g, [1, -0.3, 0.2, 1.1, 5, 6]),
        ),
        (
            "translate(20 10) rotate(30)",
            lambda g: affinity.translate(affinity.rotate(g, 30, origin=(0, 0)), 20, 10),
        ),
    ],
)
@pytest.mark.parametrize("where", ["shape", "group", "two groups"])
def test_transforms(tmp_path, transform, place, where):
    """Against shapely's own transforms; order as SVG has it, the last one first."""
    drawn = '<rect x="20" y="20" width="50" height="30" {}/>'
    if where == "shape":
        body = drawn.format(f'transform="{transform}"')
    elif where == "group":
        body = f'<g transform="{transform}">{drawn.format("")}</g>'
    else:
        body = (
            f'<g transform="{transform}"><g><g transform="translate(3)">'
            f"{drawn.format(chr(32) + 'transform=' + chr(34) + 'translate(-3 0)' + chr(34))}"
            "</g></g></g>"
        )
    truth = affinity.translate(place(shapely.box(20, 20, 70, 50)), -0.5, -0.5)
    missed = polygon(one(tmp_path, body)).symmetric_difference(truth).area
    assert missed < 1e-6 * truth.area


def test_curves_stay_smooth_where_a_transform_enlarges_them(tmp_path):
    """A circle of 0.1 units drawn 2000 times as large: area pi r^2 all the same."""
    body = '<circle cx=".1" cy=".1" r=".05" transform="scale(1500)"/>'
    assert polygon(one(tmp_path, body)).area == pytest.approx(np.pi * 75**2, rel=CHORDS)


def test_units_of_coordinates(tmp_path):
    """CSS: an inch is 96 px, 72 pt, 6 pc and 25.4 mm; percentages refer to the viewBox."""
    shape = one(tmp_path, '<rect x="0.5in" y="36pt" width="25.4mm" height="2pc"/>')
    assert box(shape) == pytest.approx((48, 48, 144, 80))
    assert box(one(tmp_path, '<rect x="25%" y="50%" width="10%" height="10%"/>')) == pytest.approx(
        (100, 150, 140, 180)
    )
    assert box(one(tmp_path, '<circle cx="50%" cy="50%" r="10%"/>')) == pytest.approx(
        # 10 % of the normalized diagonal, sqrt((400^2 + 300^2) / 2)
        (200 - 35.355, 150 - 35.355, 200 + 35.355, 150 + 35.355),
        abs=0.02,
    )


@pytest.mark.parametrize(
    "drawn",
    [
        '<path id="porthole" d="M 0 0 L"/>',
        '<path id="porthole" d="M0 0h9v9a5 5 0 0 1 0 0z"/>',
        '<path id="porthole" d="M 1e999 1 L 2 2 3 3z"/>',
        '<polygon id="porthole" points="1,2 3,x 5,6"/>',
        '<rect id="porthole" width="4em" height="5"/>',
        '<rect id="porthole" width="wide" height="5"/>',
        '<rect id="porthole" width="1e400" height="5"/>',
        '<rect id="porthole" x="1e9" width="5" height="5"/>',
        '<rect id="porthole" width="5" height="5" transform="turn(3)"/>',
        '<rect id="porthole" width="5" height="5" transform="scale(1e999)"/>',
    ],
)
def test_an_unreadable_shape_is_named(tmp_path, drawn):
    with pytest.raises(OpeningsError, match="porthole") as caught:
        read(tmp_path, f'{drawn}<rect id="good" width="5" height="5"/>')
    assert "heron.svg" in str(caught.value)
    assert len(str(caught.value)) < 250


def test_too_long_a_scribble_is_refused_at_once(tmp_path):
    """Its stroke would cross itself a hundred thousand times."""
    points = " ".join(f"{i * 37 % 400},{i * 7919 % 300}" for i in range(5000))
    with pytest.raises(OpeningsError, match="scribble"):
        read(tmp_path, f'<polyline id="scribble" points="{points}" fill="none" stroke="red"/>')
