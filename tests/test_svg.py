"""Placing a drawing on the photo, what is drawn and what is not, and files that mean harm."""

import time

import numpy as np
import pytest
from drawn import SIZE, box, one, polygon, read, svg

from leakcheck.errors import OpeningsError
from leakcheck.openings import read_openings

DOT = '<rect x="40" y="30" width="8" height="6"/>'


def test_pixel_edges_are_whole_numbers_in_svg_and_halves_here(tmp_path):
    """SVG's pixel i spans i to i + 1; our integer is a pixel's centre, so its edges are halves."""
    points = np.concatenate(one(tmp_path, DOT).rings)
    assert points.min(axis=0) == pytest.approx((39.5, 29.5))
    assert points.max(axis=0) == pytest.approx((47.5, 35.5))


@pytest.mark.parametrize(
    ("attributes", "scale"),
    [
        ('viewBox="0 0 400 300"', 1),
        ('width="400" height="300"', 1),
        ('width="400px" height="300px" viewBox="0 0 400 300"', 1),
        ('viewBox="0,0,400,300" width="100%" height="100%"', 1),
        ('viewBox="0 0 400 300" width="105.83mm" height="79.375mm"', 1),
        ('viewBox="0 0 400 300" width="800" height="800"', 1),  # exact pixels go before the page
        ('viewBox="0 0 200 150"', 2),
        ('viewBox="0 0 200 150" width="10cm" height="7.5cm"', 2),
        ('viewBox="0 0 200 151" preserveAspectRatio="none" width="4in" height="3in"', 2),
    ],
)
def test_a_drawing_of_the_photos_aspect_ratio_fits_it(tmp_path, attributes, scale):
    """By hand: every length times the ratio of the sizes (0.7 % for the rounded one)."""
    truth = np.array([40, 30, 48, 36]) * scale
    found = box(one(tmp_path, DOT, attributes=attributes))
    assert found == pytest.approx(truth, rel=0.007)


def test_millimetres_are_scaled_to_pixels(tmp_path):
    """A page of 100 x 75 mm without viewBox is 377.95 px wide: 10 mm are 40 of 400 pixels."""
    body = '<rect x="10mm" y="10mm" width="20mm" height="5mm"/>'
    shape = one(tmp_path, body, attributes='width="100mm" height="75mm"')
    assert box(shape) == pytest.approx((40, 40, 120, 60))


def test_view_box_may_start_anywhere(tmp_path):
    shape = one(
        tmp_path,
        '<rect x="-90" y="-40" width="10" height="5"/>',
        attributes='viewBox="-100 -50 400 300"',
    )
    assert box(shape) == pytest.approx((10, 10, 20, 15))


@pytest.mark.parametrize(
    ("rule", "truth"),
    [
        # A square of 100 in a page of 400 x 300 is enlarged 3 times; 100 px are left over.
        ("", (50 + 30, 30, 50 + 60, 60)),
        ("xMinYMid meet", (30, 30, 60, 60)),
        ("xMaxYMid", (100 + 30, 30, 100 + 60, 60)),
        # ...or 4 times, with 100 px cut off above, below or both.
        ("xMidYMin slice", (40, 40, 80, 80)),
        ("xMidYMax slice", (40, -100 + 40, 80, -100 + 80)),
        ("none", (40, 30, 80, 60)),
    ],
)
def test_preserve_aspect_ratio(tmp_path, rule, truth):
    """By hand, after SVG 2, section 8.7."""
    attributes = f'viewBox="0 0 100 100" width="400" height="300" preserveAspectRatio="{rule}"'
    body = '<rect x="10" y="10" width="10" height="10"/>'
    assert box(one(tmp_path, body, attributes=attributes)) == pytest.approx(truth)


@pytest.mark.parametrize(
    ("attributes", "seen"),
    [
        ('viewBox="0 0 300 400"', "300 x 400"),
        ('width="210mm" height="297mm"', "793.701 x 1122.52"),
        ('viewBox="0 0 400 200"', "400 x 200"),
        ("", "viewBox"),
        ('viewBox="0 0 0 300"', "viewBox"),
        ('viewBox="nonsense"', "viewBox"),
    ],
)
def test_a_drawing_of_another_shape_is_refused_with_both_sizes(tmp_path, attributes, seen):
    with pytest.raises(OpeningsError, match=r"heron\.svg") as caught:
        read(tmp_path, DOT, attributes=attributes)
    assert seen in str(caught.value)
    assert "400" in str(caught.value)


class TestPictures:
    """An <image> is the photo: its pixels are what shapes are measured in."""

    @pytest.mark.parametrize(
        "image",
        [
            '<image href="{}" x="20" y="10" width="200" height="150"/>',
            '<image xlink:href="{}" x="20" y="10" width="200" height="150"/>',
            '<image href="{}" x="10" y="5" width="100" height="75" transform="scale(2)"/>',
            '<g transform="translate(20 10)"><image href="{}" width="200" height="150"/></g>',
            '<image href="{}" width="1" height="1" preserveAspectRatio="none" '
            'transform="matrix(200 0 0 150 20 10)"/>',
            '<image href="{}" x="20" y="10" width="200"/>',
            '<image href="{}" x="20" y="10" height="150"/>',
            '<image href="{}" x="20" y="10" width="200" height="150" style="display:none"/>',
            '<image href="{}" width="2" height="1.5"/>'
            '<image href="{}" x="20" y="10" width="200" height="150"/>',
        ],
    )
    @pytest.mark.parametrize("link", ["lit.png", "data:image/png;base64,AAAA"])
    def test_shapes_are_given_in_the_photos_pixels(self, tmp_path, image, link):
        """By hand: the photo of 400 x 300 lies at (20, 10), half as large, on an A4 page."""
        (tmp_path / "lit.png").write_bytes(b"photo")
        body = image.replace("{}", link) + '<rect x="60" y="50" width="10" height="5"/>'
        shape = one(tmp_path, body, attributes='width="210mm" height="297mm"')
        assert box(shape) == pytest.approx((80, 80, 100, 90))

    def test_an_image_turned_by_a_quarter_turns_the_shapes_back(self, tmp_path):
        """By hand: a quarter turn sends the photo's (x, y) to (300 - y, x) of the page."""
        (tmp_path / "lit.png").write_bytes(b"photo")
        image = (
            '<image href="lit.png" width="400" height="300" transform="matrix(0 1 -1 0 300 0)"/>'
        )
        body = f'{image}<rect x="250" y="20" width="10" height="30"/>'
        shape = one(tmp_path, body, attributes='viewBox="0 0 300 400"')
        assert box(shape) == pytest.approx((20, 40, 50, 50))

    def test_an_image_in_a_larger_box_is_centred_in_it(self, tmp_path):
        """SVG's rule for <image>: a box 3 px too wide leaves half of them free on either side."""
        (tmp_path / "lit.png").write_bytes(b"photo")
        body = f'<image href="lit.png" width="403" height="300"/>{DOT}'
        assert box(one(tmp_path, body)) == pytest.approx((38.5, 30, 46.5, 36))

    @pytest.mark.parametrize(
        "image",
        [
            '<image href="lit.png" width="300" height="400"/>',
            '<image href="lit.png" width="300" height="400" preserveAspectRatio="none"/>',
            '<image href="lit.png" width="400" height="300" transform="scale(0)"/>',
            '<image href="lit.png" width="4em" height="300"/>',
        ],
    )
    def test_an_image_that_cannot_be_this_photo_is_refused(self, tmp_path, image):
        (tmp_path / "lit.png").write_bytes(b"photo")
        with pytest.raises(OpeningsError, match=r"heron\.svg"):
            read(tmp_path, image + DOT)


@pytest.mark.parametrize(
    "hidden",
    [
        '<rect width="9" height="9" display="none"/>',
        '<rect width="9" height="9" style="fill:red; display : none !important"/>',
        '<rect width="9" height="9" visibility="hidden"/>',
        '<rect width="9" height="9" style="visibility:collapse"/>',
        '<g display="none"><g display="inline"><rect width="9" height="9"/></g></g>',
        '<g style="visibility:hidden"><rect width="9" height="9"/></g>',
        '<defs><rect width="9" height="9"/></defs>',
        '<clipPath id="c"><rect width="9" height="9"/></clipPath>',
        '<mask id="m"><rect width="9" height="9"/></mask>',
        '<symbol id="s"><rect width="9" height="9"/></symbol>',
        '<pattern id="p"><rect width="9" height="9"/></pattern>',
        '<marker id="m"><path d="M0 0h9v9z"/></marker>',
        '<metadata><rect width="9" height="9"/></metadata>',
        "<text>deck</text><title>Heron</title><style>rect{fill:red}</style>",
        '<other:rect xmlns:other="urn:other" width="9" height="9"/>',
        '<!-- <rect width="9" height="9"/> --><?php rect ?>',
    ],
)
def test_what_cannot_be_seen_is_no_opening(tmp_path, hidden):
    assert box(one(tmp_path, hidden + DOT)) == pytest.approx((40, 30, 48, 36))
    with pytest.raises(OpeningsError, match="no opening"):
        read(tmp_path, hidden)


def test_a_shape_may_be_visible_in_a_hidden_group(tmp_path):
    """`visibility`, unlike `display`, is inherited and can be undone (SVG 2, section 11.5)."""
    body = '<g visibility="hidden"><rect width="9" height="9"/>{}</g>'.format(
        DOT.replace("<rect", '<rect visibility="visible"')
    )
    assert box(one(tmp_path, body)) == pytest.approx((40, 30, 48, 36))


def test_nested_groups_svgs_and_links(tmp_path):
    """By hand: 2 x (3 + x) in x; in the inner svg 20 units are 100 px."""
    body = (
        '<g transform="scale(2)"><g><a transform="translate(3)"><switch>'
        '<rect x="1" width="4" height="4"/></switch></a></g></g>'
        '<svg x="100" y="50" width="100" height="100" viewBox="0 0 20 20">'
        '<rect x="2" y="4" width="5" height="50%"/></svg>'
    )
    first, second = read(tmp_path, body).shapes
    assert box(first) == pytest.approx((8, 0, 16, 8))
    assert box(second) == pytest.approx((110, 70, 135, 120))


def test_use_draws_shapes_groups_and_symbols_again(tmp_path):
    """By hand: use shifts by x and y after its transform; a symbol fits its viewBox."""
    body = (
        '<defs><g id="pair"><rect width="4" height="4"/><rect x="6" width="4" height="4"/></g>'
        '<symbol id="port" viewBox="0 0 10 10"><circle cx="5" cy="5" r="5"/></symbol></defs>'
        '<use href="#pair" x="100" y="50"/>'
        '<use xlink:href="#pair" transform="translate(200) scale(2)" x="1"/>'
        '<use id="bow" href="#port" x="20" y="30" width="40" height="40"/>'
        '<use href="#bow" y="100"/>'
    )
    found = [box(shape) for shape in read(tmp_path, body).shapes]
    truth = [(100, 50, 104, 54), (106, 50, 110, 54), (202, 0, 210, 8), (214, 0, 222, 8)]
    truth += [(20, 30, 60, 70), (20, 130, 60, 170)]
    assert np.array(found) == pytest.approx(np.array(truth, float), abs=1e-6)


def test_what_is_not_followed_is_said(tmp_path):
    body = (
        f'{DOT}<use href="deck.svg#window"/><use href="#none"/>'
        '<rect width="9" height="9" clip-path="url(#c)"/>'
        '<rect width="9" height="9" style="transform:rotate(3deg)"/>'
    )
    openings = read(tmp_path, body)
    assert len(openings.shapes) == 3
    for word in ("<use>", "Clip paths", "transform"):
        assert any(word in warning for warning in openings.warnings), word


HARM = {
    "billion laughs": '<!DOCTYPE svg [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;">]>'
    + svg(f"<title>&b;</title>{DOT}"),
    "quadratic blowup": f'<!DOCTYPE svg [<!ENTITY a "{"ha" * 9999}">]>'
    + svg("<title>" + "&a;" * 9999 + f"</title>{DOT}"),
    "external entity": '<!DOCTYPE svg [<!ENTITY a SYSTEM "secret.txt">]>'
    + svg(f"<title>&a;</title>{DOT}"),
    "parameter entity": '<!DOCTYPE svg [<!ENTITY % a SYSTEM "http://127.0.0.1:9/x.dtd"> %a;]>'
    + svg(DOT),
    "use of itself": svg(f'<g id="a"><use href="#a"/></g>{DOT}'),
    "use of the whole": svg(f'<use href="#all"/>{DOT}', 'id="all" viewBox="0 0 400 300"'),
    "use of each other": svg(f'<use id="a" href="#b"/><use id="b" href="#a"/>{DOT}'),
    "use ten billion times": svg(
        f'<g id="a0">{DOT}</g>'
        + "".join(
            f'<g id="a{i + 1}">{f"<use href={chr(34)}#a{i}{chr(34)}/>" * 10}</g>' for i in range(9)
        )
    ),
    "use of nothing ten billion times": svg(
        '<g id="a0"/>'
        + "".join(
            f'<g id="a{i + 1}">{f"<use href={chr(34)}#a{i}{chr(34)}/>" * 10}</g>' for i in range(9)
        )
    ),
    "very deep": svg("<g>" * 50_000 + DOT + "</g>" * 50_000),
    "half a million elements": svg("<g/>" * 500_000 + DOT),
    "too many shapes": svg(DOT * 10_001),
    "too many curves": svg('<circle r="9"/>' * 9_999),
    "too long an outline": svg(f'<polygon points="{"1,2 " * 400_000}"/>'),
    "not closed": svg(DOT)[:-3],
    "cut in a tag": svg(DOT)[:120],
    "another root": "<html><body/></html>",
    "svg of no namespace it knows": '<svg xmlns="urn:other" viewBox="0 0 400 300"/>',
    "words": "Heron, port side, all windows",
    "unknown encoding": '<?xml version="1.0" encoding="heron"?>' + svg(DOT),
}


@pytest.mark.parametrize("name", HARM)
def test_harmful_and_broken_files_are_refused_in_time(tmp_path, name):
    """One sentence or two that name the file; ten seconds are far more than any needs."""
    path = tmp_path / "heron.svg"
    path.write_text(HARM[name])
    (tmp_path / "secret.txt").write_text("secret")
    started = time.monotonic()
    with pytest.raises(OpeningsError, match=r"heron\.svg") as caught:
        read_openings(path, size=SIZE)
    assert time.monotonic() - started < 10
    assert "secret" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1"])
def test_encodings_and_a_doctype_alone_are_read(tmp_path, encoding):
    """Many programs name the DTD of SVG 1.1 and load nothing."""
    text = (
        f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE svg PUBLIC '
        '"-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">'
        + svg('<rect id="Brücke" width="9" height="9"/>')
    )
    path = tmp_path / "heron.svg"
    path.write_bytes(text.encode(encoding))
    (shape,) = read_openings(path, size=SIZE).shapes
    assert shape.name == "Brücke"


def test_svg_without_namespace_is_read(tmp_path):
    """Written by hand, the xmlns is forgotten easily."""
    path = tmp_path / "heron.svg"
    path.write_text(f'<svg viewBox="0 0 400 300">{DOT}</svg>')
    (shape,) = read_openings(path, size=SIZE).shapes
    assert polygon(shape).area == pytest.approx(48)
