"""What the page of a check says in sentences and rows of words."""

from __future__ import annotations

import math
from collections import Counter
from datetime import datetime
from typing import TYPE_CHECKING

from leakcheck.report import lamp_table
from leakcheck.report.words import (
    LIMITS,
    added_light,
    near_distance,
    percent,
)

if TYPE_CHECKING:
    from leakcheck.check import Check, Faintest, PhotoFacts
    from leakcheck.diagnose import Leak

SMALL_DRIFT = 0.01  # of the room light over the photo: less is not worth a word


def title_of(check: Check) -> str:
    """The page's title, as a browser's tab and a list of files show it."""
    word = "tight" if check.tight else f"{len(check.leaks)} leaks"
    return f"Light test of {check.on.name}: {word}"


def lamps_words(check: Check) -> str:
    """The verdict on the openings in words that need no explaining; empty where there are none."""
    if not check.lamps:
        return ""
    faulty = lamp_table.faulty(check.lamps)
    count = len(check.lamps)
    if faulty:
        found = Counter(finding for lamp in faulty for finding in lamp.findings)
        kinds = ", ".join(f"{number} {finding}" for finding, number in found.items())
        verb = "is" if len(faulty) == 1 else "are"
        text = f"{len(faulty)} of {count} openings {verb} not as they should be ({kinds})"
    else:
        few = {1: "The one opening is as it", 2: "Both openings are as they"}
        text = f"{few.get(count, f'All {count} openings are as they')} should be"
    blown = sum(lamp.level_at_least for lamp in check.lamps)
    if blown:
        some = "all" if blown == count > 1 else str(blown)
        verb = "is" if blown == 1 else "are"
        text += f", as far as can be seen: {some} {verb} blown out to full white"
    return f"{text}."


def size_words(leak: Leak, mm_per_px: float | None) -> str:
    """Length and width: "12 x 3 mm"."""
    if not (math.isfinite(leak.length_px) and math.isfinite(leak.width_px)):
        return "-"
    if mm_per_px is None:
        return f"{leak.length_px:.0f} x {leak.width_px:.0f} px"
    length, width = (float(f"{size * mm_per_px:.2g}") for size in (leak.length_px, leak.width_px))
    return f"{length:g} x {width:g} mm"


def faintest_rows(check: Check) -> list[tuple[str, str, str, str]]:
    """The faintest leaks that would have shown: what, where, against a window, on its surface."""
    limit = check.limit
    far, near = "far from lit windows", f"within {near_distance(check)} of one"
    rows = [
        ("Pinhole", far, limit.pinhole_far),
        ("Pinhole", near, limit.pinhole_near),
        ("Broad glow", far, limit.broad_far),
        ("Broad glow", near, limit.broad_near),
    ]
    if check.window_level is None:  # nothing is lit, so nothing is near it
        rows = [(what, "anywhere", light) for what, _, light in rows[::2]]
    return [
        (what, place, _level(light), added_light(light.contrast)) for what, place, light in rows
    ]


def _level(light: Faintest) -> str:
    return "-" if light.level is None else percent(light.level)


def limit_sentences(check: Check) -> list[str]:
    """What could not have been seen, in sentences."""
    limit = check.limit
    said = ["A leak fainter than these may be there and not have shown."]
    reason = LIMITS.get(limit.limited_by, limit.limited_by)
    said.append(f"What hid fainter ones most: {reason}.")
    if limit.blind_share > 0:
        said.append(
            f"{percent(limit.blind_share)} of the model could not be measured at all: the windows'"
            " own edges, what is blown out to full white, what one photo does not show."
        )
    said.append("One photo shows one side from one place. What faces away was not tested.")
    return said


def measured_sentences(check: Check) -> list[str]:
    """A plain account of the measurement, step by step."""
    registration, match = check.registration, check.exposure
    gain = sum(match.gain) / 3
    lit = "as bright in both photos"
    if abs(math.log(gain)) > 0.05:
        lit = f"{gain:.2g} times as bright in the photo with the lights on"
    said = [
        f"The photo with the lights off was laid onto the one with them on. They line up to"
        f" {registration.residual_px:.1f} px at {registration.points:,} points, and it covers"
        f" {percent(registration.overlap)} of the other.",
        f"Exposures were matched on surfaces that do not glow: these look {lit}."
        + (
            f" The room light drifts by up to {percent(match.drift)} across the photo; that was"
            " taken out."
            if match.drift > SMALL_DRIFT
            else ""
        ),
    ]
    if check.flare_share > 0:
        said.append(
            f"The lens scatters {percent(check.flare_share)} of the windows' light round them."
            " This halo was taken off."
        )
    said.append(
        "Then one was subtracted from the other. What is left and stands out from the photos' own"
        " noise is light that the model adds: where no opening is, a leak."
    )
    shapes = sum(shape.kind in {"window", "beacon"} for shape in check.openings)
    if shapes:
        said.append(f"{shapes} openings were given; light inside them is meant to be there.")
    elif check.likely_openings:
        said.append(
            f"No openings were given. {len(check.likely_openings)} bright, sharp-edged lights were"
            " taken for windows; draw them down with --save-openings and check again."
        )
    said.append("Light of an opening that falls on another surface counts as spill, not as a leak.")
    return said


def photo_rows(check: Check) -> list[tuple[str, str, str]]:
    """What is known of the photos: heading, lights off, lights on."""
    rows = [("Photo", check.off.name, check.on.name)]
    rows += [
        (head, form(check.off), form(check.on))
        for head, form in (
            ("Size", lambda facts: f"{facts.width_px:,} x {facts.height_px:,} px"),
            ("Taken", lambda facts: _taken(facts.exposure.taken)),
            ("Camera", lambda facts: facts.exposure.camera or "-"),
            ("Exposure", _exposure),
            ("Blown out to full white", lambda facts: percent(facts.clipped_share)),
        )
    ]
    return [row for row in rows if row[1:] != ("-", "-")]


def _taken(taken: datetime | None) -> str:
    return "-" if taken is None else f"{taken.day} {taken:%B %Y, %H:%M}"


def _exposure(facts: PhotoFacts) -> str:
    """Exposure as photographers write it: "1/30 s, f/1.8, ISO 200"."""
    exposure = facts.exposure
    parts = []
    if exposure.time_s:
        short = exposure.time_s < 0.3
        parts.append(f"1/{1 / exposure.time_s:.0f} s" if short else f"{exposure.time_s:.2g} s")
    if exposure.fnumber:
        parts.append(f"f/{exposure.fnumber:.2g}")
    if exposure.iso:
        parts.append(f"ISO {exposure.iso:.0f}")
    return ", ".join(parts) or "-"


def setting_rows(check: Check) -> list[tuple[str, str]]:
    """What a user may turn, and how it stood."""
    settings = check.settings
    length = "not given" if settings.length_mm is None else f"{settings.length_mm:g} mm"
    kinds = [shape.kind for shape in check.openings]
    openings = "not given"
    if kinds:
        counts = {
            "windows": kinds.count("window"),
            "beacons": kinds.count("beacon"),
            "areas left out": kinds.count("ignore"),
            "outline of the model": kinds.count("model"),
        }
        openings = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    return [
        ("Openings (--openings)", openings),
        ("Length of the model (--length-mm)", length),
        ("Noticed from (--noticeable)", f"+{percent(settings.noticeable_contrast)}"),
        ("False alarms by noise in a pair (--false-alarms)", f"{settings.false_alarms_per_pair:g}"),
        ("Taken from a tripod (--tripod)", "yes" if settings.tripod else "not said"),
    ]
