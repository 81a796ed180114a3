"""Families of drawn scenes, and pairs on disk."""

from __future__ import annotations

import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ExifTags
from PIL import Image as PilImage
from quiet_scenes import CLEAR
from scene import (
    ferry_scene,
    ladder_scene,
    render,
    save_pair,
)
from scene_ferry import LEAK_KINDS


def test_the_same_scene_gives_the_same_photos() -> None:
    one, two = (render(ferry_scene(4, camera="nudge")) for _ in range(2))
    other = render(ferry_scene(5, camera="nudge"))
    assert one.on_jpeg == two.on_jpeg
    assert one.off_jpeg == two.off_jpeg
    assert one.on_jpeg != other.on_jpeg


def test_mixed_ferries_have_leaks_of_every_kind_worth_finding() -> None:
    """Twelve seeds show all five kinds, most of them strong enough to count."""
    leaks = [
        leak for seed in range(12) for leak in render(ferry_scene(seed, size=(800, 560))).leaks
    ]
    assert {leak.kind for leak in leaks} == set(LEAK_KINDS)
    assert np.mean([leak.snr >= 15 and leak.contrast >= 0.02 for leak in leaks]) > 0.8


@pytest.mark.parametrize("kind", ["pinhole", "show-through"])
def test_a_ladder_rises_near_and_far(kind: str) -> None:
    """By hand: rungs have the contrast asked for, where the nearest pixel's centre sees them."""
    asked = np.array([0.1, 0.2, 0.4] * 2)
    scene = ladder_scene(kind=kind, contrasts=tuple(asked[:3]), lens=CLEAR)
    bare = tuple(replace(s, grain=0.0, weather=0.0, lines=()) for s in scene.surfaces)
    pair = render(replace(scene, surfaces=bare))
    if kind == "pinhole":  # a spread of 0.7 px seen by pixels, and off their centre
        spread2 = 0.7**2 + 1 / 12
        place = np.array([leak.points[0] for leak in pair.scene.leaks])
        off_centre = ((place - np.round(place)) ** 2).sum(axis=1)
        asked *= 0.7**2 / spread2 * np.exp(-0.5 * off_centre / spread2)
    contrasts = [leak.peak_contrast for leak in pair.leaks]
    assert contrasts == pytest.approx(asked, rel=0.02)
    low = max(y for o in pair.scene.openings for _, y in o.ring)
    below = [leak.centroid_px[1] - low for leak in pair.leaks]
    assert all(10 < d < 25 for d in below[:3])
    assert all(d > 200 for d in below[3:])


def test_a_pair_on_disk_says_all_that_it_knows(tmp_path: Path) -> None:
    """Read back with Pillow, ElementTree and OpenCV: exposure, shapes in SVG units, labels."""
    pair = render(ferry_scene(6, camera="handheld", exposure_ratio=0.5, ambient=30))
    save_pair(pair, tmp_path)
    times = []
    for name, pixels in (("off", pair.off), ("on", pair.on)):
        with PilImage.open(tmp_path / f"{name}.jpg") as photo:
            times.append(
                float(photo.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.ExposureTime])
            )
            assert np.abs(np.asarray(photo).astype(int) - pixels).max() <= 3  # two JPEG decoders
    assert times[1] / times[0] == pytest.approx(0.5, rel=1e-3)
    shapes = ET.parse(tmp_path / "openings.svg").getroot().findall("{*}polygon")
    by_class = [shape.get("class") for shape in shapes]
    assert by_class.count("model") == 1
    assert by_class.count("window") == sum(o.kind == "window" for o in pair.scene.openings)
    first = pair.scene.openings[0]
    drawn = next(s for s in shapes if s.get("id") == first.id).get("points", "").split()
    x, y = (float(v) for v in drawn[0].split(","))
    assert (x - 0.5, y - 0.5) == pytest.approx(first.ring[0], abs=2e-3)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert [leak["id"] for leak in truth["leaks"]] == [leak.id for leak in pair.leaks]
    labels = cv2.imread(str(tmp_path / "leaks.png"), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(np.asarray(labels), pair.labels)
    flow = np.load(tmp_path / "flow.npz")
    assert flow["on"].shape == flow["off"].shape == pair.flow_on.shape


def test_a_photo_is_coded_once() -> None:
    """The bytes kept are the JPEG whose pixels the pair holds; Pillow is the second decoder."""
    pair = render(ferry_scene(2, leaks="none"))
    assert pair.on_jpeg is not None
    with PilImage.open(io.BytesIO(pair.on_jpeg)) as photo:
        assert np.abs(np.asarray(photo).astype(int) - pair.on).max() <= 3
