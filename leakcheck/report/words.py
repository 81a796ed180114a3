"""Numbers and verdicts in words, the same for the terminal, the JSON and the pictures."""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from leakcheck import lampwords
from leakcheck.diagnose import TAPE_TEST as COVER

if TYPE_CHECKING:
    from leakcheck.check import Check, Faintest
    from leakcheck.compare import Change
    from leakcheck.diagnose import Leak
    from leakcheck.lamps import Lamp
    from leakcheck.overview import LeakLine, OpeningLine

# Above this share of the model a verdict without it would promise too much.
BLIND_SHARE_TO_NAME = 0.05
# Added light beyond ten times the room light reads better as a factor than as "+1,000 %".
CONTRAST_AS_FACTOR = 10.0
SMALLEST_SHARE = 0.0001  # "under 0.01 %": no pair of photos measures finer

# In the order in which they are named: what must be mended first comes first.
KINDS = {
    "open hole": "open holes",
    "seam leak": "seam leaks",
    "pinhole": "pinholes",
    "show-through": "show-throughs",
    "side glow": "side glows",
    "spill": "spills",
}

TAPE_TEST = (
    "may be spill, light of a window on this surface. Cover the windows with tape and take"
    " both photos again: what still shines is a leak."
)

LIMITS = {
    "noise": "the noise of the camera",
    "flare": "light of the windows that the lens scattered",
    "clipping": "places that are blown out to full white",
    "bright room": "a bright room, in which weak leaks drown",
    "dark room": "a dark room, in which too little of the model can be seen",
    "shake": "photos that do not line up quite exactly",
}


def percent(share: float | None) -> str:
    """A share of 1 as a percentage with two digits that count: 0.0342 is "3.4 %"."""
    if share is None or not math.isfinite(share):
        return "-"
    if share <= 0:
        return "0 %"
    if share < SMALLEST_SHARE:
        return "under 0.01 %"
    value = 100 * share
    value = round(value, 1 - math.floor(math.log10(value)))
    decimals = max(0, 1 - math.floor(math.log10(value)))
    return f"{value:,.{decimals}f} %"


def added_light(contrast: float | None) -> str:
    """Added light against the room light on the same surface: "+35 %" or "14 x"."""
    if contrast is None or not math.isfinite(contrast):
        return "-"
    if contrast >= CONTRAST_AS_FACTOR:
        return f"{float(f'{contrast:.2g}'):,.0f} x"
    return f"+{percent(contrast)}"


def on_surface(leak: Leak | LeakLine) -> str:
    """The same of a leak: "at least +35 %" where it is blown out to full white."""
    return f"{'at least ' if leak.clipped else ''}{added_light(leak.contrast)}"


def of_window(leak: Leak | LeakLine) -> str:
    """Peak brightness as a share of the median window's: "at most 3.2 %"."""
    if leak.level is None:
        return "-"
    if leak.level_at_most and leak.clipped:
        return "unknown"
    bound = "at most " if leak.level_at_most else "at least " if leak.clipped else ""
    return f"{bound}{percent(leak.level)}"


def shortened(words: str) -> str:
    """A figure for a narrow column: "<= 3.2 %"."""
    return words.replace("at most ", "<= ").replace("at least ", ">= ").replace("unknown", "?")


def signs(words: str) -> str:
    """The same with the signs that a page can show."""
    return shortened(words).replace("<=", "\u2264").replace(">=", "\u2265")


def counted_kinds(leaks: Iterable[Leak]) -> str:
    """What was found, by kind: "1 seam leak, 2 pinholes"."""
    counts = Counter(str(leak.kind) for leak in leaks)
    return ", ".join(
        f"{counts[kind]} {kind if counts[kind] == 1 else plural}"
        for kind, plural in KINDS.items()
        if counts[kind]
    )


def faintest(limit: Faintest) -> str:
    """One limit: "0.34 % of a window (+4.1 % on its surface)"."""
    surface = f"{added_light(limit.contrast)} on its surface"
    if limit.level is None:
        return surface
    return f"{percent(limit.level)} of a window ({surface})"


def verdict(check: Check) -> str:
    """The verdict in one or two sentences, "TIGHT" or "LEAKS" first."""
    blind = check.limit.blind_share
    part = ""
    if blind >= BLIND_SHARE_TO_NAME:
        part = f" on the {percent(1 - blind)} of the model that could be measured"
    if check.tight:
        return f"TIGHT: no leak found{part}. {_would_have_shown(check)}".rstrip()
    text = f"LEAKS: {len(check.leaks)} found{part} ({counted_kinds(check.leaks)})."
    doubtful = sum(leak.doubtful for leak in check.leaks)
    if doubtful:
        text += f" {doubtful} of them may be spill and no leak."
    return text


def lamps_verdict(check: Check) -> str:
    """The verdict on the openings themselves, in one line; names come from a file."""
    return lampwords.verdict((printable(lamp.name), lamp.findings) for lamp in check.lamps)


def _would_have_shown(check: Check) -> str:
    pinhole, broad = check.limit.pinhole_far, check.limit.broad_far
    if pinhole.level is not None and broad.level is not None:
        return (
            f"A pinhole of {percent(pinhole.level)} of window brightness would have shown,"
            f" a broad glow of {percent(broad.level)}."
        )
    if not (math.isfinite(pinhole.contrast) and math.isfinite(broad.contrast)):
        return ""
    return (
        f"A pinhole that adds {percent(pinhole.contrast)} to the room light on its surface"
        f" would have shown, a broad glow that adds {percent(broad.contrast)}."
    )


def near_distance(check: Check) -> str:
    """What counts as near a window: "5 mm" where the scale is known, else "84 px"."""
    if check.mm_per_px is not None:
        return f"{check.limit.near_px * check.mm_per_px:.2g} mm"
    return f"{check.limit.near_px:.0f} px"


def number_list(numbers: Sequence[int]) -> str:
    """Numbers with runs of three or more drawn together: "1, 3-5, 9"."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts: list[str] = []
    for run in runs:
        parts += [f"{run[0]}-{run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    return ", ".join(parts)


def by_advice(leaks: Sequence[Leak]) -> list[tuple[list[int], str]]:
    """Each piece of advice once, with the numbers of the leaks that it is for.

    What doubtful leaks need first is a piece of its own.
    """
    groups: dict[str, list[int]] = {}
    doubtful = [leak.number for leak in leaks if leak.doubtful]
    if doubtful:
        groups[f"First the tape test: {TAPE_TEST}"] = doubtful
    for leak in leaks:
        groups.setdefault(plain_advice(leak), []).append(leak.number)
    return [(numbers, advice) for advice, numbers in groups.items()]


def plain_advice(leak: Leak | LeakLine) -> str:
    """What to do about it once it is known to be a leak."""
    _, then, rest = leak.advice.partition(f"{COVER} Then: ")
    return rest if then else leak.advice


def cautions(found: Iterable[Leak | Lamp | Change | LeakLine | OpeningLine]) -> list[str]:
    """Each caution once, in the order of the leaks or openings that ask for it.

    Cautions share sentences; a sentence that stood in an earlier one is not said again.
    """
    said: set[str] = set()
    result: list[str] = []
    for each in found:
        sentences = re.split(r"(?<=[.!?])\s+", each.caution.strip())
        new = [sentence for sentence in sentences if sentence and sentence not in said]
        said.update(new)
        if new:
            result.append(" ".join(new))
    return result


def printable(text: str) -> str:
    """The text without what could steer a terminal: a name in a file is not to be trusted.

    Control characters and the invisible ones that turn the direction of writing become "?".
    """
    return "".join("?" if unicodedata.category(c) in {"Cc", "Cf", "Cs"} else c for c in text)
