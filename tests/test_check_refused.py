"""Pairs that cannot be measured, or not as told: each is named plainly and nothing is written."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from samples import checked, copied, paths

from leakcheck import Settings, check
from leakcheck.cli import main
from leakcheck.errors import ExposureError, MeasurementError, RegistrationError, UsageError
from leakcheck.photo import photo_from_array


def _photo(stage: str, part: int, change=lambda a: a, name: str = ""):
    path = paths(stage)[part]
    pixels = cv2.imread(str(path), cv2.IMREAD_COLOR_RGB)
    return photo_from_array(np.ascontiguousarray(change(pixels)), name=name or path.name)


def test_photos_given_the_wrong_way_round_are_named():
    off, on, _ = paths("coat-1")
    with pytest.raises(ExposureError, match="swapped"):
        checked(on, off)


def test_the_same_file_twice_is_a_wrong_command():
    on = paths("coat-1")[1]
    with pytest.raises(UsageError, match="same"):
        checked(on, on)


@pytest.mark.parametrize(("light", "word"), [(0, "black"), (255, "white")])
@pytest.mark.parametrize("part", [0, 1])
def test_black_and_blown_out_photos_are_named(light, word, part):
    """One photo of the pair is of one value all over; the message must name that one."""
    pair = [_photo("coat-1", 0, name="off.jpg"), _photo("coat-1", 1, name="on.jpg")]
    pair[part] = _photo("coat-1", part, lambda a: np.full_like(a, light), name="flat.jpg")
    with pytest.raises(ExposureError, match=f"flat.jpg.*{word}"):
        check(*pair)


def test_two_different_things_are_refused():
    """The ferry against noise in clouds: nothing there lines up."""
    clouds = np.random.default_rng(4).normal(120, 40, (30, 40, 3)).astype(np.float32)
    other = np.clip(cv2.resize(clouds, (1600, 1200), interpolation=cv2.INTER_CUBIC), 0, 255)
    with pytest.raises(RegistrationError, match=r"clouds\.jpg|off\.jpg|line up"):
        check(
            photo_from_array(other.astype(np.uint8), name="clouds.jpg"),
            _photo("coat-1", 1, name="on.jpg"),
        )


def test_a_tripod_that_was_no_tripod_is_refused():
    """Moved by 9 px: said to line up, and it does not."""
    off = _photo("coat-1", 0, lambda a: np.roll(a, (7, 9), (0, 1)))
    with pytest.raises(MeasurementError):
        check(off, _photo("coat-1", 1), settings=Settings(tripod=True))


REFUSED = {
    "swapped": (("on", "off"), 3, "swapped"),
    "same": (("on", "on"), 2, "same photo"),
}


@pytest.mark.parametrize(("order", "code", "text"), REFUSED.values(), ids=REFUSED.keys())
def test_a_pair_that_is_none_is_one_sentence_and_a_code(order, code, text, tmp_path, capsys):
    off, on, _ = copied("coat-1", tmp_path)
    paths = [{"off": off, "on": on}[part] for part in order]
    assert main(["check", *paths, "--out", str(tmp_path / "r")]) == code
    printed = capsys.readouterr()
    assert text in printed.err
    assert printed.err.count("\n") == 1
    assert not (tmp_path / "r").exists()
