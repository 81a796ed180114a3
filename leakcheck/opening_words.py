"""What the shapes of an openings file are called: kind, expected colour and name."""

from __future__ import annotations

import difflib
import itertools
import re
from collections.abc import Sequence
from typing import Literal
from xml.etree.ElementTree import Element

from leakcheck.svg import local_tag

OpeningKind = Literal["window", "beacon", "ignore", "model"]

KINDS: dict[str, OpeningKind] = {
    "window": "window",
    "beacon": "beacon",
    "ignore": "ignore",
    "ignored": "ignore",
    "model": "model",
}
# What LEDs for models are sold as, as far as a photo can confirm it (`colour.meets`).
COLOURS = (
    "warm white",
    "neutral white",
    "cool white",
    "white",
    "red",
    "orange",
    "amber",
    "yellow",
    "green",
    "blue",
)
SAME_COLOUR = {"cold white": "cool white"}
_COLOUR_BY_LETTERS = {
    word.replace(" ", ""): colour
    for word, colour in [*((c, c) for c in COLOURS), *SAME_COLOUR.items()]
}

LABELS = (  # where drawing programs keep the name that a person gave
    "{http://www.inkscape.org/namespaces/inkscape}label",
    "{http://www.serif.com/}id",
    "data-name",
)
# Ids that a drawing program made up: path1234, rect56-7, XMLID_12_, Layer_1.
MADE_UP_ID = re.compile(
    r"(path|rect|circle|ellipse|polygon|polyline|line|g|group|use|shape|object|clone|svg"
    r"|layer|xmlid|svgid)[-_]?\d+([-_][-\w]*)?",
    re.IGNORECASE,
)
MAX_CLASSES = 20  # of one shape; a drawing program gives one or two
LONGEST_WORD = 20  # letters; "neutral-white" has 13
MAX_NAME = 200  # letters; longer is no name and would drown a table
CLOSE_WORD = 0.75  # difflib's ratio: "gren" for green, not "cls" for blue


def kind_of(nodes: Sequence[Element]) -> OpeningKind | None:
    """What a shape is, by its class or the nearest group's class, id or label.

    Args:
        nodes: the shape's element, then the groups it is nested in.
    Returns: None where nothing says so.
    """
    for depth, node in enumerate(nodes):
        says = [_kind_word(word) for word in node.get("class", "").split()]
        if depth:  # the last word counts: "model windows" are windows
            names = [node.get("id", ""), *(node.get(key, "") for key in LABELS)]
            says += [_kind_word(word) for name in names for word in reversed(_words(name))]
        found = next((kind for kind in says if kind), None)
        if found:
            return found
    return None


def kind_in_name(name: str) -> OpeningKind | None:
    """The kind that a shape's own name starts with: "beacon-port" is a beacon."""
    words = _words(name)
    return _kind_word(words[0]) if words else None


def colour_of(nodes: Sequence[Element]) -> tuple[str | None, str | None]:
    """The expected colour of a shape, and the word for it where that is not known.

    Args:
        nodes: the shape's element, then the groups it is nested in; the nearest counts.
    Returns: one of `COLOURS` or None; an unknown word of a `data-colour` attribute or None.
    """
    for node in nodes:
        asked = (node.get("data-colour") or node.get("data-color") or "").strip()
        if asked:
            known = _COLOUR_BY_LETTERS.get(_letters(asked))
            return known, None if known else asked[:MAX_NAME]
        words = node.get("class", "").split()
        pairs = [one + two for one, two in itertools.pairwise(words)]
        for word in (*pairs, *words):
            if _letters(word) in _COLOUR_BY_LETTERS:
                return _COLOUR_BY_LETTERS[_letters(word)], None
    return None, None


def misspelt(element: Element) -> list[tuple[str, str]]:
    """Classes that are no word of ours but look like one, each with the word meant.

    Other classes belong to the drawing program's style sheet and mean nothing here.
    """
    ours = {**dict.fromkeys(KINDS, ""), **_COLOUR_BY_LETTERS, "warm": "", "cool": "", "cold": ""}
    found = []
    for word in dict.fromkeys(element.get("class", "").split()[:MAX_CLASSES]):
        letters = _letters(word)
        if letters in ours or _kind_word(letters) or not letters.isalpha():
            continue
        if len(letters) > LONGEST_WORD:
            continue
        for close in difflib.get_close_matches(letters, ours, n=1, cutoff=CLOSE_WORD):
            found.append((word[:MAX_NAME], ours[close] or close))
    return found


def name_of(element: Element) -> str | None:
    """The name a person gave a shape: `data-name`, `id`, then `<title>` or label.

    An id that a drawing program made up gives way to any of the others.
    """
    own_id = _tidy(element.get("id", ""))
    title = next((_tidy(c.text or "") for c in element if local_tag(c) == "title"), "")
    labels = [_tidy(element.get(key, "")) for key in LABELS[:-1]]
    given = [title, *(label for label in labels if not label.startswith("#"))]
    if MADE_UP_ID.fullmatch(own_id):
        given.append(own_id)
    else:
        given.insert(0, own_id)
    return next((name for name in (_tidy(element.get("data-name", "")), *given) if name), None)


def numbered(names: Sequence[str | None], kinds: Sequence[OpeningKind]) -> list[str]:
    """The names, with window-1, window-2, beacon-1... for those that have none."""
    taken = {name for name in names if name}
    counts: dict[str, int] = {}
    result = []
    for name, kind in zip(names, kinds, strict=True):
        given = name
        while not given:
            counts[kind] = counts.get(kind, 0) + 1
            free = f"{kind}-{counts[kind]}"
            given = None if free in taken else free
        result.append(given)
    return result


def _kind_word(word: str) -> OpeningKind | None:
    word = word.lower()
    return KINDS.get(word) or KINDS.get(word.removesuffix("s"))


def _words(name: str) -> list[str]:
    """Words of an id or label: "windowsPort_2" is windows, Port."""
    return re.findall(r"[A-Z]?[a-z]+|[A-Z]+", name[:MAX_NAME])


def _letters(text: str) -> str:
    return re.sub(r"[-_\s]+", "", text.lower())


def _tidy(text: str) -> str:
    """A name on one line, without control characters."""
    printable = "".join(c if c.isprintable() else " " for c in text[: 4 * MAX_NAME])
    return " ".join(printable.split())[:MAX_NAME].strip()
