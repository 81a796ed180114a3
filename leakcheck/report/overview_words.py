"""An overview in words, the same for the terminal, the tables and the page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from leakcheck.report.words import (
    added_light,
    on_surface,
    plain_advice,
)

if TYPE_CHECKING:
    from leakcheck.overview import LeakLine, Overview, PairLine, ViewLine

VERDICTS = {"tight": "TIGHT", "leaks": "LEAKS", "not measured": "NOT MEASURED"}


def verdict(overview: Overview) -> str:
    """The verdict on a whole folder: "6 pairs of 2 sides: 1 tight, 5 with leaks."."""
    pairs = len(overview.pairs)
    if not pairs:
        return "No pair was found."
    counts = Counter(pair.verdict for pair in overview.pairs)
    parts = [
        f"{counts[key]} {words}"
        for key, words in (
            ("tight", "tight"),
            ("leaks", "with leaks"),
            ("not measured", "not measured"),
        )
        if counts[key]
    ]
    text = (
        f"{counted(pairs, 'pair')} of {counted(len(overview.views), 'side')}: {', '.join(parts)}."
    )
    alone = sum(left.reason not in ("duplicate", "not in the file") for left in overview.left_out)
    if alone:
        text += f" {counted(alone, 'photo')} {'is' if alone == 1 else 'are'} in no pair."
    return text


def counted(number: int, word: str) -> str:
    """ "1 pair", "2 pairs"."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def leaks_words(pair: PairLine) -> str:
    """How many leaks a pair shows: "3, 1 doubtful"."""
    if not pair.measured:
        return "-"
    doubtful = sum(leak.doubtful for leak in pair.leaks)
    return f"{len(pair.leaks)}" + (f", {doubtful} doubtful" if doubtful else "")


def worst_of(pair: PairLine) -> LeakLine | None:
    """The leak that adds most light to its surface; one that is certain before doubtful ones."""
    return max(pair.leaks, key=urgency, default=None)


def worst_words(pair: PairLine) -> str:
    """The worst leak in words; for a failure why there is none."""
    if not pair.measured:
        return pair.text
    worst = worst_of(pair)
    if worst is None:
        if pair.faintest is None:
            return ""
        return f"a pinhole of {added_light(pair.faintest)} would have shown"
    doubt = "?" if worst.doubtful else ""
    return f"{worst.kind} {worst.where}: {on_surface(worst)}{doubt}"


def work_of(leaks: Sequence[LeakLine]) -> list[tuple[str, list[LeakLine]]]:
    """What to do, the most urgent first, each with the leaks that it is for, strongest first."""
    groups: dict[str, list[LeakLine]] = {}
    for leak in sorted(leaks, key=urgency, reverse=True):
        groups.setdefault(plain_advice(leak), []).append(leak)
    return list(groups.items())


def urgency(leak: LeakLine) -> tuple[bool, float]:
    """What certain leaks come first by, and then the strong ones."""
    return not leak.doubtful, leak.contrast or 0.0


def coats_range(likely: int | None, ends: Sequence[int | None] | None, *, shut: bool) -> str:
    """Coats still needed: "3 (2 to 5)"; "not paint" where paint does not close it."""
    if shut:
        return "not paint"
    if likely is None or ends is None:
        return ""
    least, most = ends
    if most is None:
        return f"{likely} ({least} or more)"
    return str(least) if least == most else f"{likely} ({least} to {most})"


def side_heading(overview: Overview, view: ViewLine) -> str:
    """What a side's list of work begins with: "bow (coat-2): 3 leaks left"."""
    last = overview.last_of(view)
    if last is None:
        return f"{view.name}: not measured"
    stage = f" ({last.stage})" if len(view.stages) > 1 else ""
    number = len(overview.left_on(view))
    left = counted(number, "leak") if number else "nothing"
    faulty = len(last.faulty_openings)
    text = f"{view.name}{stage}: {left} left"
    return text + (f", {counted(faulty, 'opening')} to look after" if faulty else "")


def failures(overview: Overview) -> list[tuple[str, str]]:
    """What could not be done, and why: pairs, damaged photos, comparisons."""
    found = [
        (f"{pair.name} ({pair.off}, {pair.on})", pair.text)
        for pair in overview.pairs
        if not pair.measured
    ]
    found += [(left.photo, left.why) for left in overview.left_out if left.reason == "damaged"]
    found += [
        (f"{view.name}, its stages", view.comparison.text)
        for view in overview.views
        if view.comparison and view.comparison.results is None
    ]
    return found


def left_out(overview: Overview) -> list[tuple[str, str]]:
    """Photos and drawings that were not used, and why."""
    found = [(left.photo, left.why) for left in overview.left_out if left.reason != "damaged"]
    return [*found, *overview.unused_openings]


def notes(overview: Overview) -> list[str]:
    """What makes single results less sure, each with the pair it is about."""
    said = [f"{pair.name}: {note}" for pair in overview.pairs for note in pair.notes]
    said += [
        f"{view.name}: {note}"
        for view in overview.views
        if view.comparison
        for note in view.comparison.notes
    ]
    return list(dict.fromkeys(said))
