"""Gone, fainter, unchanged, brighter, new or cannot tell: by two measurements of one place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from leakcheck.coats import density
from leakcheck.forced import Amount

State = Literal["gone", "fainter", "unchanged", "brighter", "new", "cannot tell"]

SEEN_SIGMA = 3.0  # at a place that is known: one in a thousand by chance
UNCHANGED = 0.09  # density, a fifth of the light: less is within what two poses differ by
SURE_SIGMA = 2.0  # standard errors that a change must be above none
ROUGH = 0.15  # density; where the error is larger, "unchanged" would say too much
HALVED = 0.5  # of the light: what is certainly less than that may be called gone
LESS = 0.8  # of the light: what is certainly less than that is fainter
FAINT_SHARE = 0.5  # of what people notice: what is found nowhere and below it counts as gone
POSE_SHARE = 0.04  # of the light: surfaces seen from elsewhere, apertures a little off


@dataclass(frozen=True)
class Judged:
    """What two measurements of one place say."""

    state: State
    density: float | None = None
    error: float | None = None  # of the density, without the scale's
    at_least: bool = False
    reason: str = ""


def between(
    before: Amount,
    after: Amount,
    *,
    found: tuple[bool, bool],
    scale_error: float,
    noticeable: float,
) -> Judged | None:
    """The state by two amounts on one scale.

    Args:
        before, after: added / room light at one place.
        found: whether the check of each test found a leak there.
        scale_error: density that the common scale is uncertain by.
        noticeable: contrast that people notice.
    """
    seen = [a.contrast > SEEN_SIGMA * a.sigma for a in (before, after)]
    if not any(seen):
        return None
    if seen[0] and _nothing_left(after, seen[1], found[1], noticeable):
        return _vanished(before, after, "gone", "fainter", scale_error)
    if seen[1] and _nothing_left(before, seen[0], found[0], noticeable):
        return _vanished(after, before, "new", "brighter", scale_error)
    if not (seen[0] and seen[1]):
        return _vanished(
            *((before, after) if seen[0] else (after, before)),
            *(("gone", "fainter") if seen[0] else ("new", "brighter")),
            scale_error,
        )
    change = density(before.contrast, after.contrast)
    error = density_error(before, after)
    total = math.hypot(error, scale_error)
    if abs(change) >= max(UNCHANGED, SURE_SIGMA * total):
        return Judged("fainter" if change > 0 else "brighter", change, error)
    if total > ROUGH:
        return Judged("cannot tell", change, error, reason="the light is too faint for both tests")
    return Judged("unchanged", change, error)


def _nothing_left(amount: Amount, seen: bool, found: bool, noticeable: float) -> bool:
    """Nothing that a check would list or a person would notice."""
    faint = amount.contrast < FAINT_SHARE * noticeable
    return not found and (not seen or faint)


def _vanished(
    strong: Amount, weak: Amount, certain: State, likely: State, scale_error: float
) -> Judged:
    """A leak of which one test shows nothing: gone only if that test could have shown it."""
    sign = 1.0 if certain == "gone" else -1.0
    highest = max(weak.contrast, 0.0) + SURE_SIGMA * weak.sigma
    highest *= 10 ** (SURE_SIGMA * scale_error)
    bound = sign * density(strong.contrast, max(highest, 1e-6))
    if weak.contrast > SEEN_SIGMA * weak.sigma:
        value = sign * density(strong.contrast, weak.contrast)
        return Judged(certain, value, density_error(strong, weak))
    if highest < HALVED * strong.contrast:
        return Judged(certain, bound, None, at_least=True)
    if highest < LESS * strong.contrast:
        return Judged(likely, bound, None, at_least=True)
    worse = "second" if certain == "gone" else "first"
    return Judged(
        "cannot tell", reason=f"the {worse} test could not have shown a leak as faint as this"
    )


def density_error(one: Amount, two: Amount) -> float:
    """Standard error of log10 of a ratio."""
    return math.hypot(log_error(one), log_error(two))


def log_error(amount: Amount) -> float:
    """Standard error of log10 of an amount above 0: noise, and what another pose changes."""
    return math.hypot(amount.sigma / amount.contrast, POSE_SHARE) / math.log(10)
