"""Pairs that say nothing about leaks: each is named plainly, with its exit code."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from PIL import Image
from scene import ferry_scene, ladder_scene, openings_svg, render, save_pair

from leakcheck.cli import main
from leakcheck.errors import ExposureError
from leakcheck.photo import photo_from_array
from leakcheck.sanity import lamps_seen, openings_lit, refuse_dark, refuse_same, warnings_of


@pytest.fixture(scope="module")
def album(tmp_path_factory):
    """Photos of the drawn ferry with lamps off and on, and what one may take for them."""
    folder = tmp_path_factory.mktemp("album")
    scene = ferry_scene(5, ambient=8, leaks="none")
    save_pair(render(scene), folder)
    dark = replace(
        scene, openings=tuple(replace(o, level=0.0) for o in scene.openings), spills=(), seed=6
    )
    save_pair(render(dark), folder / "dark")
    (folder / "model.svg").write_text(openings_svg(render(replace(dark, openings=()))))
    save_pair(render(ladder_scene(3)), folder / "ladder")
    off = Image.open(folder / "off.jpg")
    off.save(folder / "copy.jpg", quality=95)
    off.save(folder / "copy.png")
    off.resize((960, 675)).save(folder / "small.jpg", quality=90)
    for name, light in (("black", 0), ("white", 255)):
        Image.fromarray(np.full((900, 1280, 3), light, np.uint8)).save(folder / f"{name}.png")
    return folder


# Photos, openings, exit code and words of the one sentence.
REFUSED = {
    "swapped": ("on.jpg", "off.jpg", None, 3, "look swapped"),
    "swapped, openings drawn": ("on.jpg", "off.jpg", "openings.svg", 3, "look swapped"),
    "one file twice": ("on.jpg", "on.jpg", None, 2, "same photo"),
    "saved again": ("off.jpg", "copy.jpg", None, 2, "saved twice"),
    "saved as PNG": ("copy.png", "off.jpg", None, 2, "saved twice"),
    "saved smaller": ("off.jpg", "small.jpg", None, 3, "nothing new is lit"),
    "lamps not on": ("dark/off.jpg", "dark/on.jpg", None, 3, "nothing new is lit"),
    "lamps not on, drawn": ("dark/off.jpg", "dark/on.jpg", "openings.svg", 3, "nothing new is lit"),
    "black off": ("black.png", "on.jpg", None, 3, "black.png is black"),
    "black on": ("off.jpg", "black.png", None, 3, "black.png is black"),
    "blown-out off": ("white.png", "on.jpg", None, 3, "white.png is white"),
    "blown-out on": ("off.jpg", "white.png", None, 3, "white.png is white"),
    "two things": ("ladder/off.jpg", "on.jpg", None, 3, "do not line up"),
}


@pytest.mark.parametrize(("off", "on", "openings", "code", "words"), REFUSED.values(), ids=REFUSED)
def test_a_pair_that_says_nothing_is_refused(
    album, tmp_path, capsys, off, on, openings, code, words
):
    """Truth: how the photos were made. One sentence on stderr, nothing written."""
    drawn = ["--openings", str(album / openings)] if openings else []
    result = tmp_path / "result.json"
    ends = main(["check", str(album / off), str(album / on), *drawn, "--json", str(result)])
    said = capsys.readouterr()
    assert ends == code, said
    assert words in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert not result.exists()


MEASURED = {
    "as it should be": ("off.jpg", "on.jpg", None),
    "as it should be, openings drawn": ("off.jpg", "on.jpg", "openings.svg"),
    # A side without any window: no lamp is expected to show, and a dark pair is tight.
    "a side without windows": ("dark/off.jpg", "dark/on.jpg", "model.svg"),
}


@pytest.mark.parametrize(("off", "on", "openings"), MEASURED.values(), ids=MEASURED)
def test_a_pair_that_says_something_is_measured(album, capsys, off, on, openings):
    drawn = ["--openings", str(album / openings)] if openings else []
    assert main(["check", str(album / off), str(album / on), *drawn]) in (0, 1)
    assert capsys.readouterr().out


@dataclass
class Guessed:
    """As much of a guess as is asked for."""

    strength: float
    openings: tuple[int, ...] = ()


PHOTO = photo_from_array(np.zeros((8, 8, 3), np.uint8), name="a.jpg")


def test_lamps_that_shine_the_other_way_round_are_swapped():
    """Light lost against light added, by hand: 30 : 10 is swapped, 10 : 30 and 5 : 1 are not."""
    with pytest.raises(ExposureError, match=r"a\.jpg has lights on"):
        lamps_seen(Guessed(10.0), lambda: Guessed(30.0), PHOTO, PHOTO)
    assert lamps_seen(Guessed(30.0), lambda: Guessed(10.0), PHOTO, PHOTO)
    assert not lamps_seen(Guessed(1.0), lambda: Guessed(5.0), PHOTO, PHOTO)


def test_many_openings_need_no_second_look():
    def never():
        raise AssertionError("looked")

    assert lamps_seen(Guessed(1.0, tuple(range(40))), never, PHOTO, PHOTO)


def test_leaks_alone_are_reported_with_a_warning():
    """Leaks but no lit opening: measured, as with all openings covered, and said."""
    refuse_dark(PHOTO, PHOTO, lamps_on=False, leaks=1)
    with pytest.raises(ExposureError, match="nothing new"):
        refuse_dark(PHOTO, PHOTO, lamps_on=False, leaks=0)

    class Points:
        points = 500

    said = warnings_of((), (), Points(), (1.0, 1.0, 1.0), None, lamps_on=False)
    assert any("No lit opening" in sentence for sentence in said)
    assert warnings_of((), (), Points(), (1.0, 1.0, 1.0), None, lamps_on=True) == ()


def test_openings_are_lit_when_one_of_them_is():
    @dataclass
    class Measured:
        findings: tuple[str, ...]

    dark, dim = Measured(("dark",)), Measured(("dim",))
    assert openings_lit([dark, dim])
    assert not openings_lit([dark, dark])
    assert openings_lit([])


def test_two_exposures_of_an_unlit_scene_are_two_pictures(album):
    """Same light, other noise: they are not the same picture. Truth: drawn with other noise."""
    photos = [
        photo_from_array(np.asarray(Image.open(album / "dark" / f"{part}.jpg")), name=part)
        for part in ("off", "on")
    ]
    refuse_same(*photos)
