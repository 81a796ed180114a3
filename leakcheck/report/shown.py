"""What a picture, a table or a page shows of lists that can be long: the rest is in the JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from leakcheck.diagnose import Leak

# Spill is light that is where it belongs: what matters of it is where a leak could hide in it.
MOST_SPILL = 6
# A train or a house front has dozens of windows: their outlines say enough.
MOST_NUMBERED_OPENINGS = 12


def spill_shown(spill: Sequence[Leak]) -> list[Leak]:
    """The spill worth a look, strongest first: the doubtful; where none is, the strongest few."""
    doubtful = [leak for leak in spill if leak.doubtful]
    return (doubtful or list(spill))[:MOST_SPILL]


def openings_numbered(likely: Sequence[Leak]) -> list[Leak]:
    """The likely openings that get a number, in their order: the largest."""
    largest = sorted(likely, key=lambda leak: -leak.area_px)[:MOST_NUMBERED_OPENINGS]
    return sorted(largest, key=lambda leak: leak.number)
