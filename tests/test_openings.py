"""Openings files as a whole: read, linked, mapped, carried, written, warned about."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from drawn import DECK, SIZE, box, polygon, read, svg

from leakcheck.errors import OpeningsError
from leakcheck.openings import (
    Opening,
    Openings,
    carried,
    geometry_warnings,
    label_map,
    linked_photo,
    model_mask,
    read_openings,
    write_openings,
)

COLUMNS, ROWS = SIZE
DOT = '<rect id="dot" x="40" y="30" width="8" height="6"/>'


def ring(*points):
    return (np.array(points, float),)


def square(name, left, top, side, kind="window"):
    corners = [(left, top), (left + side, top), (left + side, top + side), (left, top + side)]
    return Opening(name, kind, ring(*corners))


class TestFiles:
    """What is no openings file is said in a sentence that names it."""

    def test_missing(self, tmp_path):
        with pytest.raises(OpeningsError, match=r"none\.svg does not exist"):
            read_openings(tmp_path / "none.svg", size=SIZE)

    def test_folder(self, tmp_path):
        with pytest.raises(OpeningsError, match="is a folder"):
            read_openings(tmp_path, size=SIZE)

    @pytest.mark.parametrize(
        ("content", "word"),
        [
            (b"", "empty"),
            (b" \n\t", "empty"),
            (b"all windows", "neither readable SVG nor"),
            (b"\x1f\x8b\x08rest", "compressed"),
            (b"\x89PNG\r\n\x1a\n", "picture"),
            (b"\0" * 1000, "neither readable SVG nor"),
            (b"x" * 20_000_001, "20 MB"),
        ],
    )
    @pytest.mark.parametrize("reader", [lambda p: read_openings(p, size=SIZE), linked_photo])
    def test_content(self, tmp_path, content, word, reader):
        path = tmp_path / "heron.svg"
        path.write_bytes(content)
        if content.startswith(b"\x89") and reader is linked_photo:
            assert reader(path) is None  # a painted mask links nothing; reading it will tell
            return
        with pytest.raises(OpeningsError, match=r"heron\.svg") as caught:
            reader(path)
        assert word in str(caught.value)

    def test_a_name_no_system_can_have(self):
        with pytest.raises(OpeningsError):
            read_openings("heron\0.svg", size=SIZE)

    def test_nothing_drawn(self, tmp_path):
        with pytest.raises(OpeningsError, match="draws no opening"):
            read(tmp_path, '<text x="9" y="9">saloon</text>')

    def test_only_shapes_of_no_area(self, tmp_path):
        with pytest.raises(OpeningsError, match="draws no opening"):
            read(tmp_path, '<rect width="0" height="9"/><line x2="9" y2="9" stroke-width="0"/>')

    def test_a_shape_of_no_area_is_left_out_by_name(self, tmp_path):
        body = (
            '<rect id="a" width="0" height="9"/><circle id="b" r="0"/><path id="c" d="M0 0L9 9z"/>'
            '<path id="d" d=""/><polygon id="e" points=""/><ellipse id="f" rx="0" ry="5"/>'
            f'<rect id="g" width="9" height="9" transform="scale(0)"/>{DOT}'
        )
        openings = read(tmp_path, body)
        assert [shape.name for shape in openings.shapes] == ["dot"]
        assert len(openings.warnings) == 7
        for name, warning in zip("abcdefg", openings.warnings, strict=True):
            assert f"'{name}' has no area" in warning


class TestLinkedPhoto:
    """Only a file in the drawing's folder, or below it, is ever opened."""

    def linked(self, folder, link):
        folder.mkdir(exist_ok=True)
        path = folder / "heron.svg"
        path.write_text(svg(f'<image href="{link}" width="400" height="300"/>{DOT}'))
        photo = linked_photo(path)
        openings = read_openings(path, size=SIZE)
        assert openings.photo == photo
        assert len(openings.shapes) == 1
        return photo, openings.warnings

    @pytest.mark.parametrize("name", ["lit.png", "sub/lit.png", "Fähre, 50%.png", "a b#c.png"])
    @pytest.mark.parametrize(
        "form", ["{}", "./{}", "sub/../{}", "file://{folder}/{}", "{folder}/{}"]
    )
    def test_found(self, tmp_path, name, form):
        photo = tmp_path / name
        (tmp_path / "sub").mkdir()
        photo.write_bytes(b"photo")
        quoted = name.replace("%", "%25").replace(" ", "%20").replace("#", "%23")
        found, warnings = self.linked(tmp_path, form.format(quoted, folder=tmp_path))
        assert found == photo
        assert warnings == ()

    @pytest.mark.parametrize(
        ("link", "word"),
        [
            ("http://127.0.0.1:9/lit.png", "not on this machine"),
            ("https://127.0.0.1:9/lit.png", "not on this machine"),
            ("//127.0.0.1/lit.png", "not on this machine"),
            ("file://server/lit.png", "not on this machine"),
            ("ftp:lit.png", "not on this machine"),
            ("../lit.png", "outside its folder"),
            ("sub/../../lit.png", "outside its folder"),
            ("%2e%2e/lit.png", "outside its folder"),
            ("/etc/passwd", "outside its folder"),
            ("file:///etc/passwd", "outside its folder"),
            ("away.png", "outside its folder"),  # a link of the file system
            ("none.png", "not there"),
            ("sub", "not there"),
            ("a%00b.png", "impossible name"),
        ],
    )
    def test_refused_with_a_warning(self, tmp_path, link, word):
        folder = tmp_path / "album"
        (folder / "sub").mkdir(parents=True)
        (tmp_path / "lit.png").write_bytes(b"photo")
        (folder / "away.png").symlink_to(tmp_path / "lit.png")
        photo, warnings = self.linked(folder, link)
        assert photo is None
        (warning,) = warnings
        assert word in warning
        assert "heron.svg" in warning

    def test_an_embedded_photo_is_no_link(self, tmp_path):
        assert self.linked(tmp_path, "data:image/png;base64,AAAA") == (None, ())

    def test_no_image(self, tmp_path):
        path = tmp_path / "heron.svg"
        path.write_text(svg(DOT))
        assert linked_photo(path) is None


class TestMaps:
    """Openings as pixels of a frame, whose pixel spans `scale` photo pixels."""

    @pytest.mark.parametrize("scale", [1, 2, 5])
    def test_label_map(self, tmp_path, scale):
        """By formula: every area divided by scale^2, within half a pixel of its outline."""
        openings = read(tmp_path, DECK)
        shape = (ROWS // scale, COLUMNS // scale)
        labels = label_map(openings, shape=shape, scale=scale)
        assert labels.dtype == np.int32
        assert labels.shape == shape
        assert set(np.unique(labels)) == {0, 2, 3, 4, 5, 6}  # the model, shape 0, is not in it
        for index in range(1, 6):
            area = polygon(openings.shapes[index])
            count = int((labels == index + 1).sum())
            assert count == pytest.approx(area.area / scale**2, abs=0.25 * area.length / scale)

    def test_centres_decide(self):
        """By hand: at scale 2 frame pixel (i, j) has its centre at (2i + 0.5, 2j + 0.5)."""
        openings = Openings((square("a", 10.4, 20.4, 4.2),))
        labels = label_map(openings, shape=(30, 30), scale=2)
        rows, columns = np.nonzero(labels)
        assert (rows.min(), rows.max(), columns.min(), columns.max()) == (10, 12, 5, 7)

    def test_holes_stay_open(self, tmp_path):
        labels = label_map(read(tmp_path, DECK), shape=(ROWS, COLUMNS), scale=1)
        assert (labels[110:120, 210:230] == 0).all()
        assert (labels == 4).sum() == 40 * 30 - 20 * 10

    def test_smaller_shapes_and_lamps_lie_on_top(self):
        openings = Openings(
            (
                square("lamp", 12, 12, 2.5, "beacon"),
                square("small", 20, 20, 4),
                square("large", 10, 10, 20),
                square("desk", 0, 0, 50, "ignore"),
            )
        )
        labels = label_map(openings, shape=(60, 60), scale=1)
        assert labels[13, 13] == 1
        assert labels[22, 22] == 2
        assert labels[16, 16] == 3
        assert labels[40, 40] == 4
        assert labels[55, 55] == 0

    def test_every_tiny_shape_is_found(self):
        openings = Openings(tuple(square(str(i), 10 + 7.3 * i, 9.1 * i, 0.3) for i in range(30)))
        labels = label_map(openings, shape=(75, 75), scale=4)
        inside = [i for i in range(30) if max(10 + 7.3 * i, 9.1 * i) < 298]
        assert set(np.unique(labels)) - {0} == {i + 1 for i in inside}

    def test_no_shapes(self):
        assert label_map(Openings(()), shape=(4, 5), scale=1).max() == 0

    def test_model_mask(self, tmp_path):
        """By formula: a trapezoid of 380 and 340 by 190."""
        openings = read(tmp_path, DECK)
        mask = model_mask(openings, shape=(ROWS, COLUMNS), scale=1)
        assert mask.dtype == bool
        assert mask.sum() == pytest.approx((380 + 340) / 2 * 190, rel=0.002)
        both = Openings((*openings.shapes, square("mast", 190, 5, 20, "model")))
        more = model_mask(both, shape=(ROWS, COLUMNS), scale=1)
        assert more.sum() - mask.sum() == 20 * 20
        assert model_mask(Openings(openings.shapes[1:]), shape=(ROWS, COLUMNS), scale=1) is None


class TestCarried:
    """Openings moved to another photo."""

    def test_a_shift_moves_every_point(self, tmp_path):
        openings = read(tmp_path, DECK)
        moved = carried(openings, lambda xy: xy + np.array([3.5, -2]))
        assert [shape.name for shape in moved.shapes] == [s.name for s in openings.shapes]
        for old, new in zip(openings.shapes, moved.shapes, strict=True):
            assert (new.kind, new.colour) == (old.kind, old.colour)
            assert np.array(box(new)) == pytest.approx(np.add(box(old), (3.5, -2, 3.5, -2)))
            assert polygon(new).area == pytest.approx(polygon(old).area)

    def test_straight_sides_bend_with_a_bent_map(self):
        """By hand: y + x^2 / 1000 bends a side of 200 by 10 in its middle; the area stays."""
        openings = Openings((square("saloon", 0, 0, 200),))
        moved = carried(
            openings, lambda xy: xy + np.column_stack([0 * xy[:, 0], xy[:, 0] ** 2 / 1000])
        )
        (points,) = moved.shapes[0].rings
        top = points[np.isclose(points[:, 1], points[:, 0] ** 2 / 1000)]
        assert len(top) >= 200 / 8
        assert np.abs(np.diff(np.sort(top[:, 0]))).max() <= 8 + 1e-9
        assert polygon(moved.shapes[0]).area == pytest.approx(200 * 200, rel=1e-4)

    def test_a_shape_that_goes_nowhere_is_left_out_by_name(self):
        openings = Openings((square("bow", 0, 0, 9), square("stern", 100, 0, 9)), None, ("before",))
        moved = carried(openings, lambda xy: np.where(xy[:, :1] > 50, np.nan, xy))
        assert [shape.name for shape in moved.shapes] == ["bow"]
        assert moved.warnings[0] == "before"
        assert "'stern'" in moved.warnings[1]

    def test_nothing_to_carry(self):
        assert carried(Openings(()), lambda xy: xy).shapes == ()


class TestWritten:
    """A written file is read back as it was, and is an ordinary drawing."""

    @pytest.mark.parametrize("photo_name", [None, "lit.png", "sub/Fähre & 50%.png"])
    def test_round_trip(self, tmp_path, photo_name):
        """To a hundredth of a pixel, of which three decimals leave nothing to be seen."""
        if photo_name:
            (tmp_path / photo_name).parent.mkdir(exist_ok=True)
            (tmp_path / photo_name).write_bytes(b"photo")
        openings = read(tmp_path, DECK)
        path = tmp_path / "again.svg"
        path.write_text(write_openings(openings, size=SIZE, photo_name=photo_name), "utf-8")
        again = read_openings(path, size=SIZE)
        assert again.warnings == ()
        assert again.photo == (tmp_path / photo_name if photo_name else None)
        assert len(again.shapes) == len(openings.shapes)
        for old, new in zip(openings.shapes, again.shapes, strict=True):
            assert (new.name, new.kind, new.colour) == (old.name, old.kind, old.colour)
            assert len(new.rings) == len(old.rings)
            for one, other in zip(old.rings, new.rings, strict=True):
                assert np.abs(one - other).max() < 0.01

    def test_any_name_comes_back(self, tmp_path):
        names = [
            "<script>alert('x')</script>",
            'say "ahoy" & more',
            "Brücke 1",
            "Brücke 1",
            "Brücke-1",
            "1",
            "-",
            "舷窓",
            "rect56",
            "photo",
            "window",
            "]]>",
        ]
        openings = Openings(tuple(square(name, 20 * i, 5, 9) for i, name in enumerate(names)))
        text = write_openings(openings, size=SIZE, photo_name="x.png")
        path = tmp_path / "again.svg"
        path.write_text(text, "utf-8")
        assert "<script" not in text
        assert [shape.name for shape in read_openings(path, size=SIZE).shapes] == names
        ids = [part.split('"')[0] for part in text.split(' id="')[1:]]
        assert len(set(ids)) == len(ids) == len(names) + 1

    def test_control_characters_do_not_break_the_file(self, tmp_path):
        path = tmp_path / "again.svg"
        openings = Openings((square("bow\0\x1b[31m\ud800", 5, 5, 9),))
        path.write_text(write_openings(openings, size=SIZE), "utf-8")
        (shape,) = read_openings(path, size=SIZE).shapes
        assert shape.name.startswith("bow")

    def test_shapes_are_see_through_over_the_photo(self, tmp_path):
        """As a browser's rules have it: an opacity below 1 for what is filled, a stroke for all."""
        text = write_openings(read(tmp_path, DECK), size=SIZE, photo_name="lit.png")
        paths = text.split("<path")[1:]
        assert len(paths) == 6
        assert all('fill-opacity="0.35"' in path and "stroke=" in path for path in paths)
        assert 'fill="none"' in paths[0]
        assert text.index("<image") < text.index("<path")

    def test_size_is_the_photos(self):
        text = write_openings(Openings((square("a", 1, 1, 9),)), size=(4032, 3024))
        assert 'width="4032" height="3024" viewBox="0 0 4032 3024"' in text


class TestWarnings:
    """What looks wrong is said by name, and nothing else is."""

    def said(self, *shapes):
        return geometry_warnings(Openings(shapes), size=SIZE)

    def test_nothing_is_wrong(self, tmp_path):
        assert geometry_warnings(read(tmp_path, DECK), size=SIZE) == ()
        whole = Opening(
            "hull", "model", ring((-0.5, -0.5), (399.5, -0.5), (399.5, 299.5), (-0.5, 299.5))
        )
        assert self.said(whole) == ()

    @pytest.mark.parametrize("place", [(-50, 20), (420, 20), (20, -50), (20, 320)])
    def test_outside(self, place):
        (warning,) = self.said(square("porthole", *place, 9))
        assert warning == "'porthole' lies outside the photo."

    @pytest.mark.parametrize("place", [(-5, 20), (396, 20), (20, -5), (20, 296)])
    def test_partly_outside(self, place):
        (warning,) = self.said(square("porthole", *place, 9))
        assert warning == "'porthole' lies partly outside the photo."

    def test_two_of_one_name(self):
        warnings = self.said(square("a", 5, 5, 9), square("b", 25, 5, 9), square("a", 45, 5, 9))
        assert warnings == ("2 shapes have the name 'a'.",)

    def test_no_area(self):
        (warning,) = self.said(Opening("slit", "window", ring((5, 5), (9, 9), (13, 13))))
        assert warning == "'slit' has no area."
        (warning,) = self.said(Opening("void", "window", ()))
        assert warning == "'void' has no area."

    def test_model_cuts_openings_off(self):
        warnings = self.said(
            square("hull", 50, 50, 100, "model"),
            square("inside", 60, 60, 20),
            square("across", 140, 60, 20),
            square("beyond", 200, 60, 20, "beacon"),
            square("desk", 200, 160, 20, "ignore"),
            square("edge", 50, 90, 30),
        )
        assert len(warnings) == 2
        assert "'across'" in warnings[0]
        assert "'beyond'" in warnings[1]


def test_sixty_shapes_are_read_in_a_moment(tmp_path):
    """The page reads the file after every change: 60 ms of processor are not felt."""
    body = "".join(
        f'<ellipse id="w{i}" cx="{6 * i}" cy="9" rx="2" ry="4" transform="rotate({i} {6 * i} 9)"/>'
        if i % 2
        else f'<polygon points="{" ".join(f"{6 * i + k % 5},{k}" for k in range(50))}"/>'
        for i in range(60)
    )
    read(tmp_path, body)
    times = []
    for _ in range(5):
        started = time.process_time()
        assert len(read(tmp_path, body).shapes) == 60
        times.append(time.process_time() - started)
    assert min(times) < 0.06


def test_svg_library_is_loaded_only_where_a_path_is_read():
    """It takes a while to load, and the reader is imported by every check."""
    code = "import sys, leakcheck.openings; print('svgpathtools' in sys.modules)"
    root = Path(__file__).parents[1]
    run = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True)
    assert run.stdout == "False\n"
