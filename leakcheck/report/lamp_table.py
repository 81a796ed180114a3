"""The openings of a check as sections of the terminal text: what was found, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from leakcheck.lampwords import BLIND_STOPS
from leakcheck.report.words import printable

if TYPE_CHECKING:
    from leakcheck.lamps import Lamp

HEADS = ("Opening", "Found", "Level", "Even", "Colour")
LEGEND = (
    "Level: stops above or below the median of its row, or of its kind where it stands in no row;"
    " -1 is half as bright. Even: its darkest part / its average. Colour: as this camera shows it."
)
LONGEST_TABLE = 16  # rows; the files hold them all
MOST_NAMES = 4


def faulty(lamps: Iterable[Lamp]) -> list[Lamp]:
    """The openings with which something is wrong in the model."""
    return [lamp for lamp in lamps if lamp.fault]


def table_rows(lamps: Iterable[Lamp]) -> list[tuple[str, ...]]:
    """A row for each faulty opening, in the order of `HEADS`, and one for those that do not fit."""
    found = faulty(lamps)
    rows: list[tuple[str, ...]] = [
        (
            printable(lamp.name),
            ", ".join(lamp.findings),
            level_text(lamp),
            "-" if lamp.evenness is None else f"{lamp.evenness:.2f}",
            colour_text(lamp),
        )
        for lamp in found[:LONGEST_TABLE]
    ]
    if len(found) > LONGEST_TABLE:
        rows.append(("...", f"and {len(found) - LONGEST_TABLE} more", "", "", ""))
    return rows


def level_text(lamp: Lamp) -> str:
    """Stops against its like: "-1.3", ">= +0.4" where it is clipped, "<= -0.2" where they are."""
    in_row = lamp.stops_row is not None
    stops = lamp.stops_row if in_row else lamp.stops_class
    bound = lamp.stops_row_bound if in_row else lamp.stops_class_bound
    if stops is None:
        return "-"
    sign = {"at least": ">= ", "at most": "<= "}.get(bound, "")
    return f"{sign}{stops:+.1f}"


def colour_text(lamp: Lamp) -> str:
    """The colour in a word with its temperature or wavelength: "warm white 2,870 K"."""
    colour = lamp.colour
    if colour is None:
        return "-"
    text: str = colour.word
    if text.endswith("white") and colour.cct_k is not None:
        text += f" {round(colour.cct_k, -1):,.0f} K"
    elif colour.dominant_nm is not None and colour.dominant_nm > 0:
        text += f" {colour.dominant_nm:.0f} nm"
    return text


def the_rest(lamps: Sequence[Lamp]) -> list[str]:
    """Sentences on the openings that the table leaves out, and on what the photo could not show."""
    well = [lamp for lamp in lamps if lamp.lit and not lamp.findings]
    sentences = []
    if well:
        ranges = _ranges(well)
        some = "One is" if len(well) == 1 else f"{len(well)} are"
        sentences.append(f"{some} as they should be{f': {ranges}' if ranges else ''}.")
    clipped = [lamp for lamp in lamps if lamp.level_at_least]
    if clipped:
        which = f"All {len(lamps)}" if len(clipped) == len(lamps) > 1 else names(clipped)
        sentences.append(
            f"{which} {'is' if len(clipped) == 1 else 'are'} blown out to full white, so"
            " level and colour there are not known. Repeat the pair with"
            f" {stops_less(clipped)} less exposure to measure them."
        )
    unseen = [lamp for lamp in lamps if "not measured" in lamp.findings]
    if unseen:
        sentences.append(f"{names(unseen)}: not measured, as the two photos do not both show them.")
    return sentences


def stops_less(clipped: Sequence[Lamp]) -> str:
    """How much less exposure would measure all of these: "1.5 stops", "at least 2 stops"."""
    known = [lamp.stops_less_exposure for lamp in clipped if lamp.stops_less_exposure is not None]
    most = max(known, default=0.0)
    if len(known) < len(clipped):
        return f"at least {max(most, BLIND_STOPS):g} stops"
    return f"{most:g} stop{'' if most == 1 else 's'}"


def advice_rows(lamps: Iterable[Lamp]) -> list[tuple[str, str]]:
    """Each piece of advice once, with the openings that it is for."""
    groups: dict[str, list[Lamp]] = {}
    for lamp in faulty(lamps):
        groups.setdefault(lamp.advice, []).append(lamp)
    return [(names(group), advice) for advice, group in groups.items()]


def names(lamps: Sequence[Lamp]) -> str:
    """The first few names and how many more there are."""
    text = ", ".join(printable(lamp.name) for lamp in lamps[:MOST_NAMES])
    return text + (f" and {len(lamps) - MOST_NAMES} more" if len(lamps) > MOST_NAMES else "")


def _ranges(lamps: Sequence[Lamp]) -> str:
    """From where to where level, evenness and white of these go."""
    stops = [lamp.stops_class for lamp in lamps if not lamp.stops_class_bound]
    even = [lamp.evenness for lamp in lamps if lamp.kind == "window"]
    white = [
        round(lamp.colour.cct_k, -1)
        for lamp in lamps
        if lamp.colour and lamp.colour.cct_k and lamp.colour.word.endswith("white")
    ]
    parts = [
        _range(stops, "{:+.1f}", "stops from the median of their kind"),
        _range(even, "{:.2f}", "even"),
        _range(white, "{:,.0f}", "K"),
    ]
    return ", ".join(part for part in parts if part)


def _range(values: Iterable[float | None], form: str, unit: str) -> str:
    known = [value for value in values if value is not None]
    if not known:
        return ""
    low, high = form.format(min(known)), form.format(max(known))
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"
