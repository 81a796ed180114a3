"""Where the numbers go in a picture: beside their marks, on no mark and on no other number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

Polygon: TypeAlias = NDArray[np.float64]  # (n, 2) of x, y in picture px
_Grid: TypeAlias = NDArray[np.float32]

GRID_COLUMNS = 500  # places tried across the picture: a fifth of a label's height apart
# Costs, in label heights of distance from the mark: what a place may cost before one further
# away is better.
COST_OF_OPENING = 3.0  # a window under the label can be seen no more
COST_OF_CROSSING = 4.0  # a leader over another mark points at the wrong thing
COST_OF_OVERLAP = 1000.0  # only where the picture is so full that nothing else is left
BEST_DISTANCE = 0.35  # from the mark to the label: close, but the leader can be seen
CANDIDATES = 1200  # best places, of which
SKIPPED = 20  # every so manyth has its leader looked at: neighbours are all alike


@dataclass(frozen=True)
class Label:
    """A label's place, in px of the picture."""

    x: float  # centre
    y: float
    from_xy: tuple[float, float]  # leader: on the label's edge
    to_xy: tuple[float, float]  # and on the mark


def place_labels(
    marks: Sequence[Polygon],
    sizes: Sequence[tuple[float, float]],
    *,
    shape: tuple[int, int],
    openings: Sequence[Polygon] = (),
) -> list[Label]:
    """Find a place for each label near its mark; the first mark has the first choice.

    Every place on a grid is rated: how far from the mark, how much of an opening it hides,
    whether its leader crosses other marks. Places on a mark, on a label already placed or
    beyond the border are taken only when there are no others.

    Args:
        marks: closed polygons that no label may cover.
        sizes: width and height of the label of each mark, px; marks beyond them have none.
        shape: rows, cols of the picture.
        openings: closed polygons that should rather not be covered.
    """
    cell = max(1.0, shape[1] / GRID_COLUMNS)
    rows, cols = max(1, int(shape[0] / cell)), max(1, int(shape[1] / cell))
    blocked = np.zeros((rows, cols), np.uint8)
    for mark in marks:
        _fill(blocked, mark, cell)
    soft = np.zeros((rows, cols), np.uint8)
    for opening in openings:
        _fill(soft, opening, cell)
    labels = []
    for mark, size in zip(marks, sizes, strict=False):
        label = _best_place(mark, size, blocked, soft, cell=cell)
        labels.append(label)
        _block(blocked, label, size, cell)
    return labels


def _best_place(
    mark: Polygon,
    size: tuple[float, float],
    blocked: NDArray[np.uint8],
    soft: NDArray[np.uint8],
    *,
    cell: float,
) -> Label:
    """The cheapest place for one label."""
    own = np.zeros_like(blocked)
    _fill(own, mark, cell)
    others = (blocked > 0) & (own == 0)
    cost = _cost(own, blocked, soft, size, cell).ravel()
    cheap = np.argpartition(cost, min(CANDIDATES, cost.size - 1))[:CANDIDATES]
    best = Label(0, 0, (0, 0), (0, 0))
    best_cost = np.inf
    for index in cheap[np.argsort(cost[cheap])][::SKIPPED]:
        if cost[index] >= best_cost:
            break
        row, col = divmod(int(index), own.shape[1])
        label = _with_leader((col + 0.5) * cell, (row + 0.5) * cell, size, mark)
        total = float(cost[index]) + COST_OF_CROSSING * _crossed(others, label, cell)
        if total < best_cost:
            best, best_cost = label, total
    return best


def _cost(
    own: NDArray[np.uint8],
    blocked: NDArray[np.uint8],
    soft: NDArray[np.uint8],
    size: tuple[float, float],
    cell: float,
) -> _Grid:
    """What each place for the label's centre costs, in label heights."""
    # One cell more on each side: labels do not touch each other or a mark.
    box = (int(np.ceil(size[0] / cell)) + 2, int(np.ceil(size[1] / cell)) + 2)
    distance = cv2.distanceTransform(1 - own, cv2.DIST_L2, 3)
    nearest = cv2.erode(distance, np.ones(box[::-1], np.uint8), borderValue=1e9)
    nearest = np.minimum(nearest, sum(own.shape))  # endless where the mark is off the picture
    cost = np.abs(nearest * cell / size[1] - BEST_DISTANCE)
    cost += COST_OF_OPENING * _share(soft, box)
    hit = _share(blocked, box)
    cost += np.where(hit > 0, COST_OF_OVERLAP * (1 + hit), 0)
    margin_x, margin_y = box[0] // 2 + 1, box[1] // 2 + 1
    inside = np.zeros(own.shape, bool)
    inside[margin_y : own.shape[0] - margin_y, margin_x : own.shape[1] - margin_x] = True
    result: _Grid = np.where(inside, cost, 10 * COST_OF_OVERLAP).astype(np.float32)
    return result


def _share(mask: NDArray[np.uint8], box: tuple[int, int]) -> _Grid:
    """Share of the box round each cell that the mask fills."""
    share: _Grid = cv2.blur(mask.astype(np.float32), box, borderType=cv2.BORDER_CONSTANT).astype(
        np.float32
    )
    share[share < 0.5 / (box[0] * box[1])] = 0  # what rounding leaves of an empty box
    return share


def _with_leader(x: float, y: float, size: tuple[float, float], mark: Polygon) -> Label:
    """The label at (x, y) with the shortest line from its edge to its mark."""
    half, centre = np.array(size) / 2, np.array([x, y])
    on_edge = np.clip(mark, centre - half, centre + half)
    nearest = int(np.argmin(((mark - on_edge) ** 2).sum(axis=1)))
    start, end = on_edge[nearest], mark[nearest]
    return Label(x, y, (float(start[0]), float(start[1])), (float(end[0]), float(end[1])))


def _crossed(others: NDArray[np.bool_], label: Label, cell: float) -> float:
    """Share of the leader that runs over other marks and labels."""
    along = np.linspace(0, 1, 24)[:, None]
    points = (np.array(label.from_xy) * (1 - along) + np.array(label.to_xy) * along) / cell
    cols = np.clip(points[:, 0].astype(int), 0, others.shape[1] - 1)
    rows = np.clip(points[:, 1].astype(int), 0, others.shape[0] - 1)
    return float(others[rows, cols].mean())


def _block(
    blocked: NDArray[np.uint8], label: Label, size: tuple[float, float], cell: float
) -> None:
    """Mark a placed label and its leader as taken."""
    half = np.array(size) / 2
    low = np.array([label.x, label.y]) - half
    high = np.array([label.x, label.y]) + half
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    _fill(blocked, corners, cell)
    start, end = (np.round(np.array(p) / cell).astype(int) for p in (label.from_xy, label.to_xy))
    cv2.line(blocked, tuple(map(int, start)), tuple(map(int, end)), 1)


def _fill(mask: NDArray[np.uint8], polygon: Polygon, cell: float) -> None:
    """Set the cells that the polygon covers or touches."""
    points = np.round(polygon / cell - 0.5).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [points], 1)
    cv2.polylines(mask, [points], True, 1)
