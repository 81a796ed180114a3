"""Openings before and after: a changed LED, a diffuser, paint on an insert."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from leakcheck.lamps import Lamp
from leakcheck.stages import Stage

Bound = Literal["", "at least", "at most"]

LEVEL_STOPS = 0.5  # below, two poses and exposures differ by as much
EVENNESS = 0.15  # of U0
COLOUR_MIRED = 35.0  # 2700 K and 3000 K lamps are 37 mired apart


@dataclass(frozen=True)
class LampChange:
    """An opening whose light changed."""

    name: str
    kind: str
    stops: (
        float | None
    )  # log2 of its light, after / before, against the median opening; None: unknown
    evenness_before: float | None
    evenness_after: float | None
    colour_before: str | None
    colour_after: str | None
    mired: float | None  # warmer above 0
    words: str  # what changed, in a few words


def lamp_changes(first: Stage, last: Stage) -> tuple[LampChange, ...]:
    """The openings that changed between two tests, by name.

    Their light is compared with that of all openings: if all change alike, it is the exposure.
    """
    after = {lamp.name: lamp for lamp in last.check.lamps}
    pairs = [(lamp, after[lamp.name]) for lamp in first.check.lamps if lamp.name in after]
    gains = [
        math.log2(new.level / old.level)
        for old, new in pairs
        if old.lit and new.lit and old.level and new.level and not _clipped(old, new)
    ]
    usual = sorted(gains)[len(gains) // 2] if len(gains) >= 3 else None
    found = [_changed(old, new, usual) for old, new in pairs]
    return tuple(change for change in found if change is not None)


def _clipped(old: Lamp, new: Lamp) -> bool:
    return old.level_at_least or new.level_at_least


def _changed(old: Lamp, new: Lamp, usual: float | None) -> LampChange | None:
    """What changed of one opening; None where nothing did that could be told."""
    words = []
    stops = None
    if old.lit != new.lit and old.area_px and new.area_px:
        words.append("dark now" if old.lit else "lit now")
    elif usual is not None and old.lit and old.level and new.level and not _clipped(old, new):
        stops = math.log2(new.level / old.level) - usual
        if abs(stops) >= LEVEL_STOPS:
            words.append(f"{abs(stops):.1f} stops {'brighter' if stops > 0 else 'darker'}")
    if old.evenness is not None and new.evenness is not None:
        step = new.evenness - old.evenness
        if abs(step) >= EVENNESS:
            words.append("more even" if step > 0 else "less even")
    mired = None
    names = [None if lamp.colour is None else lamp.colour.word for lamp in (old, new)]
    if old.colour and new.colour and old.colour.cct_k and new.colour.cct_k:
        mired = 1e6 / new.colour.cct_k - 1e6 / old.colour.cct_k
        if abs(mired) >= COLOUR_MIRED:
            words.append("warmer" if mired > 0 else "colder")
    elif None not in names and names[0] != names[1]:
        words.append(f"{names[1]} instead of {names[0]}")
    if not words:
        return None
    return LampChange(
        old.name, old.kind, stops, old.evenness, new.evenness, names[0], names[1], mired,
        ", ".join(words),
    )  # fmt: skip
