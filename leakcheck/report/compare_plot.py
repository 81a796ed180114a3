"""Each leak's light over the coats, with what could be seen drawn in."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from leakcheck.report.compare_picture import STYLES
from leakcheck.report.sheet import DARK, GREY, PALE
from leakcheck.report.words import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from leakcheck.compare import Change, Comparison

SIZE_INCHES = (10.0, 6.25)
DPI = 140
DECADES_BELOW = 0.5  # under the faintest limit, so that "not seen" has room
FAINTEST = 1e-4  # contrast; nothing fainter is worth an axis
SPREAD_SHARE = 0.02  # of the axis, by which leaks stand beside each other so that errors show


def course_plot(comparison: Comparison) -> bytes:
    """Contrast of every leak against coats on a log axis, as a PNG file."""
    figure = Figure(figsize=SIZE_INCHES, dpi=DPI, facecolor=DARK)
    axes = figure.add_axes((0.115, 0.14, 0.74, 0.80))
    axes.set_facecolor(DARK)
    axes.set_yscale("log")
    low = _lowest(comparison)
    _draw_limits(axes, comparison)
    ends = []
    count = len(comparison.changes)
    spread = SPREAD_SHARE * comparison.coats * (len(comparison.stages) - 1)
    for k, change in enumerate(comparison.changes):
        shift = spread * (2 * k / max(count - 1, 1) - 1 if count > 1 else 0)
        ends.append((_draw_course(axes, change, low, shift), change))
    _dress(axes, comparison, low)
    _label_ends(axes, [end for end in ends if end[0] is not None])
    FigureCanvasAgg(figure)
    data = io.BytesIO()
    figure.savefig(data, format="png", facecolor=DARK, metadata={"Software": "leakcheck"})
    return data.getvalue()


def _lowest(comparison: Comparison) -> float:
    """The bottom of the axis."""
    values = [comparison.noticeable]
    for change in comparison.changes:
        for step in change.course:
            if step.contrast is not None and step.limit is not None:
                values.append(max(step.contrast, step.limit, FAINTEST))
    return min(values) / 10**DECADES_BELOW


def _draw_course(axes: Axes, change: Change, low: float, shift: float) -> float | None:
    """One leak's points, errors and line; an arrow down where nothing was seen.

    Returns: where its line ends, contrast; None where nothing was measured last.
    """
    style = STYLES[change.state]
    x, y = [], []
    for step in change.course:
        if step.contrast is None or step.limit is None:
            continue
        seen = step.contrast > step.limit
        value = step.contrast if seen else max(step.limit, low)
        x.append(step.coats + shift)
        y.append(value)
        if seen:
            error = step.error or 0.0
            below = min(error, 0.9 * value)
            axes.errorbar(
                [x[-1]], [value], yerr=[[below], [error]], color=style.colour, fmt="o", ms=5
            )
        else:
            axes.plot([x[-1]], [value], marker="v", color=style.colour, ms=7, mfc="none")
    dashes = "-" if not style.dashes else "--"
    axes.plot(x, y, color=style.colour, lw=1.4, ls=dashes, alpha=0.85)
    return y[-1] if y else None


def _label_ends(axes: Axes, ends: list[tuple[float | None, Change]]) -> None:
    """Numbers and states right of the lines, moved apart where they would touch."""
    if not ends:
        return
    low, high = np.log10(axes.get_ylim())
    place = axes.get_yaxis_transform()
    apart = 0.038 * (high - low)
    heights = sorted((float(np.log10(value)), change.number) for value, change in ends if value)
    by_number = {change.number: change for _, change in ends}
    last = -np.inf
    for height, number in heights:
        last = max(height, last + apart)
        change = by_number[number]
        axes.annotate(
            f"{number} {change.state}",
            (1.015, 10**last),
            xycoords=place,
            color=STYLES[change.state].colour,
            va="center",
            fontsize=9,
            annotation_clip=False,
        )


def _draw_limits(axes: Axes, comparison: Comparison) -> None:
    """What each test could have shown, and what people notice."""
    x = [comparison.coats * k for k in range(len(comparison.stages))]
    for name, dots in (("pinhole_far", ":"), ("broad_far", "-.")):
        y = [getattr(stage.check.limit, name).contrast for stage in comparison.stages]
        word = "pinhole" if name == "pinhole_far" else "broad glow"
        if np.isfinite(y).all():
            label = f"faintest {word} that a check shows"
            axes.plot(x, y, ls=dots, color=GREY, lw=1.2, label=label)
    axes.axhline(comparison.noticeable, color=PALE, lw=0.8, alpha=0.7, label="people notice")


def _dress(axes: Axes, comparison: Comparison, low: float) -> None:
    """Axes, ticks and words."""
    high = 1.5 * max(axes.get_ylim()[1], 2 * comparison.noticeable)
    axes.set_ylim(low, high)
    end = comparison.coats * (len(comparison.stages) - 1)
    axes.set_xlim(-0.12 * end, 1.06 * end)
    axes.set_xticks([comparison.coats * k for k in range(len(comparison.stages))])
    names = [stage.name[:24] for stage in comparison.stages]
    axes.set_xticklabels(
        [f"{comparison.coats * k}\n{name}" for k, name in enumerate(names)], parse_math=False
    )
    axes.xaxis.set_minor_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"+{percent(value)}"))
    axes.set_xlabel("coats", color=PALE)
    axes.set_ylabel("light added to the room light on its surface", color=PALE)
    axes.tick_params(colors=PALE, which="both")
    for spine in axes.spines.values():
        spine.set_color(GREY)
    axes.grid(True, color=GREY, alpha=0.2)
    axes.legend(facecolor=DARK, edgecolor=GREY, labelcolor=PALE, fontsize=8, loc="best")
