"""The rendered sample photos: what their note and truth.json say of them is so.

Truth: truth.json, which the renderer wrote beside the photos.
"""

from __future__ import annotations

import functools
import json
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ExifTags
from PIL import Image as PilImage

from leakcheck import Check, Settings, check, read_openings, read_photo, register
from leakcheck.photo import frame_scale, linear_light

SAMPLES = Path(__file__).parent.parent / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text("utf-8"))
PAIRS = TRUTH["pairs"]
SIDES, STAGES = ("port", "starboard", "stern"), ("coat-1", "coat-2", "coat-3")
MOST_BYTES = 25e6
BESIDE_PX = 4.0  # from a found outline to a true one: blur of the lens, grid of pixels


def _photo(pair: str, part: str) -> Path:
    return SAMPLES / PAIRS[pair]["photos"][part]


def test_three_sides_at_three_stages_in_little_space():
    assert sorted(PAIRS) == [f"{side}-{stage}" for side in SIDES for stage in STAGES]
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*")) < MOST_BYTES


@pytest.mark.parametrize("pair", PAIRS)
def test_the_photos_are_as_large_as_is_said_and_tell_their_exposure(pair):
    """The relative exposure is that of truth.json; dates grow from stage to stage."""
    found = {}
    for part in ("off", "on"):
        photo = read_photo(_photo(pair, part))
        assert list(photo.encoded.shape[1::-1]) == PAIRS[pair]["size"]
        found[part] = photo.exposure
    share = found["on"].time_s / found["off"].time_s
    assert share == pytest.approx(PAIRS[pair]["gain_on_over_off"][1], rel=0.01)


def test_one_pair_is_large_one_heic_one_turned():
    sizes = {pair: np.prod(entry["size"]) for pair, entry in PAIRS.items()}
    assert [pair for pair, size in sizes.items() if 8e6 * 0.99 < size < 12e6] == [
        "starboard-coat-1"
    ]
    assert all(size < 2e6 for pair, size in sizes.items() if pair != "starboard-coat-1")
    heic = [pair for pair in PAIRS if _photo(pair, "on").suffix == ".heic"]
    assert heic == ["starboard-coat-2"]
    with PilImage.open(_photo("stern-coat-1", "on")) as stored:
        assert stored.getexif()[ExifTags.Base.Orientation] == 6
        assert stored.width > stored.height  # lying, and upright once it is turned


def test_the_stages_are_days_apart_and_lamps_come_on_within_a_minute():
    def taken(pair: str, part: str) -> str:
        path = SAMPLES / f"{pair}-{part}.jpg"
        with PilImage.open(path) as photo:
            return photo.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal]

    times = [taken(f"port-{stage}", part) for stage in STAGES for part in ("off", "on")]
    assert all(a < b for a, b in pairwise(times))
    assert len({time[:10] for time in times}) == 3


@pytest.mark.parametrize("side", SIDES)
def test_the_drawing_holds_the_openings_of_the_truth(side):
    """To half a pixel: a drawing holds tenths of a pixel."""
    entry = PAIRS[f"{side}-coat-1"]
    shapes = read_openings(SAMPLES / f"{side}.svg", size=tuple(entry["size"])).shapes
    drawn = {shape.name: shape for shape in shapes if shape.kind != "model"}
    assert set(drawn) == {opening["name"] for opening in entry["openings"]}
    for opening in entry["openings"]:
        middle = np.mean(opening["outline"], axis=0)
        assert np.vstack(drawn[opening["name"]].rings).min(axis=0) - middle == pytest.approx(
            np.min(opening["outline"], axis=0) - middle, abs=0.5
        )
    assert sum(shape.kind == "model" for shape in shapes) == 1


@pytest.mark.parametrize("pair", ["port-coat-2", "starboard-coat-2", "stern-coat-1"])
def test_the_hand_s_movement_is_found(pair):
    """Truth: `marks`, the same places of the ship in both photos, at every depth.

    Half of the places within 1 px, nine of ten within the parallax of the hand, 3 px; some of them
    are hidden behind something nearer, where nothing can be found.
    """
    frames = []
    for part in ("off", "on"):
        photo = read_photo(_photo(pair, part))
        frames.append(linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2])))
    found = register(*frames)
    marks = PAIRS[pair]["marks"]
    on, off = (np.array([mark[part] for mark in marks]) for part in ("on", "off"))
    miss = np.hypot(*(found.on_to_off(on) - off).T)
    assert np.median(miss) < 1
    assert np.quantile(miss, 0.9) < 3
    assert np.hypot(*(on - off).T).max() > 2  # there was something to be found


@functools.cache
def _first() -> Check:
    off, on = (read_photo(_photo("port-coat-1", part)) for part in ("off", "on"))
    openings = read_openings(SAMPLES / "port.svg", size=on.encoded.shape[1::-1])
    return check(off, on, openings, settings=Settings(length_mm=TRUTH["length_mm"]))


def _beside(found, leak: dict) -> bool:
    """Whether a found spot comes close to any place of a true leak."""
    ring = np.asarray(found.outline, np.float32).reshape(-1, 1, 2)
    places = np.array([point for outline in leak["outlines"] for point in outline], float)
    inside = [cv2.pointPolygonTest(ring, (x, y), True) for x, y in places]
    return max(inside) > -BESIDE_PX


def test_the_leaks_of_the_readme_s_pair_are_found():
    """Joint and pinholes; the bulwark and the light pipe lie where windows and sidelight spill.

    Those two may be doubtful: the builder is told to cover the openings and look again.
    """
    result = _first()
    true = PAIRS["port-coat-1"]["leaks"]
    missed = [leak for leak in true if not any(_beside(r, leak) for r in result.leaks)]
    assert len(missed) <= 2, [leak["name"] for leak in missed]
    doubtful = [spot for spot in result.spill if spot.doubtful]
    assert all(any(_beside(spot, leak) for spot in doubtful) for leak in missed)
    others = [
        f"{r.kind} {r.where}" for r in result.leaks if not any(_beside(r, leak) for leak in true)
    ]
    assert len(others) <= 2, others


def test_the_exposure_of_the_readme_s_pair_is_matched():
    """Truth: the renderer's gain; the camera's tone curve bends it by up to 8 %."""
    stated = PAIRS["port-coat-1"]["gain_on_over_off"]
    assert _first().exposure.gain == pytest.approx(stated, rel=0.08)


def test_the_window_whose_lamp_is_aimed_away_is_called_dim():
    dim = [lamp.name for lamp in _first().lamps if "dim" in lamp.findings]
    assert "saloon-port-6" in dim
