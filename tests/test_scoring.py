"""The project's own score on hand-made masks, and on results made from the truth itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scene import ferry_scene, render, save_pair
from scoring import (
    Row,
    TrueLeak,
    Truth,
    leak_pixels,
    match,
    missed_all,
    outline_pixels,
    read_truth,
    score_pair,
    summarise,
    true_gain,
)
from skimage.measure import find_contours


@dataclass(frozen=True, eq=False)
class Spot:
    """A reported leak, as much of it as is scored."""

    x: float
    y: float
    outline: NDArray[np.float64]
    glow_px: float = 1.0
    kind: str = "pinhole"


def square(x: float, y: float, half: float, **more: object) -> Spot:
    """A square spot about a place."""
    corners = [(-half, -half), (half, -half), (half, half), (-half, half)]
    return Spot(x, y, np.add(corners, (x, y)), **more)  # type: ignore[arg-type]


def truth_of(*leaks: tuple[int, int, int, int], snr: float = 50.0, contrast: float = 0.5) -> Truth:
    """Leaks as filled boxes x0, y0, x1, y1 on a photo of 120 x 160 px, ids from 1."""
    labels = np.zeros((120, 160), np.uint16)
    found = []
    for k, (x0, y0, x1, y1) in enumerate(leaks, 1):
        labels[y0:y1, x0:x1] = k
        area = (x1 - x0) * (y1 - y0)
        centre = ((x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2)
        found.append(TrueLeak(k, "seam leak", snr, contrast, contrast * area, centre))
    points = np.array([[10.0, 10.0], [20.0, 30.0]])
    return Truth("hand", 8.0, "nudge", (0.5, 0.5, 0.5), tuple(found), labels, points, points + 2)


def scored(truth: Truth, *spots: Spot, shift: float = 2.0, gain: float = 0.5) -> Row:
    """The row of spots, with a registration that shifts and a gain for all channels."""
    return score_pair(
        truth, spots, mapped=truth.flow_on + shift, gain=(gain, gain, gain), seconds=1.0
    )


def test_an_outline_holds_the_pixels_inside_it() -> None:
    """By hand: a square of 3 px about pixel (10, 20) holds nine pixels."""
    pixels = outline_pixels(square(10, 20, 1.5).outline, (120, 160))
    rows, cols = np.unravel_index(pixels, (120, 160))
    assert sorted(set(rows)) == [19, 20, 21]
    assert sorted(set(cols)) == [9, 10, 11]
    assert len(pixels) == 9


@pytest.mark.parametrize(
    ("outline", "expected"),
    [
        ([[10.2, 20.1]], 1),  # a point lies in one pixel
        ([[10.0, 20.0], [12.0, 20.0]], 2),  # a line's corners lie in two
        ([[-50.0, -50.0], [-40.0, -50.0], [-40.0, -40.0]], 0),  # outside the photo
    ],
)
def test_outlines_that_are_hardly_there(outline: list[list[float]], expected: int) -> None:
    assert len(outline_pixels(np.array(outline), (120, 160))) == expected


def test_a_true_leak_is_widened_by_five_pixels() -> None:
    """By hand: a single pixel becomes a disc of 11 px across, about pi 5.5^2 = 95 px."""
    labels = np.zeros((40, 60), np.uint16)
    labels[20, 30] = 3
    rows, cols = np.unravel_index(leak_pixels(labels, 3), labels.shape)
    assert (rows.min(), rows.max(), cols.min(), cols.max()) == (15, 25, 25, 35)
    assert 80 < len(rows) < 100


def test_rules_of_matching_on_numbers() -> None:
    """By hand, on sets of 100 pixels: 30 % of the leak, 30 % of the outline, or together."""
    leak = np.arange(100)
    cases = {
        "covers 30 % of the leak": [np.arange(70, 300)],
        "holds 30 % of the outline": [np.arange(97, 107)],
        "too little of both": [np.arange(90, 200)],
        "together they cover it": [
            np.arange(80, 180),
            np.concatenate([np.arange(15), np.arange(200, 290)]),
        ],
        "beside it": [np.arange(100, 200)],
    }
    got = {name: match({1: leak}, spots) for name, spots in cases.items()}
    assert got["covers 30 % of the leak"] == ({1: [0]}, [])
    assert got["holds 30 % of the outline"] == ({1: [0]}, [])
    assert got["too little of both"] == ({1: []}, [])
    assert got["together they cover it"] == ({1: [0, 1]}, [])
    assert got["beside it"] == ({1: []}, [0])


def test_found_missed_false_and_split() -> None:
    """By hand: one leak found in two pieces, one missed, one false alarm far from both."""
    truth = truth_of((20, 20, 60, 24), (100, 80, 110, 90))
    row = scored(truth, square(28, 22, 7), square(50, 22, 7), square(20, 100, 4))
    assert (row.counted, row.found, row.false, row.reported) == (2, 1, 1, 3)
    assert row.split == (2,)
    assert row.false_at == ((20, 100),)
    assert row.missed_kinds == ("seam leak",)
    assert row.place_px == pytest.approx((np.hypot(39 - 39.5, 22 - 21.5),))


def test_faint_leaks_count_neither_way() -> None:
    """A true leak below the limits, reported or not, changes neither recall nor false alarms."""
    for weak in (truth_of((20, 20, 40, 30), snr=14.9), truth_of((20, 20, 40, 30), contrast=0.019)):
        for spots in ((), (square(30, 25, 5),)):
            row = scored(weak, *spots)
            assert (row.counted, row.found, row.false) == (0, 0, 0)


def test_kind_and_glow_of_a_group() -> None:
    """By hand: glows add up, the kind is that of the brightest piece."""
    truth = truth_of((20, 20, 60, 24))  # glow 0.5 x 160 = 80
    row = scored(
        truth,
        square(28, 22, 7, glow_px=30.0, kind="pinhole"),
        square(50, 22, 7, glow_px=70.0, kind="seam leak"),
    )
    assert row.glow_ratio == pytest.approx((1.25,))
    assert row.kinds == (("seam leak", "seam leak"),)


def test_registration_and_gain_are_held_against_the_truth() -> None:
    """By hand: a shift of (3, 3) for a true (2, 2) errs by sqrt 2; 0.45 for 0.5 by 10 %."""
    row = scored(truth_of(), shift=3.0, gain=0.45)
    assert row.registration_px == pytest.approx((np.sqrt(2), np.sqrt(2)))
    assert row.gain_error == pytest.approx(0.1)


def test_summary_adds_up_by_hand() -> None:
    truth = truth_of((20, 20, 60, 24), (100, 80, 110, 90))
    rows = [
        scored(truth, square(40, 22, 20, glow_px=160, kind="show-through"), square(20, 100, 4)),
        scored(
            truth,
            square(40, 22, 20, glow_px=80, kind="seam leak"),
            square(104.5, 84.5, 5, glow_px=25),
        ),
        missed_all(truth, why="do not line up", seconds=3.0),
    ]
    total = summarise(rows)
    assert total["recall"] == pytest.approx(3 / 6)  # a refused pair has missed its leaks
    assert (total["pairs"], total["refused"]) == (3, 1)
    assert total["false_per_pair"] == pytest.approx(0.5)
    assert total["pairs_with_false"] == 1
    assert total["reported_per_leak"] == 1
    assert total["glow_abs_log2_median"] == pytest.approx(1.0)  # of 1, 0 and 1
    assert total["kinds_right"] == pytest.approx(1 / 3)
    assert total["confusion"] == {
        "seam leak > missed": 3,
        "seam leak > pinhole": 1,
        "seam leak > seam leak": 1,
        "seam leak > show-through": 1,
    }
    assert total["registration_px_p95"] == {"nudge": pytest.approx(0.0)}
    assert total["seconds_median"] == 1.0


def test_summary_of_nothing_is_not_a_perfect_score() -> None:
    total = summarise([])
    for figure in ("recall", "place_px_p90", "glow_abs_log2_median", "kinds_right"):
        assert total[figure] is None


def test_gain_is_the_product_of_exposure_balance_and_room() -> None:
    """By hand: 0.5 x 1.1 x balance on / off."""
    stated = {
        "exposure": {"ratio_on_over_off": 0.5},
        "ambient_gain": 1.1,
        "white_balance": {"off": [1.0, 1.0, 0.8], "on": [1.2, 1.0, 1.0]},
    }
    assert true_gain(stated) == pytest.approx((0.66, 0.55, 0.6875))


@pytest.mark.parametrize("camera", ["tripod", "handheld"])
def test_the_truth_itself_scores_full_marks_and_silence_none(tmp_path: Path, camera: str) -> None:
    """Outlines traced by scikit-image round the true areas: all found, nothing else."""
    pair = render(ferry_scene(21, leaks=("seam leak", "pinhole", "show-through"), camera=camera))
    save_pair(pair, tmp_path)
    truth = read_truth(tmp_path)
    assert truth.camera == camera
    spots = []
    for leak in pair.leaks:
        padded = np.pad((pair.labels == leak.id).astype(float), 1)
        for contour in find_contours(padded, 0.5):
            share = 1 / len(find_contours(padded, 0.5))
            outline = contour[:, ::-1] - 1
            spots.append(Spot(*leak.centroid_px, outline, leak.glow_px * share, leak.kind))
    row = score_pair(truth, spots, mapped=pair.flow_off, gain=pair.scene.gain, seconds=0.0)
    assert row.counted == row.found == 3
    assert row.false == 0
    assert max(row.place_px) == pytest.approx(0, abs=1e-6)
    assert row.glow_ratio == pytest.approx([1.0] * len(row.glow_ratio))
    assert all(a == b for a, b in row.kinds)
    assert max(row.registration_px) < 1e-6
    assert row.gain_error == pytest.approx(0, abs=1e-9)
    silent = score_pair(truth, (), mapped=pair.flow_off, gain=pair.scene.gain, seconds=0.0)
    assert (silent.found, silent.false) == (0, 0)
    assert summarise([silent])["recall"] == 0
