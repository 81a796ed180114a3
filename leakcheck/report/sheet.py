"""A picture with a caption strip below it: lines, labels and text, drawn by matplotlib.

Everything is measured in units of a hundredth of the picture's width, so that a picture of any
size looks the same when it is shared at 1,080 px.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import cv2
import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import FancyBboxPatch
from matplotlib.textpath import text_to_path
from numpy.typing import NDArray
from PIL import ImageColor

Rgb: TypeAlias = NDArray[np.uint8]  # (rows, cols, 3), sRGB as displayed
Polygon: TypeAlias = NDArray[np.float64]  # (n, 2) of x, y in px of the picture

DPI = 100
POINTS_PER_PX = 72 / DPI
# Each row is coded as what it differs from the one above by: as small a file as at level 3 with
# a filter chosen for each row, in half the time.
PNG_COMPRESSION = 2
PNG_FILTER, UP = 19, 32  # cv2.IMWRITE_PNG_FILTER, which older versions neither name nor know

DARK = "#0b141d"  # casing of lines, ground of labels and strip
PALE = "#e8eef2"
GREY = "#93a4b1"

TEXT = 1.55  # size of the letters, in units: 16.7 px at 1,080
LABEL_HEIGHT = 2.6
LABEL_BORDER = 0.16


@dataclass(frozen=True)
class LineStyle:
    """How the outlines of one kind of thing are drawn; all but the colour in units."""

    colour: str
    width: float
    casing: float  # dark line on each side, so that it shows on bright ground as well
    dashes: tuple[float, ...] = ()


def _font(unit_px: float, *, bold: bool) -> FontProperties:
    """The font that matplotlib brings along: the same on every machine."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
    return FontProperties(fname=path, size=TEXT * unit_px * POINTS_PER_PX)


def text_width(text: str, *, bold: bool = False) -> float:
    """How wide a line of text will be, in units."""
    points, _, _ = text_to_path.get_text_width_height_descent(text, _font(1.0, bold=bold), False)
    return float(points) / POINTS_PER_PX


def label_size(text: str) -> tuple[float, float]:
    """Width and height of a label with its border, in units."""
    return max(text_width(text, bold=True) + 1.3, LABEL_HEIGHT), LABEL_HEIGHT


class Sheet:
    """A picture being drawn on. Positions are x, y in its pixels; the strip lies below."""

    def __init__(self, picture: Rgb, *, strip: float) -> None:
        """Lay the picture on a sheet with a dark strip below, `strip` units high."""
        self.rows, self.cols = picture.shape[:2]
        self.unit_px = self.cols / 100
        self._height = self.rows + round(strip * self.unit_px)
        self._figure = Figure(figsize=(self.cols / DPI, self._height / DPI), dpi=DPI)
        self._figure.patch.set_visible(False)
        # The ground is painted into the renderer's own pixels and the lines are drawn on top:
        # as an image of matplotlib's it would be resampled, at half the time of the whole.
        self._renderer = FigureCanvasAgg(self._figure).get_renderer()  # type: ignore[no-untyped-call]
        self._pixels = np.asarray(self._renderer.buffer_rgba())
        self._pixels[:] = (*ImageColor.getrgb(DARK), 255)
        # One axes over picture and strip, so that both count in the same pixels.
        self._axes = self._figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self._axes.set_xlim(-0.5, self.cols - 0.5)
        self._axes.set_ylim(self._height - 0.5, -0.5)
        self._axes.axis("off")
        self.image(picture, 0, 0)

    def image(self, picture: Rgb, x: float, y: float) -> None:
        """Lay pixels on the sheet as they are, their top left corner at (x, y)."""
        top, left = round(y), round(x)
        self._pixels[top : top + picture.shape[0], left : left + picture.shape[1], :3] = picture

    def lines(self, paths: Sequence[Polygon], style: LineStyle) -> None:
        """Draw lines of one style, first all their casings and then the lines themselves."""
        to_points = self.unit_px * POINTS_PER_PX
        # Dashes count in line widths; the casing is whole.
        dashes = (0, tuple(dash / style.width for dash in style.dashes))
        casing = (DARK, style.width + 2 * style.casing, "solid", 0.75)
        line = (style.colour, style.width, dashes if style.dashes else "solid", 1.0)
        for colour, width, pattern, alpha in (casing, line):
            self._axes.add_collection(
                LineCollection(
                    list(paths),
                    colors=colour,
                    linewidths=width * to_points,
                    linestyles=[pattern],
                    alpha=alpha,
                    capstyle="butt" if style.dashes else "round",
                    joinstyle="round",
                ),
                autolim=False,
            )

    def outlines(self, polygons: Sequence[Polygon], style: LineStyle) -> None:
        """Draw closed lines."""
        self.lines([np.vstack([polygon, polygon[:1]]) for polygon in polygons], style)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        colour: str = PALE,
        bold: bool = False,
        align: str = "left",
    ) -> None:
        """Write one line, its middle at height y."""
        self._axes.text(
            x,
            y,
            text,
            color=colour,
            fontproperties=_font(self.unit_px, bold=bold),
            horizontalalignment=align,
            verticalalignment="center_baseline",
            parse_math=False,
        )

    def label(self, x: float, y: float, text: str, *, colour: str) -> None:
        """A plate with a number, centred at (x, y)."""
        width, height = (size * self.unit_px for size in label_size(text))
        self._axes.add_patch(
            FancyBboxPatch(
                (x - width / 2, y - height / 2),
                width,
                height,
                boxstyle=f"round,pad=0,rounding_size={height * 0.3}",
                facecolor=DARK,
                edgecolor=colour,
                linewidth=LABEL_BORDER * self.unit_px * POINTS_PER_PX,
                zorder=3,
            )
        )
        self._axes.text(
            x,
            y,
            text,
            color=PALE,
            fontproperties=_font(self.unit_px, bold=True),
            horizontalalignment="center",
            verticalalignment="center_baseline",
            parse_math=False,
            zorder=4,
        )

    def png(self) -> bytes:
        """The finished sheet as the bytes of a PNG file; nothing can be added afterwards."""
        self._figure.draw(self._renderer)
        bgr = cv2.cvtColor(self._pixels, cv2.COLOR_RGBA2BGR)
        how = [cv2.IMWRITE_PNG_COMPRESSION, PNG_COMPRESSION, PNG_FILTER, UP]
        done, data = cv2.imencode(".png", bgr, how)
        assert done, "OpenCV always has a PNG encoder"
        return data.tobytes()
