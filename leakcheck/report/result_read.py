"""A saved result becomes a `Check` or a `Comparison` again, so that its page can be made anew."""

from __future__ import annotations

import json
import math
import types
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from leakcheck.check import Check, PhotoFacts
from leakcheck.compare import Comparison
from leakcheck.errors import PhotoError
from leakcheck.photo import Photo, frame_scale, linear_light
from leakcheck.register import Registration
from leakcheck.report.result_json import FORMAT, VERSION
from leakcheck.stages import Stage

DAMAGED = (KeyError, TypeError, ValueError, AttributeError)  # what bad content makes of building
MAX_FILE_BYTES = 100_000_000  # far above any result; what is larger is none


def read_result(path: Path, *, formats: Mapping[str, int]) -> dict[str, Any]:
    """The content of a result file of one of these formats, with the version that is understood.

    Raises: PhotoError where it cannot be read, is no such result or too new.
    """
    if path.is_dir():
        raise PhotoError(f"{path} is a folder. Give the result file in it.")
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PhotoError(f"{path} is too large for a result.")
        content = json.loads(path.read_text("utf-8"))
    except FileNotFoundError as fault:
        raise PhotoError(f"{path} does not exist. Check the name and the folder.") from fault
    except (OSError, ValueError, RecursionError) as fault:
        raise PhotoError(f"{path} cannot be read as a result; run the test again.") from fault
    known = str(content.get("format")) if isinstance(content, dict) else ""
    if known not in formats:
        raise PhotoError(f"{path} is no result of {' or '.join(formats)}.")
    if content.get("version") != formats[known]:
        raise PhotoError(
            f"{path} has version {content.get('version')} of its format, this leakcheck knows"
            f" {formats[known]}. Run the test again with this leakcheck."
        )
    return dict(content)


def read_check(path: Path) -> Check:
    """The check that a result file holds. Raises: PhotoError where it is none, or damaged."""
    return check_of(read_result(path, formats={FORMAT: VERSION}), path)


def check_of(content: Mapping[str, Any], path: Path) -> Check:
    """The check in the content of a result file; what only a measurement has is left out."""
    try:
        photos = content["photos"]
        values = {**content, "off": photos["off"], "on": photos["on"]}
        values |= {"glow": None, "images": None, "guessed": []}
        check: Check = built(Check, values)
        _refuse_odd(check)
    except DAMAGED as fault:
        raise PhotoError(_damaged(path, fault)) from fault
    return check


def _refuse_odd(check: Check) -> None:
    """Raise ValueError where an array has not the shape that it must have."""
    lists = (check.leaks, check.spill, check.likely_openings)
    polygons = [leak.outline for leaks in lists for leak in leaks]
    polygons += [ring for shape in check.openings for ring in shape.rings]
    for polygon in polygons:
        if polygon.ndim != 2 or polygon.shape[1] != 2 or not np.isfinite(polygon).all():
            raise ValueError("an outline that is none")
    if check.registration.homography.shape != (3, 3):
        raise ValueError("a homography that is none")
    if min(check.on.width_px, check.on.height_px, check.off.width_px, check.off.height_px) < 1:
        raise ValueError("a photo without a size")


def _damaged(path: Path, fault: Exception) -> str:
    return f"{path} is damaged: {type(fault).__name__} at {fault}. Run the test again."


def comparison_of(
    content: Mapping[str, Any], path: Path, photo_of: Callable[[PhotoFacts], Photo]
) -> Comparison:
    """The comparison in the content of a result file.

    Args:
        content: of `compare.json`.
        path: of it, for messages.
        photo_of: finds a photo again.
    Raises: PhotoError where it is damaged or a photo is not there.
    """
    if any("check" not in stage for stage in content.get("stages", ())):
        raise PhotoError(f"{path} was written by an older leakcheck; run compare again.")
    hints = get_type_hints(Comparison)
    try:
        stages = tuple(_stage(stage, path, photo_of) for stage in content["stages"])
        return Comparison(
            stages=stages,
            lamps=_value(hints["lamps"], content["openings"]),
            noticeable=content["noticeable_contrast"],
            **{
                name: _value(hints[name], content[name])
                for name in ("coats", "changes", "scale", "per_coat", "warnings")
            },
        )
    except DAMAGED as fault:
        raise PhotoError(_damaged(path, fault)) from fault


def _stage(
    content: Mapping[str, Any], path: Path, photo_of: Callable[[PhotoFacts], Photo]
) -> Stage:
    check = check_of(content["check"], path)
    on = photo_of(check.on)
    frame = linear_light(on, scale=frame_scale(*on.encoded.shape[:2]))
    link = content["from_base"]
    return Stage(
        name=str(content["name"]),
        check=check,
        on=on,
        frame=frame,
        from_base=None if link is None else built(Registration, link),
    )


def built(cls: type[Any], values: Mapping[str, Any]) -> Any:
    """A dataclass from plain JSON values by the types of its fields; others are passed over.

    Raises: KeyError, TypeError, ValueError where something is missing or of another kind.
    """
    hints = get_type_hints(cls)
    return cls(
        **{
            field.name: _value(hints[field.name], values[field.name])
            for field in fields(cls)
            if field.name in values
        }
    )


def _value(kind: Any, value: Any) -> Any:
    """One value as the type asks for."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        if value is None:
            return _none(kind)
        return _value(next(each for each in get_args(kind) if each is not type(None)), value)
    if origin in (np.ndarray, NDArray):  # since NumPy 2.5 NDArray is a name of its own
        return np.array([] if value is None else value, float)
    if origin is Literal:
        if value not in get_args(kind):
            raise ValueError(f"unknown word {value!r}")
        return value
    if origin is tuple:
        inner = get_args(kind)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_value(inner[0], each) for each in value)
        return tuple(_value(one, each) for one, each in zip(inner, value, strict=True))
    if is_dataclass(kind) and isinstance(kind, type):
        return built(kind, value)
    if kind is float:
        return math.nan if value is None else float(value)
    if kind is datetime:
        return datetime.fromisoformat(value)
    if not isinstance(value, kind):
        raise TypeError(f"{value!r} instead of {kind.__name__}")
    return value


def _none(kind: Any) -> None:
    if type(None) not in get_args(kind):
        raise TypeError("a value is missing")
