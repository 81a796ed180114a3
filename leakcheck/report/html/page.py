"""Templates become a page: one file with everything inside, every name kept as text."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from leakcheck import __version__

_FOLDER = "leakcheck.report.html"
# A quoted name in a sentence: names may hold quotes themselves, so it goes on to a quote that ends
# a word.
_QUOTED = re.compile(r'"(.+?)"(?=[\s,.;:)]|$)')

# Control characters, and the invisible ones that turn the direction of writing: <bdi> cannot keep
# them to a name inside an attribute. Joiners stay, some scripts are written with them.
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]+")
# A number and its unit, which stay on one line.
_UNIT = re.compile(r"(\d) (%|(?:mm|px|x|K|nm|s|stops?)\b)")


def render(template: str, **context: Any) -> bytes:
    """The page's bytes, UTF-8.

    Args:
        template: file in this folder, extending `base.html.jinja`.
        context: what it shows; every string is escaped.
    """
    style, script = _text("style.css"), _text("page.js")
    page = _environment().get_template(template)
    return page.render(
        **context,
        style=Markup(style),
        script=Markup(script),
        script_hash=_hash(script),
        version=__version__,
    ).encode("utf-8", "replace")  # whatever a name holds


def name(text: object) -> Markup:
    """A name from a file: escaped, unable to turn the text beside it round."""
    return Markup("<bdi>{}</bdi>").format(plain(text))


def words(sentence: object) -> Markup:
    """A sentence in which names stand in double quotes: escaped, every name kept to itself."""
    text = plain(sentence)
    parts: list[Markup] = []
    end = 0
    for found in _QUOTED.finditer(text):
        parts += [
            escape(_unbroken(text[end : found.start()])),
            Markup('"'),
            name(found[1]),
            Markup('"'),
        ]
        end = found.end()
    return Markup("").join([*parts, escape(_unbroken(text[end:]))])


def plain(text: object) -> str:
    """A text without characters that cannot be seen."""
    return _UNSEEN.sub(" ", str(text))


def _unbroken(value: Any) -> Any:
    """A text without unseen characters, its units kept beside their numbers; else as it is."""
    if isinstance(value, Markup) or not isinstance(value, str):
        return value
    return _UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", plain(value))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("leakcheck", "report/html"),
        autoescape=True,
        finalize=_unbroken,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"name": name, "words": words, "plain": plain}
    return environment


def _text(file: str) -> str:
    return files(_FOLDER).joinpath(file).read_text("utf-8")


def _hash(script: str) -> str:
    """What lets this one script run, by Content Security Policy Level 3."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
