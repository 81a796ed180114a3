"""Parallax: what is left of a hand-held pair's shift after the best homography.

Seen from two places, each point of a solid thing moves along one known line, its epipolar line
(Hartley & Zisserman 2004, ch. 9). So one number per place is left to find: how far. Textures are
compared at all distances in question; over the whole grid at once those are chosen that agree
best and change little from cell to cell, except at the edges of things (semi-global matching,
Hirschmueller 2008, doi:10.1109/TPAMI.2007.1166). Then each place is drawn to the slanted plane
that its neighbours at like depth make, weighted by how much texture speaks for each of them.

Everything here is in px of the fixed frame; the moving texture is already laid onto it by the
homography. Node (i, j) of a grid stands for the cell round px (CELL * j, CELL * i).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2 as opencv
import numpy as np
from numpy.typing import NDArray

from leakcheck.light import median
from leakcheck.motion import Matrix, epipolar_lines
from leakcheck.photo import Image, Mask
from leakcheck.texture import Texture

cv2: Any = opencv  # its type hints know no images of floats

CELL = 8  # px: side of a grid cell; smaller ones hold too little texture, larger blur edges
SHRINK = 2  # distances are searched at half size: four times faster, and no less sure
WIDE_PX = 16.0  # a wider range of distances is searched first at quarter size, every other px
TRUNCATE = 48.0  # texture codes: beyond it a difference is a light or a hidden part, not a shift
SMALL_STEP = 8.0  # texture codes: price of a neighbour that is one candidate (1 px) further
LARGE_STEP = 30.0  # texture codes: price of an edge of depth
MARGIN_PX = 2.0  # candidates past those that tracked points show
MAX_REACH_PX = 100.0  # no candidate is further: parallax larger than that is another photo
SPREAD_CELLS = 3.0  # reach of neighbours that support a cell
LIKE_DEPTH_PX = 1.2  # neighbours further off in depth belong to another surface
ROUNDS = 3  # of evidence and smoothing; more change the result by less than 0.01 px
MAX_EVIDENCE = 20.0  # 1/px^2: no single cell may outvote its neighbours
UNSEEN = 1.5  # true error / error seen: neighbouring cells err alike; from drawn scenes
MIN_SHARE = 0.5  # of a cell must count for the cell to do so
OWN_PX_PER_VALUE = 4.0  # JPEG and blur tie neighbouring px together: of so many one counts


@dataclass(frozen=True, eq=False)
class Parallax:
    """The shift that the homography leaves, on a grid of nodes CELL px apart."""

    shift: Image  # (rows, cols, 2): x and y, px
    residual: Image  # (rows, cols): its uncertainty, px
    typical: float  # its 68th percentile over the cells that count, px
    left: float  # difference of the textures with the shift / without it


@dataclass(frozen=True, eq=False)
class _Scene:
    """What is compared: padded so that cells are centred on nodes, cropped to where it matters."""

    fixed: Texture
    laid: Texture
    weight: Image  # 1 where the fixed texture counts
    foot: Image  # (rows, cols, 2): from each node to the nearest point of its epipolar line
    along: Image  # (rows, cols, 2): unit vector along that line
    places: Image  # (fixed rows, fixed cols, 2): x and y of each pixel


def parallax(
    fixed: Texture, laid: Texture, counts: Mask, matrix: Matrix, reach: tuple[float, float]
) -> Parallax:
    """How far each place moved along its epipolar line.

    Args:
        fixed: (rows, cols), texture of the frame that stays.
        laid: (rows, cols), texture of the other, laid onto it by a homography.
        counts: (rows, cols), True where `fixed` may be compared: on the model, outside openings.
        matrix: fundamental matrix from `fixed` to `laid`.
        reach: least and largest shift along the lines that tracked points show, px.
    Returns: the shift and its uncertainty on a grid that covers the frame. Far from all that
        counts, the shift fades to none and the uncertainty grows.
    """
    nodes = (-(-fixed.shape[0] // CELL) + 1, -(-fixed.shape[1] // CELL) + 1)
    box = _box(counts, nodes)
    scene = _scene(fixed, laid, counts, matrix, box)
    low, high = (float(np.clip(r, -MAX_REACH_PX, MAX_REACH_PX)) for r in reach)
    share = _cells(scene.weight)
    depth = np.zeros(share.shape, np.float32)
    wide = high - low > WIDE_PX
    if wide:
        depth = _search(scene, depth, 2 * SHRINK, low - MARGIN_PX, high + MARGIN_PX, 2.0)
        depth = _smooth(depth, share * MAX_EVIDENCE, share)
        low, high = -MARGIN_PX, MARGIN_PX
    depth = _search(scene, depth, SHRINK, low - MARGIN_PX, high + MARGIN_PX, 1.0)
    for _ in range(ROUNDS):
        evidence, step = _evidence(scene, depth)
        depth = _smooth(depth + step, evidence, share)
    evidence, step = _evidence(scene, depth)
    residual = _uncertainty(depth, evidence, step, share)
    shift = scene.foot + depth[..., None] * scene.along
    whole = np.zeros((*nodes, 2), np.float32)
    doubt = np.full(nodes, residual.max(), np.float32)
    whole[box], doubt[box] = shift, residual
    left = _difference(scene, shift) / max(_difference(scene, np.zeros_like(shift)), 1e-6)
    counted = residual[share > MIN_SHARE]
    typical = float(np.percentile(counted, 68)) if len(counted) else float(residual.max())
    return Parallax(shift=whole, residual=doubt, typical=typical, left=left)


def _box(counts: Mask, nodes: tuple[int, int]) -> tuple[slice, slice]:
    """Nodes of the rectangle round all that counts, with room for what supports its rim."""
    sides = []
    for axis, n in zip((1, 0), nodes, strict=True):
        hit = np.flatnonzero(counts.any(axis=axis))
        first, last = (hit[0], hit[-1]) if len(hit) else (0, CELL * n)
        room = int(2 * SPREAD_CELLS)
        sides.append(slice(max(0, first // CELL - room), min(n, last // CELL + 2 + room)))
    return sides[0], sides[1]


def _scene(
    fixed: Texture, laid: Texture, counts: Mask, matrix: Matrix, box: tuple[slice, slice]
) -> _Scene:
    """Cut out and pad what is compared, and lay an epipolar line through each node."""

    def cut(image: NDArray[np.uint8], fill: int) -> NDArray[np.uint8]:
        half = CELL // 2
        top, left = CELL * box[0].start - half, CELL * box[1].start - half
        bottom, right = CELL * box[0].stop - half, CELL * box[1].stop - half
        part = image[max(top, 0) : bottom, max(left, 0) : right]
        missing = (bottom - max(top, 0) - part.shape[0], right - max(left, 0) - part.shape[1])
        pads = (max(-top, 0), missing[0], max(-left, 0), missing[1])
        return np.asarray(cv2.copyMakeBorder(part, *pads, cv2.BORDER_CONSTANT, value=fill))

    y, x = np.mgrid[box].astype(float) * CELL
    foot, along = epipolar_lines(matrix, np.column_stack([x.ravel(), y.ravel()]))
    part = cut(fixed, 128)
    return _Scene(
        fixed=part,
        laid=cut(laid, 128),
        weight=cut(counts.astype(np.uint8), 0).astype(np.float32),
        foot=foot.reshape(*x.shape, 2).astype(np.float32),
        along=along.reshape(*x.shape, 2).astype(np.float32),
        places=_places(part.shape),
    )


def _cells(image: Image) -> Image:
    """Mean of each cell."""
    size = (image.shape[1] // CELL, image.shape[0] // CELL)
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)


def _places(shape: tuple[int, ...]) -> Image:
    """x and y of each pixel, (rows, cols, 2)."""
    places = np.empty((*shape, 2), np.float32)
    places[..., 0] = np.arange(shape[1])
    places[..., 1] = np.arange(shape[0])[:, None]
    return places


def _dense(shift: Image, shape: tuple[int, ...]) -> Image:
    """A shift per node, px of the full frame, as one per pixel of a texture of any size."""
    scale = np.float32(shift.shape[1] * CELL / shape[1])
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(shift / scale, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _sample(laid: Texture, maps: Image) -> Texture:
    """The laid texture as it shows at the places of a map."""
    return np.asarray(cv2.remap(laid, maps, None, cv2.INTER_LINEAR, borderValue=128), np.uint8)


def _search(
    scene: _Scene, depth: Image, shrink: int, low: float, high: float, step: float
) -> Image:
    """The depths, from `low` to `high` px about those given, that agree best over the grid."""
    candidates = np.arange(np.floor(low), np.ceil(high) + step, step)
    cost = _costs(scene, depth, shrink, candidates)
    return depth + _winner(_semi_global(cost), candidates)


def _costs(scene: _Scene, depth: Image, shrink: int, candidates: NDArray[np.float64]) -> Image:
    """Mean truncated difference per cell and candidate, (rows, cols, candidates)."""
    rows, cols = scene.foot.shape[:2]
    size = (scene.fixed.shape[1] // shrink, scene.fixed.shape[0] // shrink)
    fixed, laid, weight = (
        cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        for image in (scene.fixed, scene.laid, scene.weight)
    )
    silent = weight < 1
    places = _places(fixed.shape)
    out = np.empty((rows, cols, len(candidates)), np.float32)
    for k, distance in enumerate(candidates):
        shift = scene.foot + (depth + np.float32(distance))[..., None] * scene.along
        moved = _sample(laid, cv2.add(places, _dense(shift, fixed.shape)))
        difference = cv2.min(cv2.absdiff(fixed, moved), TRUNCATE)
        difference[silent] = 0
        mean = cv2.resize(difference.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
        out[..., k] = cv2.boxFilter(mean, -1, (3, 3))
    return out


def _semi_global(cost: Image) -> Image:
    """Costs of the cheapest ways to each cell from eight sides, summed."""
    # Candidates stand before the cells of a row or column: NumPy is slow along a short last axis.
    rows, cols = (np.ascontiguousarray(cost.transpose(t)) for t in ((0, 2, 1), (1, 2, 0)))
    down, across = np.zeros_like(rows), np.zeros_like(cols)
    for backwards in (False, True):
        _sweep(rows, down, (-1, 0, 1), backwards=backwards)
        _sweep(cols, across, (0,), backwards=backwards)
    return np.ascontiguousarray(down.transpose(0, 2, 1) + across.transpose(2, 0, 1))


def _sweep(cost: Image, total: Image, asides: tuple[int, ...], *, backwards: bool) -> None:
    """Add to `total` the costs of ways that come row by row, each some cells to the side.

    Both are (rows, candidates, cells).
    """
    order = range(len(cost))
    path = np.zeros((len(asides), *cost.shape[1:]), np.float32)
    for i in reversed(order) if backwards else order:
        for way, aside in zip(path, asides, strict=True):
            if aside:
                way[:] = np.roll(way, aside, axis=1)
                way[:, 0 if aside > 0 else -1] = 0
        least = path.min(axis=1, keepdims=True)
        best = np.minimum(path, least + np.float32(LARGE_STEP))
        np.minimum(best[:, 1:], path[:, :-1] + np.float32(SMALL_STEP), out=best[:, 1:])
        np.minimum(best[:, :-1], path[:, 1:] + np.float32(SMALL_STEP), out=best[:, :-1])
        path = cost[i] + best - least
        total[i] += path.sum(axis=0)


def _winner(total: Image, candidates: NDArray[np.float64]) -> Image:
    """The cheapest candidate of each cell, to a part of a step by a parabola."""
    k = np.clip(total.argmin(axis=2), 1, total.shape[2] - 2)
    a, b, c = (np.take_along_axis(total, (k + s)[..., None], 2)[..., 0] for s in (-1, 0, 1))
    bend = np.maximum(a - 2 * b + c, 1e-6)
    step = candidates[1] - candidates[0]
    return np.asarray(candidates[k] + step * np.clip((a - c) / (2 * bend), -0.5, 0.5), np.float32)


def _difference(scene: _Scene, shift: Image) -> float:
    """Mean truncated difference of the textures under a shift, texture codes."""
    moved = _sample(scene.laid, cv2.add(scene.places, _dense(shift, scene.fixed.shape)))
    difference = cv2.min(cv2.absdiff(scene.fixed, moved), TRUNCATE)
    return float(cv2.mean(difference, (scene.weight > 0).view(np.uint8))[0])


def _evidence(scene: _Scene, depth: Image) -> tuple[Image, Image]:
    """What the full-size textures say: 1 / variance (1/px^2) and the step to take (px) per cell.

    One step of Lucas and Kanade (1981) along the epipolar line, with Cauchy weights.
    """
    half = 0.5  # px: slope of the texture from half a px to either side
    shape = scene.fixed.shape
    maps = cv2.add(scene.places, _dense(scene.foot + depth[..., None] * scene.along, shape))
    along = _dense(scene.along, shape)
    before, here, after = (
        _sample(scene.laid, cv2.scaleAdd(along, step, maps)) for step in (-half, 0.0, half)
    )
    slope = cv2.subtract(after, before, dtype=cv2.CV_32F)
    left = cv2.subtract(scene.fixed, here, dtype=cv2.CV_32F)
    sample = np.abs(left[scene.weight > 0][::17])
    sigma = max(4.0, 1.4826 * median(sample)) if len(sample) else 4.0
    weight = scene.weight / (1 + left * left * np.float32(1 / (2 * sigma) ** 2))
    weight *= slope
    count = CELL * CELL / OWN_PX_PER_VALUE / sigma**2
    evidence = _cells(weight * slope) * np.float32(count)
    step = _cells(weight * left) * np.float32(count) / (evidence + 1)
    return evidence, np.clip(step, -1, 1)


def _smooth(depth: Image, evidence: Image, share: Image) -> Image:
    """Each cell drawn to the plane through its neighbours at like depth.

    A moving least squares fit of planes, done once for each of a stack of depths with weights
    that fall off from that depth, and read off between the two depths nearest to a cell's own.
    """
    trust = (np.minimum(evidence, MAX_EVIDENCE) + np.float32(1e-3)) * share
    low, high = (float(v) for v in np.percentile(depth, [0.5, 99.5]))
    count = max(2, int(np.ceil((high - low) / LIKE_DEPTH_PX)) + 1)
    y, x = (g.astype(np.float32) / 10 for g in np.mgrid[0 : depth.shape[0], 0 : depth.shape[1]])
    place = np.clip((depth - low) / max(high - low, 1e-6) * (count - 1), 0, count - 1)
    out = np.zeros_like(depth)
    for k, level in enumerate(np.linspace(low, high, count)):
        near = np.maximum(0, 1 - np.abs(place - k)).astype(np.float32)
        if near.any():
            off = (depth - np.float32(level)) / np.float32(LIKE_DEPTH_PX)
            out += near * _planes(depth, trust * np.exp(-off * off / 2) + 1e-12, x, y)
    return out


def _planes(depth: Image, weight: Image, x: Image, y: Image) -> Image:
    """Value at each cell of the plane fitted to the cells round it."""
    products = (
        np.dstack([np.ones_like(x), x, y, x * x, x * y, y * y, depth, depth * x, depth * y])
        * weight[..., None]
    )
    layers = [cv2.GaussianBlur(products[..., i], (0, 0), SPREAD_CELLS) for i in range(9)]
    total = layers[0]
    mx, my, mxx, mxy, myy, md, mdx, mdy = (layer / total for layer in layers[1:])
    # Where few cells speak, the plane is held level.
    hold = np.float32((SPREAD_CELLS / 10) ** 2) * (1e-2 + 0.02 / np.maximum(total, 1e-9))
    cxx, cyy, cxy = mxx - mx * mx + hold, myy - my * my + hold, mxy - mx * my
    cdx, cdy = mdx - md * mx, mdy - md * my
    bottom = cxx * cyy - cxy * cxy
    slope_x = (cyy * cdx - cxy * cdy) / bottom
    slope_y = (cxx * cdy - cxy * cdx) / bottom
    return np.asarray(md + slope_x * (x - mx) + slope_y * (y - my), np.float32)


def _uncertainty(depth: Image, evidence: Image, step: Image, share: Image) -> Image:
    """Residual to expect per cell (68th percentile), px.

    Three parts: what single cells still ask for, lack of evidence, and edges of depth, which a
    grid can only place to a part of a cell.
    """
    trust = np.minimum(evidence, MAX_EVIDENCE) * share
    total = cv2.GaussianBlur(trust, (0, 0), SPREAD_CELLS)
    # A single cell's step is uncertain in itself; only what exceeds that is asked for.
    excess = step * step - evidence / (evidence + 1) ** 2
    asked = np.maximum(cv2.GaussianBlur(trust * excess, (0, 0), SPREAD_CELLS), 0)
    cells = np.float32(4 * np.pi * SPREAD_CELLS**2)  # that a blur of this width averages over
    mean = cv2.boxFilter(depth, -1, (3, 3))
    edge = np.maximum(cv2.boxFilter(depth * depth, -1, (3, 3)) - mean * mean, 0)
    variance = asked / np.maximum(total, 1e-6) + 1 / np.maximum(total * cells, 0.05) + edge
    return np.asarray(UNSEEN * np.sqrt(variance), np.float32)
