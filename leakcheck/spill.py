"""Leak or spill: does a region look like light that comes out, or like light that falls on?

Spill takes the shape of the surface that it falls on: it ends at the surface's edges, goes on
beside the region at about the same strength, and follows things that stand out of the surface by
themselves. A leak has a shape of its own. No single sign decides; each gives evidence, and the
evidence is added up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from leakcheck.group import grouped
from leakcheck.regions import Region

LEAK_FROM = 0.0  # evidence from which a region is reported as a leak
DOUBTFUL_FROM = -1.5  # evidence from which it is listed as spill that may be a leak


@dataclass(frozen=True, eq=False)
class Sorted:
    """A region and what it was taken for."""

    region: Region
    leak: bool
    doubtful: bool  # nearly the other


def sort_out(regions: list[Region], *, window_level: float) -> tuple[list[Sorted], list[Sorted]]:
    """Leaks and spill, each grouped into what belongs together, strongest first.

    Args:
        regions: all places of a pair where light shows.
        window_level: linear light of the median window.
    """
    judged = [(evidence(region, window_level), region) for region in regions]
    leaks = grouped([region for value, region in judged if value >= LEAK_FROM])
    spill = grouped([region for value, region in judged if value < LEAK_FROM])
    return [Sorted(region, leak=True, doubtful=False) for region in leaks], [
        Sorted(region, leak=False, doubtful=evidence(region, window_level) >= DOUBTFUL_FROM)
        for region in spill
    ]


def evidence(region: Region, window_level: float) -> float:
    """Evidence that a region is a leak, in units of a logarithm of odds; below 0 it is spill.

    Args:
        region: as measured.
        window_level: linear light of the median window.
    """
    signs = signs_of(region, window_level)
    return BIAS + sum(WEIGHTS[name] * value for name, value in signs.items())


def signs_of(region: Region, window_level: float) -> dict[str, float]:
    """The signs that are looked at, each a number without unit."""
    return {
        "significance": math.log(max(region.spot.significance, 1.0)),
        "ring": min(max(region.ring_ratio, 0.0), 1.5),
        "edge": region.edge_share,
        "step": min(abs(math.log(max(region.step, 0.05))), 2.0),
        "halo": min(max(math.log(max(region.halo_ratio, 0.01)), -4.0), 3.0),
        "contrast": min(max(math.log(max(region.contrast, 1e-3)), -6.0), 4.0),
        "level": min(max(math.log(max(region.peak / window_level, 1e-4)), -8.0), 1.0),
        "growth": math.log(max(region.growth, 1.0)),
        "near": math.log(max(region.opening_px, 3.0)),
        "touch": region.touches_opening,
        "width": math.log(max(region.width, 1.0)),
        "slender": math.log(max(region.length / max(region.width, 1.0), 1.0)),
    }


BIAS = 0.0
WEIGHTS = dict.fromkeys(
    (
        "significance", "ring", "edge", "step", "halo", "contrast", "level", "growth", "near",
        "touch", "width", "slender",
    ),
    0.0,
)  # fmt: skip
