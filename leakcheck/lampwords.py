"""What is wrong with an opening, and what to do about it, in words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

Finding = Literal[
    "not measured",
    "dark",
    "dim",
    "outshines",
    "clipped",
    "uneven",
    "hot spot",
    "off-colour",
    "wrong colour",
    "colour too thin",
]
PHOTO_FINDINGS: frozenset[Finding] = frozenset({"not measured", "clipped"})  # not the model's fault

# To advise where all is clipped and nothing can be extrapolated: a quarter of the light brings
# most windows back on the scale and still shows the dim ones.
BLIND_STOPS = 2.0
MAX_NAMES = 4  # a verdict is one line

_POWER = "Switch the power off before you work inside."
_CURRENT = (
    "Every LED needs its current limited: never go above what it is rated for, "
    "and feel for heat after ten minutes."
)
_EYES = "Do not stare into a bright LED."

# What to do, and what to mind. Common practice of the trade, no source.
ADVICE: dict[Finding, tuple[str, str]] = {
    "not measured": ("The two photos do not both show it: frame it in both and test again.", ""),
    "dark": (
        "It stays dark: look from inside whether paint blocks the insert, "
        "and whether its LED is dead, unplugged or aimed elsewhere.",
        _POWER,
    ),
    "dim": (
        "It is dimmer than its neighbours: scrape paint off the inner face of the insert, "
        "aim the LED at it or move it nearer, or fit a somewhat lower resistor.",
        f"{_POWER} {_CURRENT}",
    ),
    "outshines": (
        "It outshines its neighbours: put a diffuser before its LED, "
        "lay on more clear colour, or fit a higher resistor.",
        f"{_POWER} {_EYES}",
    ),
    "clipped": ("It is too bright for this photo: repeat the pair with {stops} less exposure.", ""),
    "uneven": (
        "Its light is patchy: where nothing stands before it, frost the insert or put a diffuser "
        "well behind it, and keep wires and braces out of the light.",
        _POWER,
    ),
    "hot spot": (
        "The LED shows as a bright spot: put a diffuser between, "
        "or turn the LED towards a white wall so that the window is lit by the bounce.",
        f"{_POWER} {_EYES}",
    ),
    "off-colour": (
        "Its white differs from the other windows: use LEDs of one batch, "
        "or bring it round with a thin coat of clear colour on the insert.",
        _POWER,
    ),
    "wrong colour": (
        "{expected} is asked for, but it reads as {word}: check which LED is wired here, "
        "then the clear colour on the lens.",
        f"{_POWER} {_CURRENT}",
    ),
    "colour too thin": (
        "It is white in the middle and {rim} at the rim: repeat the pair with {stops} less "
        "exposure, and when it stays white, lay on more clear colour or fit a higher resistor.",
        _EYES,
    ),
}


def advise(
    findings: Iterable[Finding],
    *,
    stops: float | None,
    expected: str | None,
    word: str | None,
    rim: str | None,
) -> tuple[str, str]:
    """The advice and the caution for one opening.

    Args:
        findings: what was found.
        stops: how many stops less exposure would measure it; None where that is not known.
        expected, word, rim: the colour asked for, the colour read, the colour of its rim.
    Returns: sentences; both empty where nothing was found.
    """
    found = list(findings)
    if "colour too thin" in found and "clipped" in found:
        found.remove("clipped")  # the other says the same and more
    less = f"{BLIND_STOPS if stops is None else stops:g} stop{'' if stops == 1 else 's'}"
    blanks = {
        "stops": less if stops is not None else f"at least {less}",
        "expected": (expected or "").capitalize(),
        "word": word or "",
        "rim": rim or "",
    }
    advice = [ADVICE[f][0].format(**blanks) for f in found]
    cautions = [part for f in found for part in _sentences(ADVICE[f][1])]
    return " ".join(advice), " ".join(dict.fromkeys(cautions))


def _sentences(text: str) -> list[str]:
    return [part.rstrip(".") + "." for part in text.split(". ") if part]


def verdict(found: Iterable[tuple[str, tuple[Finding, ...]]]) -> str:
    """One line on all openings.

    Args:
        found: name and findings of each opening.
    Returns: such as "Openings: 46 of 48 as they should be. Dark: w03. Outshines: b2."
    """
    lamps = list(found)
    if not lamps:
        return "No openings to judge."
    well = sum(not set(findings) - PHOTO_FINDINGS for _, findings in lamps)
    parts = [f"Openings: {well} of {len(lamps)} as they should be."]
    for finding in ADVICE:
        names = [name for name, findings in lamps if finding in findings]
        if not names:
            continue
        listed = ", ".join(names[:MAX_NAMES])
        more = f" and {len(names) - MAX_NAMES} more" if len(names) > MAX_NAMES else ""
        parts.append(f"{finding.capitalize()}: {listed}{more}.")
    return " ".join(parts)
