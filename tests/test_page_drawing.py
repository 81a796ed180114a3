"""Openings on their way between the page and the file, and which file they are kept in.

The truth is what `read_openings` reads back, whose own tests hold it against shapely; areas of
ellipses are pi a b.
"""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import shapely
from drawn import polygon, svg
from samples import SAMPLES

from leakcheck.openings import Opening, Openings, linked_photo, read_openings, write_openings
from leakcheck.page.drawing import drawing_bytes, from_page, shapes_of, simpler, to_page
from leakcheck.page.errors import PageError
from leakcheck.page.folder import Folder, folder_of, is_ours

SIZE = (400, 300)
DRAWN = [
    {
        "name": "saloon 1",
        "kind": "window",
        "colour": "warm white",
        "rings": [[[10, 20], [50, 22], [49, 60.5], [11, 60]]],
    },
    {"name": "port", "kind": "beacon", "colour": "red", "ellipse": [200, 100, 12, 7.5]},
    {
        "name": "frame",
        "kind": "ignore",
        "colour": None,
        "rings": [
            [[100, 200], [140, 200], [140, 240], [100, 240]],
            [[110, 210], [130, 210], [130, 230], [110, 230]],
        ],
    },
    {
        "name": "<script>alert('hull')</script>",
        "kind": "model",
        "colour": None,
        "rings": [[[5, 5], [390, 5], [390, 290], [5, 290]]],
    },
]


def saved(tmp_path, given=DRAWN):
    photo = tmp_path / "heron on ü.jpg"
    photo.write_bytes(b"photo")
    path = tmp_path / "openings.svg"
    path.write_bytes(drawing_bytes(from_page(given), size=SIZE, photo=photo))
    return path, photo


def test_what_is_drawn_is_read_back(tmp_path):
    path, photo = saved(tmp_path)
    read = read_openings(path, size=SIZE)
    assert read.warnings == ()
    assert linked_photo(path) == photo
    assert [(s.name, s.kind, s.colour) for s in read.shapes] == [
        (s["name"], s["kind"], s["colour"]) for s in DRAWN
    ]
    areas = [polygon(shape).area for shape in read.shapes]
    quad = shapely.Polygon(DRAWN[0]["rings"][0]).area
    expected = [quad, np.pi * 12 * 7.5, 40**2 - 20**2, 385 * 285]
    assert areas == pytest.approx(expected, rel=3e-4)  # chords of 2 degrees for an ellipse


def test_the_page_gets_back_what_it_sent(tmp_path):
    path, _ = saved(tmp_path)
    again = json.loads(json.dumps(to_page(shapes_of(read_openings(path, size=SIZE)))))
    assert again == [
        {k: pytest.approx(v, abs=0.01) if k == "ellipse" else v for k, v in shape.items()}
        for shape in DRAWN
    ]


def test_an_ellipse_stays_one_in_a_drawing_program(tmp_path):
    text = saved(tmp_path)[0].read_text()
    assert '<ellipse id="port" class="beacon"' in text
    assert 'cx="200.000" cy="100.000" rx="12.000" ry="7.500"' in text
    assert text.count("<path") == 3


def test_a_drawing_without_shapes_is_a_drawing(tmp_path):
    path, photo = saved(tmp_path, [])
    assert linked_photo(path) == photo
    assert is_ours(path)


@pytest.mark.parametrize(
    ("body", "is_round"),
    [
        ('<circle cx="100" cy="100" r="40"/>', True),
        ('<ellipse cx="100" cy="100" rx="40" ry="10"/>', True),
        ('<path d="M60 100A40 20 0 1 0 140 100A40 20 0 1 0 60 100Z"/>', True),
        ('<ellipse cx="100" cy="100" rx="40" ry="10" transform="rotate(30 100 100)"/>', False),
        ('<rect x="60" y="60" width="80" height="80" rx="30"/>', False),
        ('<path d="M60 100A40 20 0 1 0 140 100Z"/>', False),
        ('<rect x="60" y="60" width="80" height="80"/>', False),
    ],
)
def test_only_upright_ellipses_are_taken_for_ellipses(tmp_path, body, is_round):
    path = tmp_path / "heron.svg"
    path.write_text(svg(body))
    (shape,) = shapes_of(read_openings(path, size=SIZE))
    assert (shape.ellipse is not None) == is_round


def test_carried_outlines_get_few_points_and_stay_where_they_are():
    side = np.linspace(0, 80, 11)
    ring = np.concatenate([np.column_stack([side, 0 * side]), [[80, 60], [0, 60]]]) + 0.3
    (shape,) = simpler(Openings((Opening("w", "window", (ring,)),)), within_px=0.5).shapes
    assert len(shape.rings[0]) == 4
    assert polygon(shape).symmetric_difference(shapely.Polygon(ring)).area < 1e-3


@pytest.mark.parametrize("given", ["[]", {}, [[]], ["x"], [{}], [{"name": "a", "kind": "window"}]])
def test_nonsense_is_refused(given):
    with pytest.raises(PageError):
        from_page(given)


def test_a_name_never_becomes_markup(tmp_path):
    path, _ = saved(tmp_path)
    assert "<script" not in path.read_text()


# Which file


@pytest.fixture
def folder(tmp_path):
    for name in ("port-coat-1-off.jpg", "port-coat-1-on.jpg", "port-coat-2-on.jpg", "port.svg"):
        shutil.copy(SAMPLES / name, tmp_path)
    return Folder(tmp_path.resolve())


def test_a_drawing_of_another_program_is_opened_but_never_written_to(folder):
    on = folder.photo("port-coat-1-on.jpg")
    opened, own = folder.openings_for(on)
    assert opened.name == "port.svg"
    assert own.name == "port-coat-1-on-openings.svg"
    assert not is_ours(opened)
    own.write_text(write_openings(Openings(()), size=SIZE, photo_name=on.name))  # not the page's
    assert folder.openings_for(on)[1].name == "port-coat-1-on.jpg-openings.svg"


def test_its_own_drawing_goes_before_all_others(folder):
    on = folder.photo("port-coat-1-on.jpg")
    own = folder.openings_for(on)[1]
    own.write_bytes(drawing_bytes(from_page(DRAWN), size=SIZE, photo=on))
    assert folder.openings_for(on) == (own, own)


def test_another_photos_drawing_is_left_alone(folder):
    assert folder.openings_for(folder.photo("port-coat-2-on.jpg"))[0] is None


def test_the_pair_is_told_by_its_names(folder):
    assert folder.likely_pair() == ("port-coat-1-off.jpg", "port-coat-1-on.jpg")
    (folder.root / "port-coat-1-off.jpg").unlink()
    assert folder.likely_pair() is None


def test_two_photos_of_one_name_from_two_folders(tmp_path):
    for end in ("off", "on"):
        (tmp_path / end).mkdir()
        (tmp_path / end / "heron.jpg").write_bytes(end.encode())
    found, pair = folder_of([tmp_path / "off" / "heron.jpg", tmp_path / "on" / "heron.jpg"])
    assert [found.photo(name).read_bytes() for name in pair] == [b"off", b"on"]
