"""A comparison in words, the same for the terminal, the JSON and the pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from leakcheck.report.words import added_light, number_list, percent

if TYPE_CHECKING:
    from leakcheck.compare import Change, Comparison

STATES = ("gone", "fainter", "unchanged", "brighter", "new", "cannot tell")
SCALES = {
    "room light": "light added to the room light on the same surface, the room light being the"
    " same",
    "windows": "light against the openings that were not blown out, as the room light changed",
    "exposure": "light by the camera's exposure settings",
}


def verdict(comparison: Comparison) -> str:
    """The verdict in a sentence or two: "5 leaks: 2 gone, 2 fainter, 1 new."."""
    count = len(comparison.changes)
    if count == 0:
        text = "No leak to compare."
    else:
        parts = [
            f"{comparison.count(state)} {state}"  # type: ignore[arg-type]
            for state in STATES
            if comparison.count(state)  # type: ignore[arg-type]
        ]
        text = f"{count} {'leak' if count == 1 else 'leaks'}: {', '.join(parts)}."
    more = not_followed(comparison)
    if more:
        last = comparison.stages[-1].name
        text += f" {more} more in {last} cannot be followed: doubtful or too weak."
    if comparison.closed:
        text += " Nothing is left."
    return text


def not_followed(comparison: Comparison) -> int:
    """Leaks of the last test that no change tells of."""
    told = sum(c.after is not None and c.after.found for c in comparison.changes)
    return max(len(comparison.stages[-1].check.leaks) - told, 0)


def coat_sentence(comparison: Comparison) -> str:
    """What a coat stops on this model; empty where nothing tells."""
    mean = comparison.per_coat
    if mean is None:
        return ""
    leaks = "1 leak" if mean.count == 1 else f"{mean.count} leaks"
    light = percent(max(1 - 10**-mean.value, 0.0))
    return (
        f"One coat stops a density of {mean.value:.2f} +- {mean.error:.2f} ({light} of the light),"
        f" by {leaks}."
    )


def changed_by(change: Change) -> str:
    """The change of a leak's light: "x 0.25", "under x 0.1", or "-"."""
    if change.ratio is not None:
        return f"x {change.ratio:.2g}"
    return "-"


def density_words(change: Change) -> str:
    """Density with its error: "0.60 +- 0.05"."""
    if change.density is None:
        return "-"
    if change.density_error is None:
        return f"{change.density:.2f}"
    return f"{change.density:.2f} +- {change.density_error:.2f}"


def stops_words(change: Change) -> str:
    """The change in stops, with its sign."""
    return "-" if change.stops is None else f"{change.stops:+.1f}"


def side_words(change: Change, *, first: bool) -> str:
    """Light on its surface in the first or last test."""
    step = change.course[0 if first else -1]
    if step.contrast is None:
        return "hidden"
    if step.limit is not None and step.contrast <= step.limit:
        return f"< {percent(max(step.limit, 0.0))}"
    return added_light(step.contrast)


def coats_words(change: Change) -> str:
    """Coats still needed: "3 (2 to 5)"."""
    if change.state == "gone":
        return "0"
    if change.paint_will_not_close:
        return "not paint"
    if change.coats_needed is None or change.coats_needed_range is None:
        return "?"
    least, most = change.coats_needed_range
    if most is None:
        return f"{change.coats_needed} ({least} or more)"
    return str(least) if least == most else f"{change.coats_needed} ({least} to {most})"


def measured_sentences(comparison: Comparison) -> list[str]:
    """How the tests were compared, in sentences."""
    scale = comparison.scale
    coats = "1 coat" if comparison.coats == 1 else f"{comparison.coats} coats"
    said = [
        f"Compared by {SCALES[scale.by]}.",
        f"Between one test and the next lies {coats}."
        if comparison.coats == 1
        else f"Between one test and the next lie {coats}.",
    ]
    if scale.room:
        word = "brighter" if scale.room > 0 else "darker"
        said.append(f"The room was {percent(abs(10**scale.room - 1))} {word} in the last test.")
    said += [
        f"Every density shares an error of {scale.error:.2f}.",
        f"A leak counts as not noticed below +{percent(comparison.noticeable)} on its surface.",
        "What is gone is below what the last test could show. One photo shows one side from one"
        " place; what faces away was not tested.",
    ]
    told = by_change_sentence(comparison)
    return [*said, told] if told else said


def by_change_sentence(comparison: Comparison) -> str:
    """Which leaks no single test tells; empty where there are none."""
    numbers = [change.number for change in comparison.changes if change.by_change]
    if not numbers:
        return ""
    one = len(numbers) == 1
    leaks = f"leak {numbers[0]} shows" if one else f"leaks {number_list(numbers)} show"
    return (
        f"Only by the comparison {leaks}: each single test takes that for light on an edge or for"
        " spill, but one test has it and another lacks it."
    )


def limit_rows(comparison: Comparison) -> list[tuple[str, str, str, str, str]]:
    """Each test: name, how it was laid on, leaks found, faintest pinhole and broad glow."""
    rows = []
    for stage in comparison.stages:
        link = stage.from_base
        how = "the others were laid onto it"
        if link is not None:
            how = f"to {link.residual_px:.1f} px; covers {percent(link.overlap)}"
        limit = stage.check.limit
        pinhole, broad = (added_light(x.contrast) for x in (limit.pinhole_far, limit.broad_far))
        rows.append((stage.name, how, str(len(stage.check.leaks)), pinhole, broad))
    return rows
