"""The file of pairs: what `leakcheck batch` would pair, for looking over and correcting."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from leakcheck.errors import UsageError
from leakcheck.pairing import LeftOut, PhotoPair
from leakcheck.report.table_csv import to_csv
from leakcheck.shot_names import composed
from leakcheck.shots import Shot
from leakcheck.views import PlacedPair

COLUMNS = (
    "view",  # the side of the model; empty: found out
    "stage",  # the state of its paint; empty: found out
    "off",  # the photo with the lights off, from the folder
    "on",  # the one with them on; a row without both is no pair
    "openings",  # an SVG drawing, from the folder; empty: found out; "none": none
    "length_mm",  # the model's real length as this view shows it; empty: as --length-mm says
    "how",  # name, content or file: what the row rests on; not read
    "why",  # not read
)
NONE = "none"  # in the column of openings


@dataclass(frozen=True)
class Row:
    """One pair that a file of pairs asks for."""

    line: int  # in the file
    view: str
    stage: str
    off: str
    on: str
    openings: str
    length_mm: float | None


def pairs_csv(
    pairs: Sequence[PlacedPair],
    left_out: Sequence[LeftOut],
    openings: Mapping[int, str],
    lengths: Mapping[int, float],
) -> bytes:
    """The file's bytes: a row for each pair, then one for each photo that is in none.

    Args:
        pairs, left_out: as found.
        openings: of pair k, as the folder names it; pairs that are not in it have none.
        lengths: of pair k, mm.
    """
    rows: list[list[str | float]] = []
    for k, p in enumerate(pairs):
        given = [openings.get(k, ""), lengths.get(k, "")]
        why = f"{p.pair.why}; view: {p.view_why}"
        rows.append([p.view, p.stage, p.pair.off.rel, p.pair.on.rel, *given, p.pair.how, why])
    for left in left_out:
        on = left.shot.named.sure and left.shot.named.state == "on"
        sides = ["", left.shot.rel] if on else [left.shot.rel, ""]
        rows.append(["", "", *sides, "", "", left.reason, left.why])
    return to_csv(COLUMNS, rows)


def read_rows(path: Path) -> list[Row]:
    """The pairs that a file asks for. Raises: UsageError, naming the line."""
    text = _text_of(path)
    lines = text.splitlines()
    # A spreadsheet of another country writes semicolons.
    apart = ";" if lines and lines[0].count(";") > lines[0].count(",") else ","
    reader = csv.DictReader(lines, delimiter=apart, strict=True)
    heads = [(head or "").strip().lower() for head in reader.fieldnames or []]
    if not {"off", "on"} <= set(heads):
        raise UsageError(
            f"{path} has no columns off and on in its first line; write one with --dry-run."
        )
    reader.fieldnames = heads
    try:
        rows = [_row(path, reader.line_num, dict(record)) for record in reader]
    except csv.Error as error:
        raise UsageError(f"{path}, line {reader.line_num}: {error}.") from error
    return [row for row in rows if row.off and row.on]


def _text_of(path: Path) -> str:
    """The file's text: UTF-8, or what spreadsheets of western Windows write."""
    try:
        data = path.read_bytes()
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError:
            return data.decode("cp1252")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path} cannot be read as a table of pairs ({error}).") from error


def _row(path: Path, line: int, record: dict[str, object]) -> Row:
    cells = {key: _text(record.get(key)) for key in COLUMNS}
    length = None
    if cells["length_mm"]:
        try:
            length = float(cells["length_mm"].replace(",", "."))
        except ValueError:
            length = math.nan
        if not (length > 0 and math.isfinite(length)):
            raise UsageError(f"{path}, line {line}: length_mm must be a number above 0.")
    return Row(
        line,
        cells["view"],
        cells["stage"],
        cells["off"],
        cells["on"],
        cells["openings"],
        length,
    )


def _text(value: object) -> str:
    """A cell's text; the apostrophe that keeps spreadsheets from computing is no part of it."""
    text = value.strip() if isinstance(value, str) else ""
    return text[1:] if text[:2] in ("'=", "'+", "'-", "'@") else text


def pairs_of_rows(
    rows: Sequence[Row], shots: Sequence[Shot], path: Path
) -> tuple[list[PhotoPair], list[LeftOut]]:
    """The pairs of a file, and the photos that it does not name.

    Raises: UsageError where a row names a photo that is not in the folder, or one twice.
    """
    by_name = {composed(shot.rel): shot for shot in shots}
    pairs = []
    for row in rows:
        found = []
        for name in (row.off, row.on):
            shot = by_name.get(composed(name.replace("\\", "/").removeprefix("./")))
            if shot is None:
                raise UsageError(
                    f"{path}, line {row.line}: {name} is no photo in the folder. Give its name as "
                    "seen from the folder."
                )
            found.append(shot)
        if found[0] is found[1]:
            raise UsageError(f"{path}, line {row.line}: {row.off} stands for both photos.")
        pairs.append(PhotoPair(found[0], found[1], "file", f"line {row.line} of {path.name}"))
    used = {id(shot) for pair in pairs for shot in (pair.off, pair.on)}
    left = [
        LeftOut(shot, "not in the file", f"{path.name} does not name it")
        for shot in shots
        if id(shot) not in used
    ]
    return pairs, left
