"""How well a check did on a pair whose leaks are known: matching, figures, summary.

A true leak counts where it can be asked for: snr >= SNR_COUNTED and contrast >= CONTRAST_COUNTED.
Fainter ones count neither as missed nor, when reported, as false. A refused pair has missed all
its leaks: recall must not rise by refusing.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scene_draw import coverage

SNR_COUNTED = 15.0
CONTRAST_COUNTED = 0.02
SNR_MEASURED = 30.0  # below, a leak's own noise spoils its glow
REACH_PX = 5  # a true leak's mask is widened by this before it is compared
SHARE_NEEDED = 0.3  # of the widened mask covered, or of one outline held, to count as found

KINDS = ("pinhole", "seam leak", "show-through", "side glow", "open hole")
# Words that sets of pairs use for the same kinds.
KIND_OF = {kind: kind for kind in KINDS} | {
    "seam": "seam leak",
    "crevice": "seam leak",
    "thin_wall": "show-through",
    "side_glow": "side glow",
    "open_hole": "open hole",
    "hole": "open hole",
}

Pixels = NDArray[np.intp]  # flat indices into the lights-on photo, sorted


class Reported(Protocol):
    """What is scored of a reported leak: a part of leakcheck's Leak."""

    @property
    def kind(self) -> str: ...
    @property
    def x(self) -> float: ...
    @property
    def y(self) -> float: ...
    @property
    def glow_px(self) -> float: ...
    @property
    def outline(self) -> NDArray[np.float64]: ...


@dataclass(frozen=True)
class TrueLeak:
    """One leak as a set states it."""

    id: int
    kind: str  # leakcheck's word
    snr: float
    contrast: float  # added / room-lit luminance, mean over its area
    glow_px: float  # the same, summed over its area
    centroid_px: tuple[float, float]  # x, y in the lights-on photo

    @property
    def counted(self) -> bool:
        """Whether it can be asked for."""
        return self.snr >= SNR_COUNTED and self.contrast >= CONTRAST_COUNTED


@dataclass(frozen=True, eq=False)
class Truth:
    """What is known about one pair."""

    name: str
    ambient: float  # median window / room-lit model
    camera: str  # tripod, nudge or handheld
    gain: tuple[float, float, float]  # lights-on / lights-off per channel
    leaks: tuple[TrueLeak, ...]
    labels: NDArray[np.uint16]  # (rows, cols) of the lights-on photo: id of the leak, 0 elsewhere
    flow_on: NDArray[np.float64]  # (n, 2): points on the model in the lights-on photo
    flow_off: NDArray[np.float64]  # (n, 2): the same points in the lights-off photo


@dataclass(frozen=True)
class Row:
    """The figures of one pair."""

    name: str
    ambient: float
    camera: str
    counted: int  # true leaks that can be asked for
    found: int
    missed_kinds: tuple[str, ...]
    false: int  # reported leaks that touch no true one
    false_at: tuple[tuple[int, int], ...]
    reported: int
    split: tuple[int, ...]  # reported leaks per found leak
    place_px: tuple[float, ...]  # distance of centroids per found leak
    glow_ratio: tuple[float, ...]  # reported / true per found leak with snr >= SNR_MEASURED
    kinds: tuple[tuple[str, str], ...]  # true and reported kind per found leak
    registration_px: tuple[float, ...]  # error at each point of the model
    gain_error: float | None  # worst channel, reported / true - 1
    seconds: float
    refused: str | None = None  # why there is no result


def read_truth(folder: Path, *, name: str | None = None) -> Truth:
    """The truth of one pair's folder: truth.json, leaks.png, and flow.npz where there is one."""
    stated = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    labels = cv2.imread(str(folder / "leaks.png"), cv2.IMREAD_UNCHANGED)
    if labels is None:
        raise FileNotFoundError(f"{folder / 'leaks.png'} cannot be read")
    leaks = tuple(
        TrueLeak(
            leak["id"],
            KIND_OF[leak["kind"]],
            leak["snr"],
            leak["contrast"],
            leak.get("glow_px", leak["contrast"] * leak["visible_area_px"]),
            (leak["centroid_px"][0], leak["centroid_px"][1]),
        )
        for leak in stated["leaks"]
        if (labels == leak["id"]).any()
    )
    flow_on = flow_off = np.zeros((0, 2))
    if (folder / "flow.npz").exists():
        with np.load(folder / "flow.npz") as flow:
            seen = flow["visible"].astype(bool)
            flow_on, flow_off = flow["on"][seen].astype(float), flow["off"][seen].astype(float)
    return Truth(
        name or folder.name,
        float(stated["ambient_ratio"]),
        stated["camera_class"],
        true_gain(stated),
        leaks,
        np.asarray(labels, np.uint16),
        flow_on,
        flow_off,
    )


def true_gain(stated: dict[str, Any]) -> tuple[float, float, float]:
    """Lights-on / lights-off per channel: stated, or the product of what is."""
    if "gain" in stated:
        r, g, b = stated["gain"]
        return float(r), float(g), float(b)
    balance = stated["white_balance"]
    total = stated["exposure"]["ratio_on_over_off"] * stated.get("ambient_gain", 1.0)
    r, g, b = np.divide(balance["on"], balance["off"]) * total
    return float(r), float(g), float(b)


def outline_pixels(outline: NDArray[np.float64], shape: tuple[int, int]) -> Pixels:
    """Pixels at least half inside a closed polygon; if none is, those that its corners lie in."""
    corners = np.asarray(outline, float).reshape(-1, 2)
    inside = np.zeros(shape, bool)
    if len(corners) > 2:
        window, cover = coverage(corners, shape)
        inside[window] = cover >= 0.5
    if not inside.any():
        x, y = np.round(corners).astype(int).T
        on_photo = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
        inside[y[on_photo], x[on_photo]] = True
    return np.flatnonzero(inside)


def leak_pixels(labels: NDArray[np.uint16], leak_id: int) -> Pixels:
    """A true leak's pixels, widened by REACH_PX."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * REACH_PX + 1,) * 2)
    return np.flatnonzero(cv2.dilate((labels == leak_id).astype(np.uint8), disc))


def common(a: Pixels, b: Pixels) -> int:
    """How many pixels two sets share."""
    return int(np.intersect1d(a, b, assume_unique=True).size)


def match(
    true: dict[int, Pixels], reported: Sequence[Pixels]
) -> tuple[dict[int, list[int]], list[int]]:
    """Which reported leaks are which true ones.

    Returns: for each true leak the places in `reported` that stand for it, none where it was
    missed; and the places of those that touch no true leak at all.
    """
    shared = {i: [common(pixels, r) for r in reported] for i, pixels in true.items()}
    standing: dict[int, list[int]] = {}
    for i, pixels in true.items():
        need = SHARE_NEEDED * len(pixels)
        strong = [
            k
            for k, n in enumerate(shared[i])
            if n and (n >= need or n >= SHARE_NEEDED * len(reported[k]))
        ]
        touching = [k for k, n in enumerate(shared[i]) if n]
        if not strong and touching:
            covered = np.unique(np.concatenate([reported[k] for k in touching]))
            strong = touching if common(pixels, covered) >= need else []
        standing[i] = strong
    false = [k for k in range(len(reported)) if not any(shared[i][k] for i in true)]
    return standing, false


def missed_all(truth: Truth, *, why: str, seconds: float) -> Row:
    """The row of a pair that was refused."""
    kinds = tuple(leak.kind for leak in truth.leaks if leak.counted)
    return Row(
        truth.name,
        truth.ambient,
        truth.camera,
        counted=len(kinds),
        found=0,
        missed_kinds=kinds,
        false=0,
        false_at=(),
        reported=0,
        split=(),
        place_px=(),
        glow_ratio=(),
        kinds=(),
        registration_px=(),
        gain_error=None,
        seconds=seconds,
        refused=why,
    )


def score_pair(
    truth: Truth,
    leaks: Sequence[Reported],
    *,
    mapped: NDArray[np.float64],
    gain: Sequence[float],
    seconds: float,
) -> Row:
    """The figures of one measured pair.

    Args:
        mapped: (n, 2), `truth.flow_on` as the check's registration maps it to the lights-off photo.
        gain: lights-on / lights-off per channel as the check found it.
    """
    shape = truth.labels.shape[0], truth.labels.shape[1]
    pixels = [outline_pixels(leak.outline, shape) for leak in leaks]
    standing, false = match({t.id: leak_pixels(truth.labels, t.id) for t in truth.leaks}, pixels)
    counted = [t for t in truth.leaks if t.counted]
    found = [t for t in counted if standing[t.id]]
    place, glow, kinds = [], [], []
    for t in found:
        group = [leaks[k] for k in standing[t.id]]
        weight = np.array([max(len(pixels[k]), 1) for k in standing[t.id]], float)
        x, y = (np.average([getattr(g, axis) for g in group], weights=weight) for axis in "xy")
        place.append(float(np.hypot(x - t.centroid_px[0], y - t.centroid_px[1])))
        total = sum(g.glow_px for g in group)
        if t.snr >= SNR_MEASURED and total > 0:
            glow.append(float(total / t.glow_px))
        kinds.append((t.kind, max(group, key=lambda g: g.glow_px).kind))
    return Row(
        truth.name,
        truth.ambient,
        truth.camera,
        counted=len(counted),
        found=len(found),
        missed_kinds=tuple(t.kind for t in counted if not standing[t.id]),
        false=len(false),
        false_at=tuple((round(leaks[k].x), round(leaks[k].y)) for k in false),
        reported=len(leaks),
        split=tuple(len(standing[t.id]) for t in found),
        place_px=tuple(place),
        glow_ratio=tuple(glow),
        kinds=tuple(kinds),
        registration_px=tuple(float(d) for d in np.hypot(*(mapped - truth.flow_off).T)),
        gain_error=float(np.abs(np.divide(gain, truth.gain) - 1).max()),
        seconds=seconds,
    )


def percentile(values: Iterable[float], share: float) -> float | None:
    """A percentile, None of nothing."""
    held = list(values)
    return float(np.percentile(held, share)) if held else None


def registration_figures(rows: Sequence[Row]) -> dict[str, dict[str, float | None]]:
    """Registration error by camera, 95th percentile: of all points, and of the worst pair."""
    pooled: dict[str, float | None] = {}
    worst: dict[str, float | None] = {}
    for camera in sorted({r.camera for r in rows}):
        errors = [r.registration_px for r in rows if r.camera == camera and r.registration_px]
        pooled[camera] = percentile((d for pair in errors for d in pair), 95)
        worst[camera] = max((float(np.percentile(pair, 95)) for pair in errors), default=None)
    return {"registration_px_p95": pooled, "registration_px_p95_worst_pair": worst}


def summarise(rows: Sequence[Row]) -> dict[str, Any]:
    """All rows in one set of figures; a figure that nothing speaks for is None."""
    counted, found = sum(r.counted for r in rows), sum(r.found for r in rows)
    measured = [r for r in rows if r.refused is None]
    kinds = [pair for r in rows for pair in r.kinds]
    logs = [abs(float(np.log2(g))) for r in rows for g in r.glow_ratio]
    gain_errors = [r.gain_error for r in measured if r.gain_error is not None]
    confusion = Counter(kinds) + Counter((k, "missed") for r in rows for k in r.missed_kinds)
    return {
        "pairs": len(rows),
        "refused": len(rows) - len(measured),
        "counted": counted,
        "found": found,
        "recall": found / counted if counted else None,
        "false_per_pair": sum(r.false for r in measured) / max(len(measured), 1),
        "pairs_with_false": sum(r.false > 0 for r in measured),
        "reported_per_leak": mean(s for r in rows for s in r.split),
        "place_px_median": percentile((p for r in rows for p in r.place_px), 50),
        "place_px_p90": percentile((p for r in rows for p in r.place_px), 90),
        "glow_abs_log2_median": percentile(logs, 50),
        "glow_ratio_median": percentile((g for r in rows for g in r.glow_ratio), 50),
        **registration_figures(measured),
        "kinds_right": sum(a == b for a, b in kinds) / len(kinds) if kinds else None,
        "confusion": {f"{a} > {b}": n for (a, b), n in sorted(confusion.items())},
        "gain_error_median": percentile(gain_errors, 50),
        "gain_error_worst": percentile(gain_errors, 100),
        "seconds_median": percentile((r.seconds for r in rows), 50),
    }


def mean(values: Iterable[float]) -> float | None:
    """A mean, None of nothing."""
    held = list(values)
    return float(np.mean(held)) if held else None
