"""What the names of photos say: lights off or on, which side, which stage, when."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import Literal

State = Literal["off", "on"]

# Where a name has words of several of these, the first one counts: "light-off" is off.
STATE_WORDS: tuple[dict[str, State], ...] = (
    {"off": "off", "on": "on", "lightsoff": "off", "lightson": "on"},
    {"unlit": "off", "lit": "on"},
    {"dark": "off", "light": "on", "lights": "on"},
)
LAMP_WORDS = frozenset({"light", "lights", "lamp", "lamps", "leds"})  # "lights off" as a folder
SURE_WORDS = 2  # of these; "port light" alone may be the name of a lamp
STAGE_WORDS = frozenset({"coat", "coats", "stage", "test", "day", "layer", "step", "round"})
GLUED = re.compile(r"(.{2,}?)(unlit|off|lit|on)", re.IGNORECASE)  # "bowoff" beside "bowon"
CLOCK = re.compile(r"(?<!\d)((?:19|20)\d{6})[-_ T]?(\d{6})(?!\d)")  # 20240318_152700


@dataclass(frozen=True)
class Named:
    """What the name of one photo says."""

    state: State | None
    sure: bool  # the word says so even where no partner has the other word
    folder: tuple[str, ...]  # folders from the top, those that say the state left out
    words: tuple[str, ...]  # of the name, without the state; small letters and numbers

    @property
    def key(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The same for both photos of a pair."""
        return self.folder, self.words

    @property
    def without_numbers(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The same for both photos of a pair that a camera or a copy has numbered."""
        return self.folder, tuple(word for word in self.words if not word.isdigit())


def named(path: PurePosixPath) -> Named:
    """What a photo's name, relative to the folder of the batch, says."""
    words = words_of(path.stem)
    folders = path.parts[:-1]
    state, rank, rest = _state(words)
    if state is not None:
        return Named(state, rank < SURE_WORDS, folders, rest)
    for k in reversed(range(len(folders))):
        state, _, left = _state(words_of(folders[k]))
        if state is not None and LAMP_WORDS.issuperset(left):
            return Named(state, True, folders[:k] + folders[k + 1 :], words)
    return Named(None, False, folders, words)


def unglued(path: PurePosixPath) -> Named | None:
    """The same where the state's word is glued to another one, or None: "bowoff"."""
    found = GLUED.fullmatch(path.stem)
    if found is None:
        return None
    states = {**STATE_WORDS[0], **STATE_WORDS[1]}
    return Named(states[found[2].lower()], False, path.parts[:-1], words_of(found[1]))


def words_of(text: str) -> tuple[str, ...]:
    """Words and numbers in small letters: "BowOff_02" is bow, off, 02."""
    runs = re.findall(r"[^\W\d_]+|\d+", composed(text))
    return tuple(part.lower() for run in runs for part in re.split(r"(?<=[a-z])(?=[A-Z])", run))


def composed(text: str) -> str:
    """A name with one character for "ä": a Mac writes two."""
    return unicodedata.normalize("NFC", text)


def stage_in(words: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """A stage such as "coat-2" in a name's words, and the words without it; "" where none is."""
    for k, word in enumerate(words):
        if word in STAGE_WORDS and k + 1 < len(words) and words[k + 1].isdigit():
            return f"{word}-{words[k + 1]}", words[:k] + words[k + 2 :]
    return "", words


def natural(text: str) -> tuple[tuple[int, str], ...]:
    """A key that sorts "coat-10" behind "coat-9"."""
    return tuple(
        (int(part), "") if part.isdigit() else (-1, part.lower())
        for part in re.split(r"(\d+)", text)
        if part
    )


def clock_in(name: str) -> datetime | None:
    """The time that a camera wrote into a file's name: 20240318_152700."""
    found = CLOCK.search(name)
    if found is None:
        return None
    try:
        return datetime.strptime(found[1] + found[2], "%Y%m%d%H%M%S")
    except ValueError:
        return None


def _state(words: tuple[str, ...]) -> tuple[State | None, int, tuple[str, ...]]:
    """The state that words say, the rank of the words that say it, and the words without them."""
    for rank, states in enumerate(STATE_WORDS):
        said = {states[word] for word in words if word in states}
        if len(said) == 1:
            return said.pop(), rank, tuple(word for word in words if word not in states)
        if said:
            return None, rank, words
    return None, len(STATE_WORDS), words
