"""A check as the JSON file: documented field by field in `check.schema.json`."""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields, is_dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from leakcheck import __version__
from leakcheck.colour import CAMERA_NOTE
from leakcheck.report.words import lamps_verdict, verdict

if TYPE_CHECKING:
    from leakcheck.check import Check

FORMAT = "leakcheck check"
# Raised when a field changes its meaning or goes; a new field does not raise it.
VERSION = 1

SIGNIFICANT_DIGITS = 4  # nothing measured here is known better than to 0.1 %
POSITION_DECIMALS = 2  # 0.01 px: below any registration residual
_POSITIONS = {"x", "y", "outline", "rings", "shift_px"}
# A homography rounded to 4 digits would move a corner by pixels; settings are not measured.
_EXACT = {"homography", "settings", "shift_step_px", "time_s", "iso", "fnumber"}
# x and y of a colour are chromaticities, no positions: the fields inside go by the outer name.
_ONE_NAME = {*_EXACT, "colour", "rim_colour"}
# A list of numbers alone, a line each: no string can look like it, as its line ends are escaped.
_NUMBERS = re.compile(r"\[(?:\n *(?:-?\d[-+.\de]*|null),?)+\n *\]")
_POINTS = re.compile(r"\[(?:\n *\[[^\[\]\n\"]*\],?)+\n *\]")  # a list of such lists
# Fields of `Check` that are arrays for the pictures, or that the top level gives otherwise.
_LEFT_OUT = {"off", "on", "glow", "images", "lamps", "guessed"}


def check_to_dict(check: Check) -> dict[str, Any]:
    """The result as plain dicts, lists, strings and numbers, as the schema describes them.

    Positions are rounded to 0.01 px, other measured numbers to 4 significant digits; a number
    that is not finite becomes None.
    """
    return {
        "format": FORMAT,
        "version": VERSION,
        "leakcheck": __version__,
        "verdict": "tight" if check.tight else "leaks",
        "verdict_text": verdict(check),
        "lamps_text": lamps_verdict(check),
        "colour_note": CAMERA_NOTE,
        "photos": {"off": plain(check.off, "off"), "on": plain(check.on, "on")},
        "lamps": [{**plain(lamp, "lamp"), "fault": lamp.fault} for lamp in check.lamps],
        **{
            field.name: plain(getattr(check, field.name), field.name)
            for field in fields(check)
            if field.name not in _LEFT_OUT
        },
    }


def check_to_json(check: Check) -> bytes:
    """The JSON file's bytes. ASCII, so that no console or file name can spoil it."""
    return json_bytes(check_to_dict(check))


def json_bytes(content: dict[str, Any]) -> bytes:
    """A result as JSON: a field a line, and all numbers of an outline or a grid's row on one."""
    text = json.dumps(content, indent=1, allow_nan=False)
    for pattern in (_NUMBERS, _POINTS):
        text = pattern.sub(lambda row: " ".join(row[0].split()), text)
    return (text + "\n").encode("ascii")


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every `leakcheck check` result fulfils."""
    text = files("leakcheck.report").joinpath("check.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def plain(value: Any, name: str) -> Any:
    """One value of a result for JSON; `name` is its field and decides the rounding."""
    if is_dataclass(value):
        inner = {field.name: getattr(value, field.name) for field in fields(value)}
        return {key: plain(v, name if name in _ONE_NAME else key) for key, v in inner.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist(), name)
    if isinstance(value, list | tuple):
        return [plain(item, name) for item in value]
    if isinstance(value, float):
        return rounded(value, name)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    return value


def rounded(value: float, name: str) -> float | None:
    """The number with as many digits as the field called `name` deserves; None if not finite."""
    if not math.isfinite(value):
        return None
    if name in _EXACT:
        return value
    if name in _POSITIONS:
        return round(value, POSITION_DECIMALS) + 0.0  # no "-0.0"
    return float(f"{value:.{SIGNIFICANT_DIGITS}g}")
