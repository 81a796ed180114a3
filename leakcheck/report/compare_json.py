"""A comparison as the JSON file: documented field by field in `compare.schema.json`."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from leakcheck import __version__
from leakcheck.report.compare_words import verdict
from leakcheck.report.result_json import check_to_dict, json_bytes, plain

if TYPE_CHECKING:
    from leakcheck.compare import Comparison
    from leakcheck.stages import Stage

FORMAT = "leakcheck compare"
VERSION = 1  # raised when a field changes its meaning or goes; a new field does not raise it


def comparison_to_dict(comparison: Comparison) -> dict[str, Any]:
    """The result as plain dicts, lists, strings and numbers, as the schema describes them."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "leakcheck": __version__,
        "verdict": "nothing left" if comparison.closed else "leaks left",
        "verdict_text": verdict(comparison),
        "coats": comparison.coats,
        "stages": [_stage(stage) for stage in comparison.stages],
        "scale": plain(comparison.scale, "scale"),
        "per_coat": plain(comparison.per_coat, "per_coat"),
        "changes": [plain(change, "change") for change in comparison.changes],
        "openings": [plain(lamp, "lamp") for lamp in comparison.lamps],
        "noticeable_contrast": comparison.noticeable,
        "warnings": list(comparison.warnings),
    }


def comparison_to_json(comparison: Comparison) -> bytes:
    """The JSON file's bytes. ASCII, so that no console or file name can spoil it."""
    return json_bytes(comparison_to_dict(comparison))


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every `leakcheck compare` result fulfils."""
    text = files("leakcheck.report").joinpath("compare.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def _stage(stage: Stage) -> dict[str, Any]:
    """One test: its photos, what it found and what it could have seen."""
    link = stage.from_base
    return {
        "name": stage.name,
        "photos": {"off": plain(stage.check.off, "off"), "on": plain(stage.check.on, "on")},
        "leaks": len(stage.check.leaks),
        "limit": plain(stage.check.limit, "limit"),
        "window_level": plain(stage.check.window_level, "window_level"),
        "laid_onto_base": link is not None,
        "residual_px": None if link is None else plain(link.residual_px, "residual_px"),
        "overlap": None if link is None else plain(link.overlap, "overlap"),
        "how": "the base" if link is None else link.how,
        # With these two the report can be made again without measuring.
        "from_base": None if link is None else plain(replace(link, residual_grid_px=None), "link"),
        "check": check_to_dict(stage.check),
    }
