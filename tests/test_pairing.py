"""Photos become pairs: folders of drawn shots whose pairs are known."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pillow_heif
import pytest
from PIL import Image as PilImage
from sessions import START, Session, exif_of, jpeg, lit, moved, pattern

from leakcheck.pairing import paired
from leakcheck.shots import photo_paths, read_shots

GAP = timedelta(minutes=30)


def pairing_of(folder):
    return paired(read_shots(photo_paths(folder), folder), stage_gap=GAP)


def names(pairing):
    return {(pair.off.rel, pair.on.rel) for pair in pairing.pairs}


def reasons(pairing):
    return {left.shot.rel: left.reason for left in pairing.left_out}


@pytest.fixture
def session(tmp_path):
    return Session(tmp_path / "shots")


def test_neighbours_of_one_view_are_paired_and_strays_are_named(session):
    """Camera names only: two pairs, a stray between the photos of one, a lone photo at the end."""
    first = session.pair(1)
    off = session.shoot(pattern(2))
    stray = session.shoot(pattern(8))
    on = session.shoot(lit(pattern(2)))
    lone = session.shoot(lit(pattern(9)))
    pairing = pairing_of(session.folder)
    assert names(pairing) == {first, (off, on)}
    assert reasons(pairing) == {stray: "no partner", lone: "no partner"}
    assert all(pair.how == "content" and "same view" in pair.why for pair in pairing.pairs)


def test_lights_on_first_and_a_camera_held_by_hand(session):
    on = session.shoot(lit(pattern(3)))
    off = session.shoot(moved(pattern(3), 9, -6, 1.2))
    assert names(pairing_of(session.folder)) == {(off, on)}


def test_a_darker_exposure_is_told_from_lamps_that_are_off(session):
    """The camera's automatic halves the exposure when the lamps come on: the mean falls."""
    off = session.shoot(pattern(4))
    on = session.shoot(0.55 * lit(pattern(4)))
    assert names(pairing_of(session.folder)) == {(off, on)}


def test_three_tests_of_one_side_one_after_the_other(session):
    """Without a pause or another side between them every neighbour fits; pairs must not slip."""
    pairs = []
    for k, share in enumerate((1.0, 0.8, 0.6)):
        side = moved(pattern(5), 4 * k, -3 * k, 0.5 * k)
        pairs.append(
            (
                session.shoot(side, wait_s=60),
                session.shoot(moved(lit(pattern(5), share=share), 4 * k, -3 * k, 0.5 * k)),
            )
        )
    assert names(pairing_of(session.folder)) == set(pairs)


def test_a_repeat_is_left_out_and_named(session):
    off = session.shoot(pattern(6))
    on = session.shoot(lit(pattern(6)))
    again = session.shoot(lit(pattern(6)))
    pairing = pairing_of(session.folder)
    assert names(pairing) == {(off, on)}
    assert reasons(pairing) == {again: "repeat"}


def test_two_lit_photos_are_no_pair(session):
    """After a coat there are fewer leaks, so less light: still both have their lights on."""
    first = session.pair(7)
    session.pause(minutes=5)
    weak = session.shoot(lit(pattern(7), share=0.5))
    assert names(pairing_of(session.folder)) == {first}
    assert reasons(pairing_of(session.folder)) == {weak: "repeat"}


def test_no_pair_spans_the_pause_between_stages(session):
    off = session.shoot(pattern(10))
    session.pause(hours=3)
    on = session.shoot(lit(pattern(10)))
    pairing = pairing_of(session.folder)
    assert names(pairing) == set()
    assert reasons(pairing) == {off: "no partner", on: "no partner"}


def test_a_damaged_photo_is_named_with_its_partner_and_takes_none_from_others(session):
    """Cut off in the middle: its partner must not be paired with the next test's photo."""
    first = session.pair(11)
    bad = session.shoot(pattern(11), wait_s=60)
    data = (session.folder / bad).read_bytes()
    (session.folder / bad).write_bytes(data[: len(data) // 2])
    on = session.shoot(lit(pattern(11)))
    last = session.pair(11, wait_s=40)
    pairing = pairing_of(session.folder)
    assert names(pairing) == {first, (bad, on), last}
    (damaged,) = [pair for pair in pairing.pairs if pair.damaged]
    assert damaged.damaged.rel == bad
    assert "damaged or cut-off" in damaged.damaged.fault


def test_a_duplicate_is_left_out_even_with_another_time_in_it(session, tmp_path):
    off, on = session.pair(12)
    picture = PilImage.open(session.folder / off)
    picture.save(session.folder / "copy.png", exif=exif_of(START + timedelta(seconds=90)))
    (session.folder / "same.jpg").write_bytes((session.folder / on).read_bytes())
    pairing = pairing_of(session.folder)
    assert names(pairing) <= {(off, on), (off, "same.jpg")}
    assert len(pairing.pairs) == 1
    assert "duplicate" in reasons(pairing).values()


def test_a_photo_copied_to_each_stage_is_no_duplicate_and_a_copied_pair_is(session):
    """Whoever keeps the camera still may take the lights-off photo once and copy it."""
    off, on = session.shoot(pattern(21), name="a/bow-off.jpg"), "a/bow-on.jpg"
    session.shoot(lit(pattern(21)), name=on)
    later = session.shoot(lit(pattern(21), share=0.6), name="b/bow-on.jpg")
    for name, content in (
        ("b/bow-off.jpg", off),
        ("copy/bow-off.jpg", off),
        ("copy/bow-on.jpg", on),
    ):
        (session.folder / name).parent.mkdir(exist_ok=True)
        (session.folder / name).write_bytes((session.folder / content).read_bytes())
    pairing = pairing_of(session.folder)
    assert names(pairing) == {(off, on), ("b/bow-off.jpg", later)}
    assert reasons(pairing) == {"copy/bow-off.jpg": "duplicate", "copy/bow-on.jpg": "duplicate"}


def test_heic_and_jpeg_pair(session):
    off = session.shoot(pattern(13))
    session.pause(seconds=20)
    image = PilImage.fromarray(lit(pattern(13)).astype(np.uint8))
    pillow_heif.from_pillow(image).save(
        session.folder / "IMG_1.heic", quality=90, exif=exif_of(session.time)
    )
    assert names(pairing_of(session.folder)) == {(off, "IMG_1.heic")}


def test_without_times_the_order_of_names_counts(session):
    session.shoot(pattern(14), name="IMG_9.jpg", clock=False)
    session.shoot(lit(pattern(14)), name="IMG_10.jpg", clock=False)
    assert names(pairing_of(session.folder)) == {("IMG_9.jpg", "IMG_10.jpg")}


def test_names_decide_where_they_say_it(session):
    """What the photos show is not asked: a wrong name is refused later, by the check itself."""
    session.shoot(lit(pattern(15)), name="bow-off.jpg")
    session.shoot(pattern(16), name="bow-on.jpg")
    session.shoot(pattern(17), name="off/IMG_1.jpg")
    session.shoot(lit(pattern(17)), name="on/IMG_1.jpg")
    pairing = pairing_of(session.folder)
    assert names(pairing) == {("bow-off.jpg", "bow-on.jpg"), ("off/IMG_1.jpg", "on/IMG_1.jpg")}
    assert {pair.how for pair in pairing.pairs} == {"name"}


def test_folders_say_the_lights_and_the_photos_the_rest(session):
    """off/ and on/ with a camera's names: which is whose partner is told by what they show."""
    for seed, number in ((18, 1), (19, 2)):
        session.shoot(pattern(seed), name=f"off/IMG_{number}.jpg")
        session.shoot(lit(pattern(seed)), name=f"on/IMG_{number + 40}.jpg")
    pairing = pairing_of(session.folder)
    assert names(pairing) == {
        ("off/IMG_1.jpg", "on/IMG_41.jpg"),
        ("off/IMG_2.jpg", "on/IMG_42.jpg"),
    }


def test_results_among_the_photos_are_no_photos(session):
    """Of a single check, which is known by its result, and of another run of batch."""
    pair = session.pair(22)
    for name in ("check/marked.png", "check/result.json", "others/IMG_1/small.jpg"):
        (session.folder / name).parent.mkdir(parents=True, exist_ok=True)
        (session.folder / name).write_bytes((session.folder / pair[1]).read_bytes())
    (session.folder / "others" / ".leakcheck").mkdir()
    pairing = pairing_of(session.folder)
    assert names(pairing) == {pair}
    assert reasons(pairing) == {}


def test_files_that_are_no_photos_stop_nothing(session):
    pair = session.pair(20)
    (session.folder / "empty.jpg").write_bytes(b"")
    (session.folder / "text.png").write_text("not a photo")
    (session.folder / "notes.txt").write_text("coat 1")
    (session.folder / ".hidden.jpg").write_bytes(jpeg(pattern(1), None))
    pairing = pairing_of(session.folder)
    assert names(pairing) == {pair}
    assert reasons(pairing) == {"empty.jpg": "damaged", "text.png": "damaged"}
