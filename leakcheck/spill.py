"""Leak or spill: does a region look like light that comes out, or like light that falls on?

Spill takes the shape of the surface that it falls on: it ends at the surface's edges, goes on
round about at like strength, and follows things that stand out by themselves. A leak is alone and
has a shape of its own. How much of that a leak shows depends on its kind, so each kind is asked
for its own signs. The bounds were found on drawn and rendered pairs (no published source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from leakcheck.diagnose import LeakKind, Surroundings, beacon_beside, kind_of
from leakcheck.group import chained, grouped, joined
from leakcheck.regions import Region

DOUBTFUL_FROM = -0.6  # evidence from which spill is listed as doubtful
DOUBTFUL_TO = 0.25  # evidence up to which a leak is

# How far a leak of each kind must outshine its surroundings: logarithm of the ratio.
ALONE: dict[LeakKind, float] = {
    "pinhole": 1.2,
    "seam leak": 0.9,
    "side glow": 0.45,  # plain ones have been found already, by `side_glow`
    "open hole": 0.8,
    "show-through": 0.8,
}
PLAIN_SIGMA = 7.0  # significance that noise and texture seldom reach
PINHOLE_SURE = 0.9  # for a point of light that stands out of its own surface much more
BEADS_SURE = 0.8  # for many pieces on one line
EDGE_COST = 0.7  # for a border that lies wholly on edges of the surface
PINHOLE_EDGE_FROM, PINHOLE_EDGE_COST = 0.7, 5.0  # a pinhole beside an edge is something lit
STEP_FROM, STEP_COST = 0.3, 0.5  # a region on a surface of its own is something lit
STRIP_FROM, STRIP_COST = 1.5, 1.0  # a broad strip, log of length / width, is a lit deck
SEAM_STEP_COST = 2.0
LINE_FROM, LINE_COST = 0.12, 8.0  # light in a crevice that is dark without it
HOLE_STANDING = 1.5  # but a hole is dark as well, and outshines all round about
BESIDE_PX, FALLING_COST = 12.0, 4.0  # brightest beside an opening and falling off from there
GROWTH_FROM, GROWTH_COST = 6.0, 0.8  # going on round about, log of extent / core
OBJECT_FROM, OBJECT_COST = 0.12, 4.0  # a thing with its own edges and its own brightness
HALO_FROM, HALO_COST = 0.7, 1.0  # what is left where more was taken off as halo


@dataclass(frozen=True, eq=False)
class Sorted:
    """A region and what it was taken for."""

    region: Region
    leak: bool
    doubtful: bool  # nearly the other


def sort_out(
    regions: list[Region], surroundings: Surroundings, *, glows: dict[str, Sorted]
) -> tuple[list[Sorted], list[Sorted]]:
    """Leaks and spill, each grouped into what belongs together, strongest first.

    Args:
        regions: all places of a pair where light shows.
        surroundings: openings and levels of the pair.
        glows: the side glow of each beacon that plainly has one, by the beacon's name.
    """
    judged = [
        (evidence(region, kind_of(region, surroundings)), region) for region in chained(regions)
    ]
    others, pieces = _by_beacon(
        grouped([region for value, region in judged if value >= 0]), surroundings
    )
    more = [region for name, region in pieces.items() if name not in glows]
    leaks = [_sorted(region, surroundings, leak=True) for region in others + more]
    spill = grouped([region for value, region in judged if value < 0])
    return sorted([*leaks, *glows.values()], key=lambda item: -item.region.glow), [
        _sorted(region, surroundings, leak=False) for region in spill
    ]


def _by_beacon(
    leaks: list[Region], surroundings: Surroundings
) -> tuple[list[Region], dict[str, Region]]:
    """Leaks that are no side glow, and each beacon's side glow: rails and posts cut it up."""
    glows: dict[str, Region] = {}
    others: list[Region] = []
    for region in leaks:
        beacon = beacon_beside(region, surroundings)
        if beacon is None or kind_of(region, surroundings) != "side glow":
            others.append(region)
        elif beacon.name in glows:
            glows[beacon.name] = joined(glows[beacon.name], region)
        else:
            glows[beacon.name] = region
    return others, glows


def _sorted(region: Region, surroundings: Surroundings, *, leak: bool) -> Sorted:
    value = evidence(region, kind_of(region, surroundings))
    return Sorted(region, leak, DOUBTFUL_FROM <= value < DOUBTFUL_TO)


def evidence(region: Region, kind: LeakKind) -> float:
    """Evidence that a region is a leak, as a logarithm of odds without scale; below 0: spill.

    Args:
        region: as measured.
        kind: what it would be if it were a leak.
    """
    value = region.isolation - ALONE[kind]
    value -= HALO_COST * max(region.halo_ratio - HALO_FROM, 0.0)
    dark = LINE_COST * max(region.dark_line - LINE_FROM, 0.0)
    if kind != "seam leak":
        dark *= 1.0 - min(max(region.standing / HOLE_STANDING, 0.0), 1.0)
    value -= dark
    sure = math.log(max(region.spot.significance / PLAIN_SIGMA, 1.0))
    if kind == "pinhole":
        value += PINHOLE_SURE * sure
        return value - PINHOLE_EDGE_COST * max(region.edge_share - PINHOLE_EDGE_FROM, 0.0)
    if kind == "seam leak":
        value += BEADS_SURE * math.log(region.pieces)
        value -= OBJECT_COST * region.edge_share * max(region.step - OBJECT_FROM, 0.0)
        return value - SEAM_STEP_COST * max(region.step - STEP_FROM, 0.0)
    if kind == "side glow":
        return value
    if region.to_lamp_px < BESIDE_PX:
        value -= FALLING_COST * max(region.falling, 0.0)
    value -= GROWTH_COST * max(math.log(max(region.growth, 1.0) / GROWTH_FROM), 0.0)
    value -= EDGE_COST * region.edge_share**2
    stretch = math.log(max(region.length / max(region.width, 1.0), 1.0))
    value -= STRIP_COST * max(stretch - STRIP_FROM, 0.0)
    return value - STEP_COST * max(region.step - STEP_FROM, 0.0)
