"""A test strip of paint: read from photo and drawing, told as text and JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from rich.table import Table

from leakcheck import __version__
from leakcheck.coats import Strip, measure_strip
from leakcheck.errors import LeakcheckError, OpeningsError
from leakcheck.openings import read_openings
from leakcheck.photo import frame_scale, linear_light, read_photo
from leakcheck.report.result_json import plain
from leakcheck.report.terminal import RULE_UNDER_HEADS, plain_console, text_of
from leakcheck.report.words import percent, printable

FORMAT = "leakcheck coats"
VERSION = 1
COATS_IN_NAME = re.compile(r"coats?[-_ ]*(\d{1,2})(?!\d)|(\d{1,2})[-_ ]*coats?", re.IGNORECASE)
DARK_NAME = re.compile(r"\b(dark|opaque|black)\b", re.IGNORECASE)


def read_strip(photo_path: Path, patches_path: Path) -> Strip:
    """Measure the strip in a photo by the fields drawn on it.

    Args:
        photo_path: the strip, lit from behind.
        patches_path: SVG whose shapes are named by their id or label: `coat-0`, `coat-1`...; one
            named `dark` lies where no light comes through.
    Raises: PhotoError, OpeningsError, ExposureError.
    """
    photo = read_photo(photo_path)
    drawn = read_openings(patches_path, size=photo.encoded.shape[1::-1])
    dark = [shape for shape in drawn.shapes if DARK_NAME.search(shape.name)]
    fields = [
        (shape, coats)
        for shape in drawn.shapes
        if shape not in dark and (coats := coats_in(shape.name)) is not None
    ]
    left = [s.name for s in drawn.shapes if s not in dark and coats_in(s.name) is None]
    if not fields:
        raise OpeningsError(
            f"{patches_path.name}: no shape is called after its number of coats; name them coat-0, "
            f"coat-1 and so on (found: {', '.join(left[:5])})."
        )
    frame = linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2]))
    try:
        return measure_strip(frame, fields, dark=dark[0] if dark else None)
    except LeakcheckError as error:
        raise type(error)(f"{photo_path.name}: {error}") from error


def coats_in(name: str) -> int | None:
    """The number of coats that a name tells: "coat-2", "2 coats", "coat 3 left"."""
    match = COATS_IN_NAME.search(name)
    return int(match.group(1) or match.group(2)) if match else None


def strip_text(strip: Strip, *, width: int = 80, colour: bool = False) -> str:
    """The strip for a terminal or a pipe."""
    console = plain_console(width=width, colour=colour)
    low, high = strip.per_coat_low, strip.per_coat_high
    console.print(
        f"One coat: density {strip.per_coat:.3f} ({low:.3f} to {high:.3f}, 95 %), it stops "
        f"{percent(max(1 - 10**-strip.per_coat, 0.0))} of the light."
    )
    if strip.straight is not None:
        console.print(
            "The coats lie on a straight line: each stops as much as the one before."
            if strip.straight
            else "The coats do not lie on a straight line: they differ in thickness, the first "
            "covers otherwise, or stray light reaches the camera (draw a field called dark)."
        )
    if strip.first_coat is not None:
        console.print(f"The first coat: density {strip.first_coat:.3f}.")
    if strip.coats_for_black is not None:
        console.print(f"A thousandth of the light is left after {strip.coats_for_black} coats.")
    table = Table(box=RULE_UNDER_HEADS, show_edge=False, pad_edge=False, padding=(0, 2, 0, 0))
    for head in ("Coats", "Field", "Density", "+-", ""):
        table.add_column(head, justify="right" if head in ("Coats", "Density", "+-") else "left")
    for patch in strip.patches:
        density = "-" if patch.density is None else f"{patch.density:.3f}"
        error = "-" if patch.density_error is None else f"{patch.density_error:.3f}"
        table.add_row(str(patch.coats), printable(patch.name), density, error, patch.problem)
    console.print()
    console.print(table)
    return text_of(console)


def strip_to_dict(strip: Strip) -> dict[str, Any]:
    """The strip as plain dicts, lists, strings and numbers."""
    head = {"format": FORMAT, "version": VERSION, "leakcheck": __version__}
    return {**head, **plain(strip, "strip")}


def strip_to_json(strip: Strip) -> bytes:
    """The JSON file's bytes, ASCII."""
    return (json.dumps(strip_to_dict(strip), indent=1, allow_nan=False) + "\n").encode("ascii")
