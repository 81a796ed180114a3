"""What names of photos say, by the examples in the README and by hand."""

from __future__ import annotations

from datetime import datetime
from pathlib import PurePosixPath

import pytest

from leakcheck.shot_names import clock_in, named, natural, stage_in, unglued, words_of


@pytest.mark.parametrize(
    ("off", "on"),
    [
        ("bow-off.jpg", "bow-on.jpg"),
        ("BOW_OFF.JPG", "Bow_On.jpg"),
        ("off bow.jpg", "on bow.jpg"),
        ("bow unlit.png", "bow lit.png"),
        ("bow.dark.heic", "bow.light.heic"),
        ("bowOff.jpg", "bowOn.jpg"),
        ("bow-off-2.jpg", "bow-on-2.jpg"),
        ("off/bow.jpg", "on/bow.jpg"),
        ("monday/Off/bow.jpg", "monday/On/bow.jpg"),
        ("bow/lights off/3.jpg", "bow/lights on/3.jpg"),
        ("off.jpg", "on.jpg"),
        ("éperon-off.jpg", "éperon-on.jpg"),
    ],
)
def test_both_photos_of_a_pair_have_one_key(off, on):
    dark, light = named(PurePosixPath(off)), named(PurePosixPath(on))
    assert (dark.state, light.state) == ("off", "on")
    assert dark.key == light.key


@pytest.mark.parametrize(
    "name", ["saloon.jpg", "IMG_2034.jpg", "coffee.jpg", "split.jpg", "onion.jpg", "on-off.jpg"]
)
def test_other_names_say_nothing(name):
    assert named(PurePosixPath(name)).state is None


def test_numbers_and_folders_keep_pairs_apart():
    keys = {
        named(PurePosixPath(name)).key
        for name in ("bow-off.jpg", "bow-2-off.jpg", "port-off.jpg", "coat-1/bow-off.jpg")
    }
    assert len(keys) == 4


def test_a_number_of_the_camera_can_be_looked_past():
    one, other = named(PurePosixPath("bow-off-0012.jpg")), named(PurePosixPath("bow-on-0013.jpg"))
    assert one.key != other.key
    assert one.without_numbers == other.without_numbers


def test_a_strong_word_wins_over_a_weak_one():
    assert named(PurePosixPath("port-light-off.jpg")).state == "off"
    assert not named(PurePosixPath("port-light.jpg")).sure


def test_glued_words():
    assert unglued(PurePosixPath("bowoff.jpg")).words == unglued(PurePosixPath("bowon.jpg")).words
    assert unglued(PurePosixPath("bow.jpg")) is None


def test_words_stages_and_times():
    assert words_of("BowOff_02") == ("bow", "off", "02")
    assert stage_in(("bow", "coat", "2")) == ("coat-2", ("bow",))
    assert stage_in(("bow", "2")) == ("", ("bow", "2"))
    assert clock_in("PXL_20240318_152700.jpg") == datetime(2024, 3, 18, 15, 27)
    assert clock_in("20241399_152700.jpg") is None
    assert sorted(["coat-10", "coat-9"], key=natural) == ["coat-9", "coat-10"]
