"""What shapes are called: kind, colour and name, as people and drawing programs write them."""

import pytest
from drawn import one, read


def drawn(attributes="", inside=""):
    return f'<rect width="9" height="9" {attributes}>{inside}</rect>'


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (drawn(), "window"),
        (drawn('class="window"'), "window"),
        (drawn('class="beacon"'), "beacon"),
        (drawn('class="st0 Beacon"'), "beacon"),
        (drawn('class="beacons"'), "beacon"),
        (drawn('class="ignore"'), "ignore"),
        (drawn('class="model"'), "model"),
        (f'<g class="beacon">{drawn()}</g>', "beacon"),
        (f'<g id="beacon">{drawn()}</g>', "beacon"),
        (f'<g id="Ignored_areas">{drawn()}</g>', "ignore"),
        (
            f'<g id="g12" inkscape:groupmode="layer" inkscape:label="Beacons">{drawn()}</g>',
            "beacon",
        ),
        (f'<g id="_x31_2" data-name="beacons, port">{drawn()}</g>', "beacon"),
        (f'<g id="modelWindows">{drawn()}</g>', "window"),
        (f'<g class="beacon"><g id="deck"><g>{drawn()}</g></g></g>', "beacon"),
        # the nearest wins
        (
            f'<g class="beacon">{drawn(chr(99) + "lass=" + chr(34) + "window" + chr(34))}</g>',
            "window",
        ),
        (f'<g class="ignore"><g id="beacons">{drawn()}</g></g>', "beacon"),
        (f'<g id="beacon" class="ignore">{drawn()}</g>', "ignore"),
        # a shape's own name counts last, and only by its first word
        (drawn('id="beacon-port"'), "beacon"),
        (drawn('id="model"'), "model"),
        (drawn('id="deck-beacon"'), "window"),
        (f'<g class="ignore">{drawn("id=" + chr(34) + "window-3" + chr(34))}</g>', "ignore"),
        (
            '<defs><rect id="w" width="9" height="9"/></defs><use class="beacon" href="#w"/>',
            "beacon",
        ),
        (
            '<defs><rect id="w" class="beacon" width="9" height="9"/></defs><use href="#w"/>',
            "beacon",
        ),
    ],
)
def test_kind(tmp_path, body, kind):
    """By the rules of the openings file, case by case."""
    assert one(tmp_path, body).kind == kind


def test_a_kind_taken_from_a_name_is_said_once(tmp_path):
    body = drawn('id="model"') + drawn('id="beacon-1"') + drawn('id="beacon-2"') + drawn('id="a"')
    (warning,) = read(tmp_path, body).warnings
    assert "'model', 'beacon-1', 'beacon-2'" in warning


@pytest.mark.parametrize(
    ("body", "colour"),
    [
        (drawn(), None),
        (drawn('class="beacon"'), None),
        (drawn('class="beacon red"'), "red"),
        (drawn('class="window warm-white"'), "warm white"),
        (drawn('class="window warm white"'), "warm white"),
        (drawn('class="window WarmWhite"'), "warm white"),
        (drawn('class="window cool_white"'), "cool white"),
        (drawn('class="window cold-white"'), "cool white"),
        (drawn('class="window white"'), "white"),
        (drawn('data-colour="amber"'), "amber"),
        (drawn('data-color=" Green "'), "green"),
        (drawn('data-colour="neutral white" class="red"'), "neutral white"),
        (drawn('data-colour=""'), None),
        (f'<g class="beacon red">{drawn()}</g>', "red"),
        (f'<g class="red">{drawn("class=" + chr(34) + "green" + chr(34))}</g>', "green"),
        (f'<g data-colour="blue">{drawn()}</g>', "blue"),
        # what a style sheet calls its classes is no colour
        (drawn('class="cls-1 fil0 redraw"'), None),
    ],
)
def test_expected_colour(tmp_path, body, colour):
    """By the rules of the openings file, case by case."""
    openings = read(tmp_path, body)
    assert openings.shapes[0].colour == colour
    assert openings.warnings == ()


@pytest.mark.parametrize(
    ("attributes", "words"),
    [
        ('id="mast" data-colour="mauve"', ("'mauve'", "'mast'")),
        ('id="mast" class="beacon gren"', ("'gren'", "'mast'", "'green'")),
        ('id="mast" class="becon"', ("'becon'", "'mast'", "'beacon'")),
        ('id="mast" class="warm-wite"', ("'warm-wite'", "'mast'", "'warm white'")),
    ],
)
def test_an_unknown_word_is_named_with_its_shape(tmp_path, attributes, words):
    (warning,) = read(tmp_path, drawn(attributes)).warnings
    for word in words:
        assert word in warning


def test_a_groups_unknown_word_is_named_once(tmp_path):
    (warning,) = read(tmp_path, f'<g id="mast" class="becon">{drawn() * 3}</g>').warnings
    assert "'mast'" in warning


def test_classes_of_a_style_sheet_are_only_names(tmp_path):
    """The style sheet hides the class `window`; that is the program's affair, not ours."""
    body = "<style>.window{display:none} .st0{fill:none}</style>" + drawn('class="window st0"')
    openings = read(tmp_path, body)
    assert openings.shapes[0].kind == "window"
    assert openings.warnings == ()


@pytest.mark.parametrize(
    ("body", "name"),
    [
        (drawn('id="saloon"'), "saloon"),
        (drawn('id="saloon"', "<title>Saloon, port</title>"), "saloon"),
        (drawn("", "<title>Saloon,\n  port</title>"), "Saloon, port"),
        (drawn("", "<desc>x</desc><title>Saloon</title>"), "Saloon"),
        (drawn('id="rect56"', "<title>Saloon</title>"), "Saloon"),
        (drawn('id="rect56-7-8"', "<title>Saloon</title>"), "Saloon"),
        (drawn('id="path1234" inkscape:label="Saloon"'), "Saloon"),
        (drawn('id="path1234" inkscape:label="#path1234"'), "path1234"),
        (drawn('id="XMLID_12_"', "<title>Saloon</title>"), "Saloon"),
        (drawn('id="Saloon_2" data-name="Saloon #2"'), "Saloon #2"),
        (drawn('id="rect56"'), "rect56"),
        (drawn('inkscape:label="Saloon"'), "Saloon"),
        (drawn('id="Brücke"'), "Brücke"),
        (
            drawn("", "<title>&lt;script&gt;alert(1)&lt;/script&gt;</title>"),
            "<script>alert(1)</script>",
        ),
        (drawn("", "<title>  </title>"), "window-1"),
        (f'<g id="deck">{drawn()}</g>', "window-1"),
        ('<defs><rect id="w" width="9" height="9"/></defs><use id="bow" href="#w"/>', "bow"),
    ],
)
def test_name(tmp_path, body, name):
    """By the rules of the openings file, case by case."""
    assert one(tmp_path, body).name == name


def test_nameless_shapes_are_numbered_beside_those_that_have_a_name(tmp_path):
    body = (
        drawn()
        + drawn('id="window-2"')
        + drawn()
        + drawn('class="beacon"')
        + drawn('class="model"')
    )
    names = [shape.name for shape in read(tmp_path, body).shapes]
    assert names == ["window-1", "window-2", "window-3", "beacon-1", "model-1"]


def test_a_name_that_is_no_name_is_cut(tmp_path):
    assert len(one(tmp_path, drawn(f'id="{"a" * 100_000}"')).name) == 200
