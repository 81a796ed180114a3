"""Openings files with anything in them: whatever the text, only OpeningsError may come out."""

import numpy as np
from drawn import DECK, SIZE, svg
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from leakcheck.errors import OpeningsError
from leakcheck.openings import (
    geometry_warnings,
    label_map,
    linked_photo,
    read_openings,
    write_openings,
)

COLUMNS, ROWS = SIZE
DOT = '<rect id="dot" x="40" y="30" width="8" height="6"/>'
FILE = svg(
    DECK.replace("<g class", '<g transform="rotate(3)" style="fill:none" class')
    + '<defs><symbol id="s" viewBox="0 0 9 9"><circle r="4"/></symbol></defs>'
    + '<use href="#s" x="9" width="30" height="50%"/><image href="x.png" width="400" height="300"/>'
    + '<polyline fill="none" stroke="red" stroke-width="2mm" points="1,2 3,4 50,60"/>'
    + '<path d="M1 2c3 4 5 6 7 8s9 8 7 6q5 4 3 2t1 2a3 4 5 0 1 7 8h9v-9z"/>',
    'viewBox="0 0 400 300" width="400" height="300" preserveAspectRatio="xMidYMid meet"',
)
PIECES = st.sampled_from(
    [
        *(
            "",
            '"',
            "<",
            ">",
            "&",
            "&amp;",
            "&x;",
            "/",
            "'",
            "#",
            "%",
            "-",
            ".",
            ",",
            " ",
            "\0",
            "é",
        ),
        *("nan", "inf", "1e999", "-1e-999", "0", "-1", "1e9", "99999999999999999999", "none"),
        *("<g>", "</g>", '<use href="#s"/>', "<svg>", "<!--", "]]>", "<!DOCTYPE x>", "<defs>"),
        *("z", "M", "m", "A", "a", "Q", "S", "d=", "transform=", "viewBox=", "translate(1)"),
        *("scale(0)", "matrix(1 2 3 4 5 6)", "em", "mm", "inherit", "display:none", "xlink:href="),
    ]
)
CHANGES = st.lists(
    st.tuples(st.integers(0, len(FILE)), st.integers(0, 12), PIECES), min_size=1, max_size=6
)
FUZZ = settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def all_or_a_sentence(path, data):
    """Every function on whatever the file gives; nothing but OpeningsError may come out."""
    path.write_bytes(data)
    try:
        linked_photo(path)
        openings = read_openings(path, size=SIZE)
    except OpeningsError as fault:
        assert "heron.svg" in str(fault)  # noqa: PT017 - either outcome is right
        return
    assert openings.shapes
    assert all(np.isfinite(points).all() for shape in openings.shapes for points in shape.rings)
    assert label_map(openings, shape=(75, 100), scale=4).max() <= len(openings.shapes)
    geometry_warnings(openings, size=SIZE)
    again = path.with_name("again.svg")
    again.write_text(write_openings(openings, size=SIZE), "utf-8")
    names = [shape.name for shape in read_openings(again, size=SIZE).shapes]
    assert names == [shape.name for shape in openings.shapes]


@FUZZ
@given(changes=CHANGES)
def test_fuzzed_drawings(tmp_path, changes):
    text = FILE
    for start, cut, piece in changes:
        text = text[:start] + piece + text[start + cut :]
    all_or_a_sentence(tmp_path / "heron.svg", text.encode("utf-8"))


@FUZZ
@given(
    d=st.text("MmZzLlHhVvCcSsQqTtAa0123456789.-+eE, \n", max_size=60),
    points=st.text("0123456789.-+eE, x", max_size=30),
    transform=st.text("matrixscaleroutXYk()0123456789.-, ", max_size=30),
    numbers=st.lists(st.floats() | st.just(""), min_size=4, max_size=4),
)
def test_fuzzed_attributes(tmp_path, d, points, transform, numbers):
    x, y, width, rx = numbers
    body = (
        f'<path d="M0 0{d}"/><polygon points="{points}"/><g transform="{transform}">{DOT}</g>'
        f'<rect x="{x}" y="{y}" width="{width}" height="9" rx="{rx}"/><circle r="{rx}"/>'
        f'<line x1="{x}" y2="{y}" stroke-width="{width}"/>'
    )
    kept = [part + ">" for part in body.split(">") if part]
    all_or_a_sentence(tmp_path / "heron.svg", svg(body).encode("utf-8"))
    all_or_a_sentence(tmp_path / "heron.svg", svg(kept[0] + DOT).encode("utf-8"))


@FUZZ
@given(
    data=st.binary(max_size=200),
    start=st.sampled_from([b"", b"\x89PNG\r\n\x1a\n", b"GIF89a", b"BM"]),
)
def test_fuzzed_bytes(tmp_path, data, start):
    all_or_a_sentence(tmp_path / "heron.svg", start + data)


def test_fuzzed_pictures(tmp_path):
    """A painted PNG with single bytes changed: read or refused."""
    pixels = np.zeros((ROWS, COLUMNS, 4), np.uint8)
    pixels[50:70, 60:90] = 255
    path = tmp_path / "heron.svg"
    Image.fromarray(pixels).save(path, format="PNG")
    whole = path.read_bytes()
    random = np.random.default_rng(4)
    for _ in range(60):
        data = bytearray(whole)
        for place in random.integers(0, len(data), 3):
            data[place] = random.integers(0, 256)
        all_or_a_sentence(path, bytes(data))
