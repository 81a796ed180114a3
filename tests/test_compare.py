"""Comparing tests of one model: states, densities, scales, places, on drawn scenes and by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from made_checks import leak as made_leak
from scene import camera_move, ferry_scene, render, reposed, save_pair

from leakcheck.compare import Comparison, compare, compared
from leakcheck.compare_inputs import openings_for, read_pairs, stage_files
from leakcheck.errors import OpeningsError, PhotoError, UsageError
from leakcheck.forced import Amount
from leakcheck.stages import Stage, backwards, checked_stages, way
from leakcheck.states import between

SIZE = (1100, 780)
KINDS = ("seam leak", "show-through", "pinhole", "seam leak", "pinhole")
# Factors on the light of each leak after the coat: gone, a density of 0.6, of 0.3, unchanged;
# the last is new.
AFTER = (0.0, 10**-0.6, 10**-0.3, 1.0, None)


def drawn_stages():
    """Two scenes of one ferry before and after a coat, set down anew between them."""
    scene = ferry_scene(
        2, ambient=8.0, leaks=KINDS, contrast=(0.7, 0.9), size=SIZE, camera="tripod"
    )
    before = replace(scene, leaks=scene.leaks[:4])
    after = tuple(
        replace(leak, level=leak.level * (1.0 if factor is None else factor))
        for leak, factor in zip(scene.leaks, AFTER, strict=True)
    )
    moved = reposed(
        replace(scene, leaks=after, seed=scene.seed + 1),
        camera_move("handheld", size=SIZE, seed=8),
    )
    return before, moved


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Both stages as photos on the disk, with their truth."""
    root = tmp_path_factory.mktemp("ferry")
    pairs = [render(scene) for scene in drawn_stages()]
    for name, pair in zip(("coat-1", "coat-2"), pairs, strict=True):
        save_pair(pair, root / name)
    return root, pairs


def stages_of(folders, names) -> tuple[Stage, ...]:
    root, _ = folders
    files = stage_files([root / name for name in names])
    pairs = read_pairs(files)
    shapes, base = openings_for(root / names[0] / "openings.svg", files, pairs)
    stages = checked_stages(pairs, shapes, base=base)
    by_name = dict(zip(("coat-1", "coat-2"), folders[1], strict=True))
    return tuple(
        with_true_leaks(stage, by_name[name]) for stage, name in zip(stages, names, strict=True)
    )


@pytest.fixture(scope="module")
def forth(folders) -> Comparison:
    return compared(stages_of(folders, ("coat-1", "coat-2")))


@pytest.fixture(scope="module")
def back(folders) -> Comparison:
    return compared(stages_of(folders, ("coat-2", "coat-1")))


def with_true_leaks(stage: Stage, pair) -> Stage:
    """A checked stage that found exactly the drawn leaks: the comparison is tested by itself."""
    leaks = []
    for true in pair.leaks:
        rows, cols = np.nonzero(pair.labels == true.id)
        if not len(rows):
            continue
        points = np.column_stack([cols, rows]).astype(np.int32)
        outline = cv2.convexHull(points).reshape(-1, 2).astype(float)
        kind = next(k.kind for k in pair.scene.leaks if k.id == true.id)
        extent = np.ptp(outline, axis=0)
        leaks.append(
            made_leak(
                len(leaks) + 1,
                outline,
                x=float(cols.mean()),
                y=float(rows.mean()),
                kind=kind,
                contrast=true.contrast,
                significance=true.snr,
                length_px=float(extent.max()),
                width_px=float(extent.min()),
            )
        )
    return replace(stage, check=replace(stage.check, leaks=tuple(leaks), spill=()))


def change_of(comparison: Comparison, pair, number: int, side: str):
    """The change whose place in a test is nearest to a drawn leak's true centre."""
    rows, cols = np.nonzero(pair.labels == number)
    x, y = cols.mean(), rows.mean()
    found = [c for c in comparison.changes if getattr(c, side) is not None]
    near = min(found, key=lambda c: math.hypot(getattr(c, side).x - x, getattr(c, side).y - y))
    assert math.hypot(getattr(near, side).x - x, getattr(near, side).y - y) < 20
    return near


def test_states_of_a_drawn_model(folders, forth):
    """Truth: the factors that the scene was drawn with; 0.3 of density is two errors from 0.09."""
    _, (before, after) = folders
    assert change_of(forth, before, 1, "before").state == "gone"
    assert change_of(forth, before, 2, "before").state == "fainter"
    assert change_of(forth, before, 3, "before").state == "fainter"
    assert change_of(forth, before, 4, "before").state == "unchanged"
    assert change_of(forth, after, 5, "after").state == "new"
    assert len(forth.changes) == 5


def test_what_a_test_alone_could_not_tell_its_change_tells(folders):
    """A coat changes a leak and not spill: four of the five drawn ones change, all doubtful."""
    stages = tuple(
        replace(
            stage,
            check=replace(
                stage.check, leaks=tuple(replace(k, doubtful=True) for k in stage.check.leaks)
            ),
        )
        for stage in stages_of(folders, ("coat-1", "coat-2"))
    )
    found = compared(stages)
    assert sorted(c.state for c in found.changes) == ["fainter", "fainter", "gone", "new"]
    assert found.per_coat is None  # a paint's density is told by leaks that are sure


def test_densities_of_a_drawn_model(folders, forth):
    """Truth: the factors; 0.06 is what two poses, a lens and two JPEGs leave (15 % of light)."""
    _, (before, _) = folders
    for number, density in ((2, 0.6), (3, 0.3), (4, 0.0)):
        change = change_of(forth, before, number, "before")
        assert change.density == pytest.approx(density, abs=0.06)
        assert abs(change.density - density) < 3 * change.density_error


def test_swapped_tests_swap_their_states(folders, forth, back):
    """Gone and new swap, densities change sign: log10(b / a) = -log10(a / b)."""
    _, (before, after) = folders
    assert change_of(back, before, 1, "after").state == "new"
    assert change_of(back, after, 5, "before").state == "gone"
    assert change_of(back, before, 4, "after").state == "unchanged"
    for number in (2, 3):
        there = change_of(forth, before, number, "before")
        again = change_of(back, before, number, "after")
        assert again.state == "brighter"
        # Each way is registered by itself, and weighted by the leak as its finder shows it.
        assert again.density == pytest.approx(-there.density, abs=0.05)


def test_one_pair_as_both_stages_is_unchanged(folders):
    """The same photos twice: every leak unchanged with density 0, nothing new, nothing gone."""
    same = compared(stages_of(folders, ("coat-1", "coat-1")))
    assert same.changes
    assert {change.state for change in same.changes} == {"unchanged"}
    assert all(change.density == pytest.approx(0, abs=1e-6) for change in same.changes)


def test_a_leak_that_the_second_check_missed_is_measured(folders, forth):
    """The second check is made blind; states must not change, for they rest on measurement.

    The place is where the scene was moved to: within the registration's residual, a third of a
    px, and half a px of the label's edge.
    """
    _, (before, after) = folders
    first, second = forth.stages
    blind = compared((first, replace(second, check=replace(second.check, leaks=()))))
    for number, state in ((1, "gone"), (2, "fainter"), (3, "fainter"), (4, "unchanged")):
        change = change_of(blind, before, number, "before")
        assert change.state == state
        if change.after is not None:
            assert not change.after.found
            rows, cols = np.nonzero(after.labels == number)
            assert math.hypot(change.after.x - cols.mean(), change.after.y - rows.mean()) < 1.5


def test_way_back_undoes_the_way(folders, forth):
    """Calculus: a map and its inverse leave every point where it was."""
    there, again = way(forth.stages, 0, 1), way(forth.stages, 1, 0)
    points = np.array([[300.0, 300.0], [700.5, 450.25], [520.0, 610.0]])
    assert again(there(points)) == pytest.approx(points, abs=0.05)
    assert way(forth.stages, 1, 1) is None
    assert backwards(forth.stages[1].from_base, there(points)) == pytest.approx(points, abs=0.05)


def test_coats_needed_follow_from_density(forth):
    """Hand calculation: coats = log10(contrast left / 0.02) / density of a coat, rounded up."""
    for change in forth.changes:
        if change.state != "fainter":
            continue
        left = change.course[-1].contrast
        if left < forth.noticeable:
            assert change.coats_needed == 0
        else:
            assert change.coats_needed == math.ceil(math.log10(left / 0.02) / change.per_coat)


def test_more_coats_between_share_the_density(folders, forth):
    """Beer-Lambert: two coats of half the density each; the total does not change."""
    two = compared(forth.stages, coats=2)
    for one, half in zip(forth.changes, two.changes, strict=True):
        assert one.density == half.density
        if one.per_coat is not None:
            assert half.per_coat == pytest.approx(one.per_coat / 2)


def amount(contrast: float, sigma: float = 0.002) -> Amount:
    return Amount(contrast, sigma)


def judged(before: Amount, after: Amount, found=(True, True), scale_error: float = 0.02):
    return between(before, after, found=found, scale_error=scale_error, noticeable=0.02)


@pytest.mark.parametrize(
    ("before", "after", "found", "state"),
    [
        (amount(0.2), amount(0.2), (True, True), "unchanged"),
        (amount(0.2), amount(0.1), (True, True), "fainter"),
        (amount(0.2), amount(0.4), (True, True), "brighter"),
        (amount(0.2), amount(0.001), (True, False), "gone"),
        (amount(0.001), amount(0.2), (False, True), "new"),
        # Measured where no check found it: fainter, not gone.
        (amount(0.2), amount(0.05), (True, False), "fainter"),
        # The second photo is so much worse that the leak may still be there.
        (amount(0.2), amount(0.05, 0.1), (True, False), "cannot tell"),
        (amount(0.05, 0.1), amount(0.2), (False, True), "cannot tell"),
        # Certainly less, not certainly halved.
        (amount(0.2), amount(0.02, 0.05), (True, False), "fainter"),
        # Both seen, but too rough to say that nothing changed.
        (amount(0.2, 0.05), amount(0.2, 0.05), (True, True), "cannot tell"),
    ],
)
def test_state_by_measurement(before, after, found, state):
    """By hand: 0.2 against 0.1 is a density of 0.30; three sigma are seen, two are sure."""
    assert judged(before, after, found).state == state


def test_nothing_sure_in_either_test_is_no_change():
    """Both below three sigma: not listed."""
    assert judged(amount(0.004), amount(0.003)) is None


def test_gone_states_what_is_certain():
    """Hand calculation: at most 0.001 + 2 x 0.002 is left of 0.2, on a scale good to 0.02."""
    result = judged(amount(0.2), amount(0.001), (True, False))
    assert result.at_least
    assert result.density == pytest.approx(math.log10(0.2 / 0.005) - 0.04)


def test_scale_is_the_room_light_where_nothing_changed(forth):
    """The scene is drawn with the same room light and lamps in both stages."""
    assert forth.scale.room == pytest.approx(0, abs=0.03)


def test_darker_room_is_told_by_the_windows(folders, tmp_path):
    """Drawn: the room at 0.7 of its light in the second stage, windows not clipped.

    Without the windows every leak would look 0.155 brighter than it is (log10 of 0.7).
    """
    before, after = drawn_stages()
    dim = 0.7
    scenes = [
        replace(s, exposure_ratio=0.35, leaks=before.leaks if k == 0 else after.leaks)
        for k, s in enumerate((before, after))
    ]
    scenes[1] = replace(
        scenes[1],
        ambient=scenes[1].ambient / dim,
        hull_light=scenes[1].hull_light * dim,
    )
    for name, scene in zip(("one", "two"), scenes, strict=True):
        save_pair(render(scene), tmp_path / name)
    files = stage_files([tmp_path / "one", tmp_path / "two"])
    pairs = read_pairs(files)
    shapes, base = openings_for(tmp_path / "one" / "openings.svg", files, pairs)
    result = compare(pairs, shapes, base=base)
    assert result.scale.by == "windows"
    assert result.scale.room == pytest.approx(math.log10(dim), abs=0.03)


def test_coats_below_one_are_refused(folders):
    root, _ = folders
    pairs = read_pairs(stage_files([root / "coat-1", root / "coat-2"]))
    with pytest.raises(UsageError, match="--coats must be 1 or more"):
        compare(pairs, coats=0)


def test_one_stage_is_refused(folders):
    root, _ = folders
    with pytest.raises(UsageError, match="two stages"):
        stage_files([root / "coat-1"])


def test_photos_come_in_pairs(folders):
    root, _ = folders
    photos = [root / c / f"{p}.jpg" for c in ("coat-1", "coat-2") for p in ("off", "on")]
    files = stage_files(photos)
    assert [(f.off.parent.name, f.on.name) for f in files] == [
        ("coat-1", "on.jpg"),
        ("coat-2", "on.jpg"),
    ]
    assert len({f.name for f in files}) == 2
    with pytest.raises(UsageError, match="no second photo"):
        stage_files(photos[:3])


def test_folder_without_a_pair_is_named(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(PhotoError, match="empty holds no pair"):
        stage_files([tmp_path / "empty", tmp_path / "empty"])


def test_result_folder_names_its_photos(folders, tmp_path):
    """A folder that check wrote holds no photos; the result says where they are."""
    root, _ = folders
    stages = stages_of(folders, ("coat-1", "coat-2"))
    for stage in stages:
        (tmp_path / stage.name).mkdir()
        text = json.dumps(stage.check.to_dict())
        (tmp_path / stage.name / "result.json").write_text(text, encoding="utf-8")
    files = stage_files([tmp_path / "coat-1", tmp_path / "coat-2" / "result.json"])
    assert [f.on for f in files] == [root / "coat-1" / "on.jpg", root / "coat-2" / "on.jpg"]
    pairs = read_pairs(files)
    shapes, base = openings_for(None, files, pairs)
    assert base == 0
    assert len(shapes.shapes) == len(stages[0].check.openings)


def test_result_whose_photos_are_gone_is_refused(tmp_path):
    (tmp_path / "old").mkdir()
    text = json.dumps({"format": "leakcheck check", "photos": {"off": {"name": "a_off.jpg"}}})
    (tmp_path / "old" / "result.json").write_text(text, encoding="utf-8")
    with pytest.raises(PhotoError, match=r"a_off\.jpg, which is not there"):
        stage_files([tmp_path / "old", tmp_path / "old"])


def test_openings_of_another_stage_start_there(folders, tmp_path):
    """A file that links the second stage's photo belongs to it."""
    root, _ = folders
    svg = (root / "coat-2" / "openings.svg").read_text("utf-8")
    size = f'width="{SIZE[0]}" height="{SIZE[1]}"'
    linked = svg.replace("<style>", f'<image href="on.jpg" {size}/><style>', 1)
    (root / "coat-2" / "linked.svg").write_text(linked, encoding="utf-8")
    files = stage_files([root / "coat-1", root / "coat-2"])
    _, base = openings_for(root / "coat-2" / "linked.svg", files, read_pairs(files))
    assert base == 1


def test_broken_openings_in_a_result_are_named(folders, tmp_path):
    root, _ = folders
    files = stage_files([root / "coat-1", root / "coat-2"])
    pairs = read_pairs(files)
    result = tmp_path / "result.json"
    photos = {"on": {"content_hash": pairs[0].on.content_hash}}
    broken = {"format": "leakcheck check", "photos": photos, "openings": [{"name": "w"}]}
    result.write_text(json.dumps(broken), encoding="utf-8")
    files[0] = replace(files[0], result=result)
    with pytest.raises(OpeningsError, match=r"result\.json holds openings"):
        openings_for(None, files, pairs)
