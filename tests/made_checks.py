"""Hand-made results of the invented ferry "Heron", for the tests of what is made of a result."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from leakcheck.check import Check, ExposureMatch, Faintest, Limit, PhotoFacts
from leakcheck.colour import Colour
from leakcheck.diagnose import Leak
from leakcheck.lamps import Lamp
from leakcheck.lampwords import advise
from leakcheck.openings import Opening
from leakcheck.photo import Exposure, Photo
from leakcheck.register import Registration
from leakcheck.settings import Settings

WIDTH_PX = 1600
HEIGHT_PX = 1200

TOUCH_UP = "Dab it from inside with a brush, best with the lamps lit so that you see it go."
SPRAY = "Spray only outdoors or with extraction and wear a respirator. Let it cure."
POWER = "Switch the power off before you work inside. Foil tape conducts: insulate leads first."


def circle(x: float, y: float, radius: float, *, points: int = 24) -> np.ndarray:
    """A closed polygon round (x, y)."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def box(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def leak(number: int, outline: np.ndarray, **changes: object) -> Leak:
    """A pinhole with this outline, other fields as given."""
    x, y = outline.mean(axis=0)
    values: dict[str, object] = {
        "number": number,
        "kind": "pinhole",
        "x": float(x),
        "y": float(y),
        "outline": outline,
        "area_px": 42.0,
        "glow_px": 14.7123456,
        "contrast": 0.351234,
        "level": 0.0321234,
        "level_at_most": False,
        "clipped": False,
        "significance": 21.456789,
        "colour": "warm white",
        "rgb": (1.0, 0.83, 0.6),
        "length_px": 8.0,
        "width_px": 7.0,
        "noticeable": True,
        "doubtful": False,
        "where": 'above "bridge window 2", 12 mm away',
        "advice": TOUCH_UP,
        "caution": POWER,
    }
    return Leak(**{**values, **changes})  # type: ignore[arg-type]


def exposure() -> Exposure:
    return Exposure(1 / 30, 200.0, 1.8, datetime(2024, 11, 25, 20, 15), "Pocket 7")


def facts(name: str) -> PhotoFacts:
    return PhotoFacts(
        name, f"/photos/{name}", WIDTH_PX, HEIGHT_PX, exposure(), "ab12" * 16, 0.0123456
    )


def limit(**changes: object) -> Limit:
    values = Limit(
        pinhole_far=Faintest(0.0412, 0.0034),
        pinhole_near=Faintest(0.12, 0.0099),
        broad_far=Faintest(0.0061, 0.0005),
        broad_near=Faintest(0.025, 0.0021),
        near_px=84.0,
        limited_by="noise",
        blind_share=0.012,
    )
    return replace(values, **changes)  # type: ignore[arg-type]


def leaks() -> tuple[Leak, ...]:
    """A seam leak, two pinholes and a doubtful show-through."""
    wall_advice = (
        "Spray another blocking coat over the whole inside of this wall;"
        " when the glow stays, line it with foil tape."
    )
    return (
        leak(
            1,
            box(300, 700, 620, 712),
            kind="seam leak",
            contrast=14.2,
            level=0.31,
            where='below "saloon 3" to "saloon 7", 9 mm away',
            advice="Press the joint together and test again; if it stays, fill it from inside.",
            length_px=320.0,
            width_px=12.0,
            area_px=3840.0,
        ),
        leak(2, circle(900.4, 500.2, 4)),
        leak(3, circle(955, 520, 3), level=0.0089, contrast=0.06, noticeable=False),
        leak(
            4,
            circle(1200, 800, 90),
            kind="show-through",
            doubtful=True,
            level=0.0011,
            contrast=0.0123,
            noticeable=False,
            where='left of "stern lamp", 31 mm away',
            advice=wall_advice,
            caution=f"{SPRAY} {POWER}",
        ),
    )


def openings() -> tuple[Opening, ...]:
    windows = [
        Opening(f"saloon {i}", "window", (box(300 + 70 * i, 600, 350 + 70 * i, 660),), None)
        for i in range(1, 8)
    ]
    return (
        *windows,
        Opening("stern lamp", "beacon", (circle(1340, 700, 12),), "white"),
        Opening("bench label", "ignore", (box(100, 1050, 400, 1150),), None),
        Opening("hull", "model", (box(150, 350, 1450, 950),), None),
    )


WARM = Colour(0.4476, 0.4075, 2856.0, 0.0, 2857.0, 583.0, 0.6, "warm white", "white", True)
GREEN = Colour(0.25, 0.5, None, None, None, 530.0, 0.4, "green", "green", False)


def lamp(name: str, *findings: str, kind: str = "window", **changes: object) -> Lamp:
    """A window as it should be, or with these findings; other fields as given."""
    advice, caution = advise(findings, stops=1.5, expected="white", word="green", rim="red")  # type: ignore[arg-type]
    values: dict[str, object] = {
        "x": 395.0,
        "y": 630.0,
        "area_px": 3000.0,
        "lit": True,
        "level": 0.71,
        "stops_class": 0.1,
        "row": "window row 1",
        "stops_row": 0.1,
        "evenness": 0.71,
        "colour": WARM,
        "cct_from_median_k": 12.0,
        "mired_from_median": -1.4,
        "findings": findings,
        "advice": advice,
        "caution": caution,
    }
    return Lamp(name, kind, **{**values, **changes})  # type: ignore[arg-type]


def lamps() -> tuple[Lamp, ...]:
    """One for each window and beacon of `openings`: three faults, one blown out, four well."""
    dark = {"lit": False, "level": 0.001, "stops_class": None, "stops_row": None}
    nothing = {"evenness": None, "colour": None, "cct_from_median_k": None}
    white = {"expected": "white", "expected_met": False}
    blown = {"level_at_least": True, "clipped_share": 0.6, "stops_less_exposure": 1.5}
    return (
        lamp("saloon 1"),
        lamp("saloon 2", stops_class=-0.4),
        lamp("saloon 3", "dark", **dark, **nothing),
        lamp("saloon 4", colour=replace(WARM, cct_k=2700.0)),
        lamp("saloon 5", "dim", "uneven", stops_row=-1.34, evenness=0.31),
        lamp("saloon 6", evenness=0.55),
        lamp("saloon 7", "clipped", stops_row_bound="at least", **blown, **nothing),
        lamp("stern lamp", "wrong colour", kind="beacon", row=None, colour=GREEN, **white),
    )


def check(**changes: object) -> Check:
    """A leaking ferry; any field of the result as given."""
    values: dict[str, object] = {
        "off": facts("heron_off.jpg"),
        "on": facts("heron_on.jpg"),
        "leaks": leaks(),
        "spill": (
            leak(1, circle(1340, 990, 40), kind="spill", where='on the bench below "stern lamp"'),
        ),
        "likely_openings": (),
        "openings": openings(),
        "lamps": lamps(),
        "limit": limit(),
        "registration": Registration(
            homography=np.array([[1.0001234567, 0.001, 12.5], [0, 0.9998, -7.25], [1e-7, 0, 1]]),
            shift_px=None,
            shift_step_px=64.0,
            residual_px=0.41,
            overlap=0.973,
            points=812,
            how="edges of the hull",
        ),
        "exposure": ExposureMatch((0.81, 0.82, 0.84), 0.8, 0.05, 0.44),
        "window_level": 0.71,
        "window_clipped": False,
        "flare_share": 0.004,
        "mm_per_px": 0.25,
        "warnings": (),
        "photo_tips": ("Use a tripod: the photos line up, but not exactly.",),
        "settings": Settings(length_mm=325.0),
        "glow": None,
    }
    return Check(**{**values, **changes})  # type: ignore[arg-type]


def tight(**changes: object) -> Check:
    """A ferry without a leak."""
    return check(**{"leaks": (), "spill": (), **changes})


def photo(encoded: np.ndarray, *, name: str = "heron_on.jpg", path: Path | None = None) -> Photo:
    """A photo in memory, coded as sRGB (IEC 61966-2-1)."""
    top = np.iinfo(encoded.dtype).max
    value = np.arange(top + 1) / top
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return Photo(
        name=name,
        path=path,
        encoded=encoded,
        decode=np.repeat(linear[None].astype(np.float32), 3, axis=0),
        to_srgb=np.eye(3, dtype=np.float32),
        exposure=exposure(),
        content_hash="ab12" * 16,
    )
