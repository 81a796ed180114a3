"""Which photo a drawing belongs to, with the drawn ferry's true openings."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sessions import SIZE, START, drawing, ferry, write_ferry

from leakcheck.folder_openings import drawn_on, serving
from leakcheck.pairing import paired
from leakcheck.shots import drawing_paths, photo_paths, read_shots
from leakcheck.views import placed

GAP = timedelta(minutes=30)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The ferry's port side in two stages and its starboard side, under a camera's names."""
    folder = tmp_path_factory.mktemp("shots")
    write_ferry(ferry(1), folder, "IMG_1.jpg", "IMG_2.jpg", START)
    write_ferry(
        ferry(1), folder, "IMG_3.jpg", "IMG_4.jpg", START + timedelta(minutes=2), mirrored=True
    )
    write_ferry(ferry(1, again=True), folder, "IMG_5.jpg", "IMG_6.jpg", START + timedelta(hours=5))
    return folder


def looked_at(folder):
    shots = read_shots(photo_paths(folder), folder)
    pairing = paired(shots, stage_gap=GAP)
    pairs = placed(pairing.pairs, stage_gap=GAP)
    assert [(p.pair.on.rel, p.view) for p in pairs] == [
        ("IMG_2.jpg", "view 1"),
        ("IMG_6.jpg", "view 1"),
        ("IMG_4.jpg", "view 2"),
    ]
    drawings = drawn_on(drawing_paths(folder), pairs, shots)
    served = serving(drawings, pairs)
    return drawings, {pairs[k].pair.on.rel: d.path.name for k, d in served.items()}


@pytest.fixture
def clean(folder):
    yield folder
    for path in folder.rglob("*.svg"):
        path.unlink()


def test_a_drawing_without_a_link_is_found_by_the_light_in_its_openings(clean):
    """In a folder below: it serves both stages of its side, and not the other side."""
    (clean / "openings").mkdir(exist_ok=True)
    drawing(ferry(1), clean / "openings" / "ferry.svg")
    (found,), served = looked_at(clean)
    assert found.photo == clean / "IMG_2.jpg"
    assert served == {"IMG_2.jpg": "ferry.svg", "IMG_6.jpg": "ferry.svg"}


def test_a_link_and_a_name_say_it_too(clean):
    drawing(ferry(1, again=True), clean / "second.svg", photo="IMG_6.jpg")
    drawing(ferry(1), clean / "img_2.svg")
    drawings, served = looked_at(clean)
    assert {d.path.name: d.photo.name for d in drawings} == {
        "img_2.svg": "IMG_2.jpg",
        "second.svg": "IMG_6.jpg",
    }
    assert served == {"IMG_2.jpg": "img_2.svg", "IMG_6.jpg": "second.svg"}, "each its own"


def test_drawings_that_fit_nothing_or_cannot_be_read_are_not_used(clean):
    cols, rows = SIZE
    boxes = "".join(
        f'<rect class="window" x="{40 * k}" y="{rows - 40}" width="20" height="20"/>'
        for k in range(1, 9)
    )
    (clean / "other.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {cols} {rows}">{boxes}</svg>'
    )
    (clean / "broken.svg").write_text("<svg><rect")
    drawings, served = looked_at(clean)
    assert served == {}
    why = {d.path.name: d.why for d in drawings if d.photo is None}
    assert "fits none" in why["other.svg"]
    assert "broken.svg" in why["broken.svg"]
