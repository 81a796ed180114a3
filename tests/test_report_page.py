"""The page's file, and `leakcheck report`: what it holds, how large it gets, made once more."""

from __future__ import annotations

import base64
import json
import re
import shutil
from dataclasses import fields

import cv2
import made_checks as made
import made_comparisons as pairs
import made_pages
import numpy as np
import pytest
from made_pages import GROUND, SHINE
from scene import ferry_scene, render, save_pair

from leakcheck.check import Check
from leakcheck.cli import main
from leakcheck.errors import PhotoError
from leakcheck.report.compare_json import comparison_to_dict
from leakcheck.report.html.check_page import check_page
from leakcheck.report.html.closeups import closeup_view
from leakcheck.report.html.page import name, words
from leakcheck.report.html.pictures import embedded
from leakcheck.report.laid_on import View, seen_from
from leakcheck.report.result_json import check_to_dict
from leakcheck.report.result_read import check_of, comparison_of

LIMIT_BYTES = 4_000_000


def _pictures(page: bytes) -> list[np.ndarray]:
    """All pictures of a page in its order, RGB."""
    found = re.findall(rb"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page)
    decoded = (np.frombuffer(base64.b64decode(data), np.uint8) for data in found)
    return [cv2.imdecode(data, cv2.IMREAD_COLOR_RGB).astype(int) for data in decoded]


# --- what is in the file ---------------------------------------------------------------------


def test_a_page_of_12_megapixels_of_noise_and_90_leaks_stays_below_4_mb():
    """Noise is the worst that JPEG can be given; no photo of a model is as bad."""
    rng = np.random.default_rng(0)
    on = rng.integers(0, 256, (3000, 4000, 3), np.uint8)
    leaks = tuple(
        made.leak(k + 1, made.circle(100 + 400 * (k % 10), 100 + 300 * (k // 10), 40))
        for k in range(90)
    )
    facts = made.replace(made.facts("on.jpg"), width_px=4000, height_px=3000)
    check = made.check(leaks=leaks, on=facts, openings=(), lamps=())
    glow = rng.random((1500, 2000), np.float32)
    photos = made.photo(on[::-1].copy(), name="off.jpg"), made.photo(on, name="on.jpg")
    page = check_page(check, off=photos[0], on=photos[1], glow=glow)
    assert len(page) < LIMIT_BYTES
    text = page.decode()
    shown = text.count('class="leak-card"')
    assert 40 < shown < 90
    assert f"The other {90 - shown} are in the table alone" in text
    assert text.count('<td class="one">') >= 90


def test_close_ups_show_the_place_off_on_and_as_added_light():
    """The pinhole at (900, 500): dark, bright, coloured in the middle; the ground round it grey."""
    page, check = made_pages.checked()
    off, on, added = _pictures(page)[3 + 3 : 3 + 6]  # after off, on, glow, and the first leak's
    rows, cols = off.shape[:2]
    view = closeup_view(check.leaks[1].outline, (made.WIDTH_PX, made.HEIGHT_PX))
    assert (cols, rows) == view.size  # as large as the photo has it
    x, y = np.round(view.to_picture(np.array([[check.leaks[1].x, check.leaks[1].y]]))[0]).astype(
        int
    )
    assert off[y, x] == pytest.approx(GROUND, abs=8)
    assert on[y, x] == pytest.approx(SHINE, abs=12)
    assert np.ptp(added[y, x]) > 60
    assert np.ptp(added[y + 50, x]) < 12


def test_a_photo_is_laid_on_where_it_belongs():
    """A spot at (300, 200) of a photo that was shifted by (12.5, -8) is seen at (287.5, 208)."""
    source = np.zeros((400, 600, 3), np.uint8)
    cv2.circle(source, (300, 200), 6, (255,) * 3, -1)
    view = View(200, 150, (200, 120), 2.0)
    picture = seen_from(source, view, moved=lambda xy: xy + np.array([12.5, -8.0]))
    assert picture.shape == (240, 400, 3)
    rows, cols = np.nonzero(picture[..., 0] > 127)
    expected = view.to_picture(np.array([[287.5, 208.0]]))[0]
    assert (cols.mean(), rows.mean()) == pytest.approx(expected, abs=0.3)
    assert seen_from(source, view, moved=lambda xy: xy + 5000.0).max() == 0  # beyond the photo


@pytest.mark.parametrize(
    "outline",
    [made.circle(3, 4, 3), made.circle(1598, 1190, 30), made.box(5, 600, 1590, 606)],
    ids=["in a corner", "at the border", "from end to end"],
)
def test_a_close_up_holds_its_leak_and_nothing_beyond_the_photo(outline):
    view = closeup_view(outline, (made.WIDTH_PX, made.HEIGHT_PX))
    assert view.left >= 0
    assert view.left + view.size[0] <= made.WIDTH_PX
    assert view.top >= 0
    assert view.top + view.size[1] <= made.HEIGHT_PX
    inside = view.to_picture(np.clip(outline, 0, [made.WIDTH_PX - 1, made.HEIGHT_PX - 1]))
    assert (inside > -1).all()
    assert (inside < np.array(view.picture_size)).all()


@pytest.mark.parametrize("most", [200_000, 30_000, 4_000, 1])
def test_a_picture_keeps_within_its_bytes_as_far_as_it_can(most):
    noise = np.random.default_rng(1).integers(0, 256, (300, 400, 3), np.uint8)
    picture = embedded(noise, most_bytes=most)
    assert picture.page_bytes <= most or min(picture.width, picture.height) < 80
    assert picture.width / picture.height == pytest.approx(4 / 3, abs=0.05)


def test_names_are_kept_to_themselves():
    """By hand: escaped, each in its own <bdi>, direction marks gone, units not torn off."""
    assert name("<b>") == "<bdi>&lt;b&gt;</bdi>"
    assert words('above "a<b", 12 mm away') == 'above "<bdi>a&lt;b</bdi>", 12\u00a0mm away'
    assert words('below "x"y", 3 px away') == 'below "<bdi>x&#34;y</bdi>", 3\u00a0px away'
    assert "\u202e" not in words("\u202eabc")


def test_a_tight_page_says_what_could_not_have_been_seen():
    text = made_pages.tight().decode()
    assert "TIGHT" in text
    assert "What could not have been seen" in text
    assert "leak-card" not in text.split("</style>")[1].split("<script>")[0]


# --- made once more --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "check",
    [made.check(), made.tight(window_level=None), made.check(openings=(), lamps=())],
    ids=["leaks", "tight", "no openings"],
)
def test_a_saved_result_is_read_as_it_was_written(check, tmp_path):
    """Written, read and written again it is the same JSON."""
    saved = json.loads(json.dumps(check_to_dict(check)))
    again = check_of(saved, tmp_path)
    assert json.loads(json.dumps(check_to_dict(again))) == saved


def test_a_saved_comparison_is_read_as_it_was_written(tmp_path):
    comparison = pairs.comparison()
    saved = json.loads(json.dumps(comparison_to_dict(comparison)))
    again = comparison_of(saved, tmp_path, lambda _: comparison.stages[0].on)
    assert json.loads(json.dumps(comparison_to_dict(again))) == saved


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A drawn ferry, checked once from the command line, results and all."""
    folder = tmp_path_factory.mktemp("ferry")
    leaks = ("pinhole", "seam leak", "open hole")
    save_pair(render(ferry_scene(3, size=(640, 450), leaks=leaks, contrast=(0.8, 1.5))), folder)
    photos = [str(folder / name) for name in ("off.jpg", "on.jpg")]
    drawing = ["--openings", str(folder / "openings.svg")]
    assert main(["check", *photos, *drawing, "--out", str(folder / "out"), "--quiet"]) == 1
    return folder


@pytest.fixture
def ferry(measured, tmp_path):
    """A copy of it, elsewhere than where it was measured."""
    shutil.copytree(measured, tmp_path / "ferry")
    shutil.rmtree(tmp_path / "ferry" / "moved", ignore_errors=True)
    return tmp_path / "ferry"


def test_the_page_can_be_made_again_from_the_result_and_the_photos(ferry):
    """Word for word the same, but for the last digit of a number, which is rounded in the JSON.

    Pictures of the photos are the same, those of the added light all but.
    """
    page = ferry / "out" / "report.html"
    before = page.read_bytes()
    assert main(["report", str(ferry / "out" / "result.json")]) == 2  # it is there already
    page.unlink()
    assert main(["report", str(ferry / "out" / "result.json")]) == 0
    after = page.read_bytes()

    def said(data):
        text = data.decode().split("<main")[1].split("<script>")[0]
        return re.sub(r"<[^>]*>|[\d.]+|\s+", " ", text)

    assert said(after) == said(before)
    assert len(after) < LIMIT_BYTES
    pictures = list(zip(_pictures(before), _pictures(after), strict=True))
    assert all((one == other).all() for one, other in pictures[:2])
    for one, other in pictures:
        assert np.abs(one - other).mean() < 3


def _report(capsys, *arguments) -> str:
    """What a refused report says."""
    assert main(["report", *map(str, arguments)]) == 2
    printed = capsys.readouterr()
    assert printed.err.count("\n") == 1
    assert "Traceback" not in printed.err
    return printed.err


def test_what_cannot_be_made_again_is_said(ferry, capsys):
    result, page = ferry / "out" / "result.json", ferry / "page.html"
    assert "does not exist" in _report(capsys, ferry / "none.json", "--out", page)
    assert "is a folder" in _report(capsys, ferry, "--out", page)
    assert "no result" in _report(capsys, ferry / "truth.json", "--out", page)
    assert "must end in .html" in _report(capsys, result, "--out", ferry / "on.jpg", "--force")
    saved = json.loads(result.read_text())
    newer = ferry / "newer.json"
    newer.write_text(json.dumps({**saved, "version": 99}))
    assert "version 99" in _report(capsys, newer, "--out", page)
    other = ferry / "other.json"
    changed = {**saved["photos"]["on"], "content_hash": "0" * 64}
    other.write_text(json.dumps({**saved, "photos": {**saved["photos"], "on": changed}}))
    assert "has changed since" in _report(capsys, other, "--out", page)
    assert not page.exists()


def test_photos_that_were_moved_are_found_or_can_be_named(ferry, measured, capsys):
    saved = json.loads((ferry / "out" / "result.json").read_text())
    for which in ("off", "on"):
        saved["photos"][which]["path"] = f"/nowhere/{which}.jpg"
    result = ferry / "out" / "result.json"
    result.write_text(json.dumps(saved))
    page = ferry / "page.html"
    assert main(["report", str(result), "--out", str(page)]) == 0  # in the folder above
    lone = ferry / "far" / "away" / "result.json"
    lone.parent.mkdir(parents=True)
    lone.write_text(json.dumps(saved))
    assert "which is not there" in _report(capsys, lone, "--out", ferry / "p2.html")
    photos = ["--off", ferry / "off.jpg", "--on", ferry / "on.jpg"]
    assert main(["report", str(lone), "--out", str(ferry / "p2.html"), *map(str, photos)]) == 0


def _damages(saved):
    """The result with each field in turn gone or of another kind, and some fields further in."""
    for key in ["photos", *(field.name for field in fields(Check) if field.name in saved)]:
        yield {k: v for k, v in saved.items() if k != key}
        yield from ({**saved, key: value} for value in (None, [], {"x": 1}, "text", -1))
    leak, shape = saved["leaks"][0], saved["openings"][0]
    for field, value in (("outline", []), ("outline", [[1]]), ("x", "left"), ("kind", "hole")):
        yield {**saved, "leaks": [{**leak, field: value}]}
    yield {**saved, "openings": [{**shape, "rings": [[[None, 2]]]}]}
    yield {**saved, "registration": {**saved["registration"], "homography": [[1]]}}


def test_a_damaged_result_is_refused_or_makes_a_page(tmp_path):
    """Whatever is wrong with it, it is no fault of the program; hand-made photos stand in."""
    saved = json.loads(json.dumps(check_to_dict(made.check())))
    off, on = made_pages.photos(made.check())
    refused = pages = 0
    for content in _damages(saved):
        try:
            check = check_of(content, tmp_path / "result.json")
        except PhotoError:
            refused += 1
            continue
        pages += 1
        check_page(check, off=off, on=on, glow=None)
    assert refused > 60
    assert pages > 5


@pytest.mark.parametrize(
    "text", ["", "[]", "null", "{", '{"format": "leakcheck check"}', "[" * 9000]
)
def test_what_is_no_result_is_refused(tmp_path, capsys, text):
    (tmp_path / "result.json").write_text(text)
    _report(capsys, tmp_path / "result.json", "--out", tmp_path / "page.html")
