"""The strip below a picture: verdict, key to the lines, scale bar."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from leakcheck.report.sheet import GREY, PALE, LineStyle, Sheet, text_width

# All in units, hundredths of the picture's width.
MARGIN = 1.8
ROW = 2.9  # from line to line
SAMPLE = 3.6  # length of a line in the key
GAP = 1.0  # between a sample and its word
BETWEEN = 2.6  # between two entries of the key
LONGEST_BAR = 22.0
BAR_TICK = 0.5  # half the height of the scale bar's ends
USABLE = 100 - 2 * MARGIN

BAR = LineStyle(PALE, 0.18, 0.0)
VERDICT_COLOURS = {"TIGHT": "#8fe3a8", "LEAKS": "#ffab8a"}
WORDMARK = "leakcheck"


@dataclass(frozen=True)
class Piece:
    """A word, or a line of the key or the scale bar, on one row of the strip."""

    row: int
    x: float  # left end, units
    text: str = ""
    colour: str = PALE
    bold: bool = False
    line: LineStyle | None = None
    length: float = 0.0  # of the line, units
    ends: bool = False  # ticks at both ends


def caption(
    verdict: str, key: Sequence[tuple[LineStyle, str]], *, mm_per_unit: float | None
) -> list[Piece]:
    """Lay out the strip.

    Args:
        verdict: sentences, the first word stands out.
        key: line styles and what they mean.
        mm_per_unit: millimetres per hundredth of the picture's width, None where unknown.
    """
    pieces = _verdict(verdict)
    pieces += _key(key, first_row=rows_of(pieces))
    end = max(p.x + p.length + text_width(p.text) for p in pieces if p.row == pieces[-1].row)
    name = Piece(0, 100 - MARGIN - text_width(WORDMARK), WORDMARK, GREY)
    right = [*_scale_bar(mm_per_unit), name]
    # Beside the key where there is room, else on a row of its own.
    row = pieces[-1].row + (end + BETWEEN > min(piece.x for piece in right))
    return [*pieces, *(replace(piece, row=row) for piece in right)]


def rows_of(pieces: Sequence[Piece]) -> int:
    """How many rows the pieces take."""
    return max((piece.row for piece in pieces), default=-1) + 1


def strip_height(rows: int) -> float:
    """Height of a strip with so many rows, in units."""
    return rows * ROW + 2 * MARGIN - (ROW - 1.6)


def draw_caption(sheet: Sheet, pieces: Sequence[Piece], *, first_row: int = 0) -> None:
    """Draw the pieces on the strip of a sheet, `first_row` rows down."""
    for piece in pieces:
        x = piece.x * sheet.unit_px
        y = row_y(sheet, first_row + piece.row)
        if piece.text:
            sheet.text(x, y, piece.text, colour=piece.colour, bold=piece.bold)
        if piece.line is not None:
            end = x + piece.length * sheet.unit_px
            sheet.lines([np.array([[x, y], [end, y]])], piece.line)
            tick = BAR_TICK * sheet.unit_px
            ends = [np.array([[each, y - tick], [each, y + tick]]) for each in (x, end)]
            if piece.ends:
                sheet.lines(ends, piece.line)


def row_y(sheet: Sheet, row: float) -> float:
    """Middle of a row of the strip, in px of the sheet."""
    return float(sheet.rows + (MARGIN + 0.8 + row * ROW) * sheet.unit_px)


def _verdict(verdict: str) -> list[Piece]:
    """The verdict, broken where the strip ends."""
    pieces: list[Piece] = []
    row, x = 0, MARGIN
    space = text_width("n n") - text_width("nn")
    line = ""
    for i, word in enumerate(verdict.split()):
        if i == 0:
            name = word.strip(":")
            pieces.append(Piece(0, x, name, VERDICT_COLOURS.get(name, PALE), bold=True))
            x += text_width(name, bold=True) + 1.5 * space
            continue
        longer = f"{line} {word}".strip()
        if line and x + text_width(longer) > 100 - MARGIN:
            pieces.append(Piece(row, x, line))
            row, x, longer = row + 1, MARGIN, word
        line = longer
    return [*pieces, Piece(row, x, line)]


def _key(key: Sequence[tuple[LineStyle, str]], *, first_row: int) -> list[Piece]:
    """Samples and words side by side, on as many rows as they need."""
    pieces: list[Piece] = []
    row, x = first_row, MARGIN
    for style, text in key:
        width = SAMPLE + GAP + text_width(text)
        if x > MARGIN and x + width > 100 - MARGIN:
            row, x = row + 1, MARGIN
        pieces.append(Piece(row, x, line=style, length=SAMPLE))
        pieces.append(Piece(row, x + SAMPLE + GAP, text))
        x += width + BETWEEN
    return pieces


def _scale_bar(mm_per_unit: float | None) -> list[Piece]:
    """The longest bar of 1, 2 or 5 times a power of ten that fits, left of the wordmark."""
    if mm_per_unit is None or not mm_per_unit > 0:
        return []
    longest_mm = LONGEST_BAR * mm_per_unit
    power = 10.0 ** math.floor(math.log10(longest_mm))
    length_mm = max(step * power for step in (1, 2, 5) if step * power <= longest_mm)
    text = f"{length_mm:,g} mm"
    x_text = 100 - MARGIN - text_width(WORDMARK) - BETWEEN - text_width(text)
    length = length_mm / mm_per_unit
    bar = Piece(0, x_text - GAP - length, line=BAR, length=length, ends=True)
    return [bar, Piece(0, x_text, text)]
