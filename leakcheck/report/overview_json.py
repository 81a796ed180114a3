"""An overview as the JSON file: documented field by field in `overview.schema.json`."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from leakcheck import __version__
from leakcheck.report.overview_words import verdict
from leakcheck.report.result_json import plain

if TYPE_CHECKING:
    from leakcheck.overview import Overview
    from leakcheck.settings import Settings

FORMAT = "leakcheck batch"
VERSION = 1  # raised when a field changes its meaning or goes; a new field does not raise it


def overview_to_dict(overview: Overview, settings: Settings) -> dict[str, Any]:
    """The overview as plain dicts, lists, strings and numbers, as the schema describes them."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "leakcheck": __version__,
        "verdict_text": verdict(overview),
        "exit_code": overview.exit_code,
        "folder": overview.folder,
        "views": [plain(view, "view") for view in overview.views],
        "pairs": [plain(pair, "pair") for pair in overview.pairs],
        "left_out": [plain(left, "left_out") for left in overview.left_out],
        "unused_openings": [
            {"drawing": name, "why": why} for name, why in overview.unused_openings
        ],
        "settings": plain(settings, "settings"),
    }


def overview_to_json(overview: Overview, settings: Settings) -> bytes:
    """The JSON file's bytes. ASCII, so that no console or file name can spoil it."""
    text = json.dumps(overview_to_dict(overview, settings), indent=1, allow_nan=False)
    return (text + "\n").encode("ascii")


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every overview fulfils."""
    text = files("leakcheck.report").joinpath("overview.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded
