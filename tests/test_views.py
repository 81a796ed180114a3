"""Pairs become views and stages, on folders whose order is known."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sessions import Session, lit, moved, pattern

from leakcheck.pairing import paired
from leakcheck.shots import photo_paths, read_shots
from leakcheck.views import placed

GAP = timedelta(minutes=30)


def placed_in(folder, given=None):
    pairing = paired(read_shots(photo_paths(folder), folder), stage_gap=GAP)
    return placed(pairing.pairs, stage_gap=GAP, given=given)


def told(found):
    return [(p.view, p.stage, p.number) for p in found]


@pytest.fixture
def session(tmp_path):
    return Session(tmp_path / "shots")


def test_a_long_pause_begins_a_stage_and_sides_are_found_again(session):
    """Two sides before and after a coat, each set down a little elsewhere; one is repeated."""
    session.pair(1)
    session.pair(2, wait_s=90)
    session.pair(2, wait_s=90)
    session.pause(hours=6)
    session.shoot(moved(pattern(2), 6, 4, 1.0))
    session.shoot(moved(lit(pattern(2)), 6, 4, 1.0))
    session.pair(1, wait_s=90)
    assert told(placed_in(session.folder)) == [
        ("view 1", "test 1", 1),
        ("view 1", "test 2", 1),
        ("view 2", "test 1", 1),
        ("view 2", "test 1", 2),
        ("view 2", "test 2", 1),
    ]


def test_folders_are_stages_and_names_are_views(session):
    for stage in ("coat-2", "coat-10"):
        for seed, side in ((3, "bow"), (4, "port")):
            session.shoot(pattern(seed), name=f"{stage}/{side}-off.jpg", clock=False)
            session.shoot(lit(pattern(seed)), name=f"{stage}/{side}-on.jpg", clock=False)
    assert sorted(told(placed_in(session.folder))) == sorted(
        (side, stage, 1) for side in ("bow", "port") for stage in ("coat-2", "coat-10")
    )
    bow = [p.stage for p in placed_in(session.folder) if p.view == "bow"]
    assert bow == ["coat-2", "coat-10"], "in the order of numbers, not of letters"


def test_a_folder_for_each_pair_of_camera_names(session):
    """coat-1/off.jpg ...: the folder is the stage where the photos fit, else the view."""
    for k, folder in enumerate(("coat-1", "coat-2", "stern")):
        seed = 6 if folder == "stern" else 5
        session.shoot(moved(pattern(seed), 2 * k, 0), name=f"{folder}/off.jpg")
        session.shoot(moved(lit(pattern(seed)), 2 * k, 0), name=f"{folder}/on.jpg")
    found = placed_in(session.folder)
    assert [(p.stage, p.pair.on.rel) for p in found[:2]] == [
        ("coat-1", "coat-1/on.jpg"),
        ("coat-2", "coat-2/on.jpg"),
    ]
    assert found[0].view == found[1].view
    assert found[2].view == "stern"


def test_stages_in_the_names(session):
    for stage in ("coat-1", "coat-2", "primed"):
        session.shoot(pattern(7), name=f"port-{stage}-off.jpg")
        session.shoot(lit(pattern(7)), name=f"port-{stage}-on.jpg")
    assert told(placed_in(session.folder)) == [
        ("port", "coat-1", 1),
        ("port", "coat-2", 1),
        ("port", "primed", 1),
    ]


def test_what_a_file_of_pairs_states_is_taken(session):
    session.pair(8)
    session.pair(8, wait_s=60)
    given = [("bow", "bare"), ("bow", "")]
    assert told(placed_in(session.folder, given)) == [("bow", "bare", 1), ("bow", "test 1", 1)]
