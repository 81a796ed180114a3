"""Leaks that no single test can tell from lit edges: found by the light that another test lacks.

Seams and crevices on a lit ledge, pinholes among lit rivets, thin walls within spill. Bounds were
found on drawn and rendered tests (no published source).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.check import Check
from leakcheck.diagnose import ADVICE, TAPE_TEST, Leak, Surroundings, described, kind_of
from leakcheck.extent import Extent
from leakcheck.group import grouped
from leakcheck.light import block_mean, blurred, grown, median, quantile
from leakcheck.lost_light import BLOCK, Lost, images_of, lost_light
from leakcheck.openings_map import model_box
from leakcheck.photo import Image, Mask, photo_to_frame_px
from leakcheck.polygons import covered
from leakcheck.regions import Region, region_of_extent
from leakcheck.spots import Spot
from leakcheck.stages import Stage

# All px are blocks of `BLOCK` frame px, unless frame px are named.
LINE_PX, ANGLES, WIDTH_PX = 8, 12, 0.5  # short straight lines; twelve directions overlap enough
DOT_PX = 0.8
MOST_SIGMA = 5.0  # that one px of a line counts for: a line is more than one bright dot
SIDE_PX = 3  # from a line to the surface beside it
APART_PX = 12  # two lines or dots are never closer
SURE = 4.0  # spreads of the response from which it is more than chance
SURE_OWN = 7.0  # spreads of lines round about that the test's own light stands out
AROUND_PX = (4, 22)  # ring that a line is compared with
HIDDEN_PX = 3.0  # frame px round leaks that are known: they do not count as surroundings
ALONE = 0.5  # log of its light / the brightest round about
EDGE_MARGIN = 1.5  # times the error that is usual on edges
LEAST_SURFACE = 0.1  # of the median surface: black paint mirrors the room, from each place another
LOST_SHARE = 0.25  # of its own light that nothing explains in the other test
SIDE_LOST = 0.5  # of that, lost on one side as well: a step
SIDE_GAINED, RING_GAINED = 0.65, 0.3  # gained beside a line, or round a dot: a rail that moved
MOVED, MOVED_PX = 0.6, (2, 5)  # of what it lost, gained so far off: a rail or rivet that moved
DARK_TWIN = 0.3  # darkness near it, or in the other test / its light: an edge that lies badly
TWIN_SIGMA = 3.0  # of noise that the darkest of many lines shows by chance
BAND = 0.5  # of the strongest response, along the line
FAINT = 0.3  # of its light, across it
GOES_ON = 0.4  # of how much a line stands out at its surest place
NEAR_PX = 3.0  # from the strongest response to the light that made it
BROAD_PX = 16.0  # frame px from which spill is a wall's glow if it is a leak
BROAD_CORE, BROAD_SHARE = 0.5, 0.5  # of its brightest light; of it that the other test lacks


def told_by_change(stages: Sequence[Stage], rooms: Sequence[float]) -> tuple[tuple[Leak, ...], ...]:
    """For each test the leaks that only its neighbours in the row of tests tell, doubtful all.

    Args:
        stages: all tests, in order.
        rooms: factors that bring the added / unlit light of each to one scale.
    """
    found: list[list[Leak]] = [[] for _ in stages]
    for first in range(len(stages) - 1):
        for here, there in ((first, first + 1), (first + 1, first)):
            lost = lost_light(stages, here, there, rooms=(rooms[here], rooms[there]))
            found[here] += _fine(lost, stages[here]) + _broad(lost, stages[here])
    return tuple(tuple(leaks) for leaks in found)


def _fine(lost: Lost, stage: Stage) -> list[Leak]:
    """Lines and dots of lost light."""
    words = _surroundings(stage.check)
    taken = _known_leaks(stage)
    found: list[tuple[_Place, Mask]] = []
    for response, angles in (_along_lines(lost), _at_dots(lost)):
        for row, col in _peaks(response, lost.known & ~taken):
            place = _Place(lost, taken, response, row, col, _kernels(angles[row, col]))
            if place.stands_out(words.noticeable_contrast):
                mask = place.whole()
                if mask is not None:
                    found.append((place, mask))
    if not found:
        return []
    light = _colours(stage)
    regions = [_region(mask, place, stage, light) for place, mask in found]
    return [
        described(region, 0, kind_of(region, words), words, doubtful=True)
        for region in grouped(regions)
    ]


def _broad(lost: Lost, stage: Stage) -> list[Leak]:
    """Broad glows in what passed for spill: most of them went, and not the light round about."""
    scale = images_of(stage).scale
    found = []
    for leak in stage.check.spill:
        if not leak.doubtful or leak.width_px < BROAD_PX * scale:
            continue
        rows, cols = lost.known.shape
        inside = covered([_in_frame(leak, stage, BLOCK)], (rows, cols)) & lost.known
        if not inside.any():
            continue
        core = inside & (lost.own >= BROAD_CORE * quantile(lost.own[inside], 0.9))
        own = float(lost.own[core].sum())
        gone = lost.change[core] - lost.feigned[core]
        if own > 0 and float(gone.sum()) > BROAD_SHARE * own:
            advice, caution = ADVICE["show-through"]
            found.append(
                replace(
                    leak,
                    number=0,
                    kind="show-through",
                    advice=f"{TAPE_TEST} Then: {advice}",
                    caution=caution,
                )
            )
    return found


@dataclass(frozen=True, eq=False)
class _Place:
    """A line or dot of lost light, and how it compares with what is round about."""

    lost: Lost
    taken: Mask  # True in leaks that are known
    response: Image
    row: int
    col: int
    kernels: tuple[Image, ...]  # weights along it, and beside it

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns that hold all that it is compared with."""
        reach = AROUND_PX[1] + LINE_PX
        rows, cols = self.response.shape
        return (
            slice(max(self.row - reach, 0), min(self.row + reach + 1, rows)),
            slice(max(self.col - reach, 0), min(self.col + reach + 1, cols)),
        )

    @property
    def at(self) -> tuple[int, int]:
        """Its row and column in the window."""
        rows, cols = self.window
        return self.row - rows.start, self.col - cols.start

    def mean(self, image: Image, side: int = 0) -> float:
        """Mean along it, or beside it."""
        return float(_filtered(image[self.window], self.kernels[side])[self.at])

    def stands_out(self, noticeable_contrast: float) -> bool:
        """Whether it is neither a step, a moved edge, nor one of many alike."""
        lost, window = self.lost, self.window
        light, own = self.mean(lost.light), self.mean(lost.own)
        if own < noticeable_contrast or light < LOST_SHARE * own:
            return False
        if own < EDGE_MARGIN * lost.edge_error * self.mean(lost.edges):
            return False
        if self.mean(lost.surface) < LEAST_SURFACE * median(lost.surface[lost.known]):
            return False
        sides = [self.mean(lost.change, k) for k in range(1, len(self.kernels))]
        gained = RING_GAINED if len(sides) == 1 else SIDE_GAINED
        if max(sides) > SIDE_LOST * light or min(sides) < -gained * light:
            return False
        away = self._away()
        if away is None or self._moved(away) or self._dark_in_other():
            return False
        ring = (away > AROUND_PX[0]) & (away < AROUND_PX[1])
        ring &= lost.known[window] & ~self.taken[window]
        if not ring.any():
            return False
        brightest = quantile(_filtered(lost.own[window], self.kernels[0])[ring], 0.95)
        if math.log(own / max(brightest, 1e-3)) < ALONE:
            return False
        if light < float(_filtered(lost.light[window], self.kernels[0])[ring].max()):
            return False
        beside = (away > 0) & (away <= AROUND_PX[0]) & lost.known[window] & ~self.taken[window]
        return self._bright_without_twin(ring, beside)

    def _moved(self, away: Image) -> bool:
        """Whether a place beside its core gained light of its shape that it lost."""
        change = _filtered(self.lost.change[self.window], self.kernels[0])
        near = (away >= MOVED_PX[0]) & (away <= MOVED_PX[1])
        return -float(change[near].min()) > MOVED * float(change[self.at])

    def _dark_in_other(self) -> bool:
        """Whether the other test takes light away there: lamps only add, so an edge lies badly."""
        own = self.mean(self.lost.own)
        return self.mean(self.lost.change) - own > DARK_TWIN * own

    def _bright_without_twin(self, ring: Mask, beside: Mask) -> bool:
        """Whether it outshines chance, and no place near is as dark as it is bright.

        Told in linear light, where a surface that moved adds on one side what it takes on the
        other.
        """
        lost, window, kernel = self.lost, self.window, self.kernels[0]
        added = np.where(lost.known, lost.own * lost.surface, np.float32(0))[window]
        lines = _filtered(added, kernel)
        own, values = float(lines[self.at]), lines[ring]
        spread = 1.4826 * median(np.abs(values - median(values)))
        if own < SURE_OWN * spread:
            return False
        noise = float((lost.noise[window] * np.square(lost.surface[window]))[ring].mean())
        chance = TWIN_SIGMA * math.sqrt(noise * float(np.square(kernel).sum()))
        darkest = float(lines[ring | beside].min())
        return -darkest - chance < DARK_TWIN * own

    def _away(self) -> Image | None:
        """Distance from its core, px of the window; None where it has none."""
        core = self.core()
        if core is None:
            return None
        away = cv2.distanceTransform((~core).view(np.uint8), cv2.DIST_L2, 5)
        return np.asarray(away, np.float32)

    def core(self) -> Mask | None:
        """True in its own px of the window; None where its response comes from further away."""
        window = self.window
        near, light = self.response[window], blurred(self.lost.light[window], 0.7)
        band = (near > BAND * near[self.at]) & (light > FAINT * self.mean(self.lost.light))
        _, labels = cv2.connectedComponents(band.astype(np.uint8), connectivity=8)
        rows, cols = np.nonzero(labels)
        if not len(rows):
            return None
        away = np.hypot(rows - self.at[0], cols - self.at[1])
        nearest = int(np.argmin(away))
        if away[nearest] > NEAR_PX:
            return None
        return np.asarray(labels == labels[rows[nearest], cols[nearest]])

    def whole(self) -> Mask | None:
        """The core, and of a line what goes on in its direction: it need not be lost as surely."""
        core = self.core()
        if core is None or len(self.kernels) < 3:
            return core
        along, *sides = (_filtered(self.lost.own[self.window], kernel) for kernel in self.kernels)
        ridge = along - np.maximum(*sides)
        own = blurred(self.lost.own[self.window], WIDTH_PX)
        bright = FAINT * quantile(own[core], 0.9)  # a dot has less along a line than itself
        on = (ridge > GOES_ON * ridge[self.at]) & (own > bright)
        on &= self.lost.known[self.window] & ~self.taken[self.window]
        line = (self.kernels[0] > FAINT * self.kernels[0].max()).view(np.uint8)
        joined = cv2.morphologyEx((on | core).view(np.uint8), cv2.MORPH_CLOSE, line)
        _, labels = cv2.connectedComponents(joined, connectivity=8)
        reached = np.isin(labels, np.unique(labels[core]))
        return np.asarray(reached & (on | core))


def _along_lines(lost: Lost) -> tuple[Image, NDArray[np.int8]]:
    """Strongest mean along a short line through each px, sigma, and which direction it has."""
    clipped = np.clip(lost.light / lost.sigma, -MOST_SIGMA, MOST_SIGMA)
    sigmas = np.where(lost.known, clipped, np.float32(-1))
    best = np.full(sigmas.shape, -np.inf, np.float32)
    angles = np.zeros(sigmas.shape, np.int8)
    for k in range(ANGLES):
        mean = _filtered(sigmas, _line(k * math.pi / ANGLES), cv2.BORDER_CONSTANT)
        angles[mean > best] = k
        best = np.maximum(best, mean)
    return best, angles


def _at_dots(lost: Lost) -> tuple[Image, NDArray[np.int8]]:
    """Mean over a dot at each px, sigma; no direction."""
    sigmas = np.where(lost.known, lost.light / lost.sigma, np.float32(-1))
    mean = _filtered(sigmas, _ring_of(0.0, DOT_PX), cv2.BORDER_CONSTANT)
    return mean, np.full(sigmas.shape, -1, np.int8)


def _peaks(response: Image, known: Mask) -> Iterator[tuple[int, int]]:
    """Rows and columns where a response is higher than all near it, and than chance."""
    if not known.any():
        return
    middle = median(response[known])
    spread = 1.4826 * median(np.abs(response[known] - middle))
    highest = cv2.dilate(response, np.ones((2 * APART_PX + 1, 2 * APART_PX + 1), np.uint8))
    peaks = known & (response >= highest) & (response > middle + SURE * max(spread, 1e-6))
    for row, col in np.argwhere(peaks):
        yield int(row), int(col)


def _kernels(angle: int) -> tuple[Image, ...]:
    """Weights along a line and on either side of it; of a dot, and round it."""
    if angle < 0:
        return _ring_of(0.0, DOT_PX), _ring_of(SIDE_PX, WIDTH_PX)
    turn = angle * math.pi / ANGLES
    return _line(turn), _line(turn, SIDE_PX), _line(turn, -SIDE_PX)


def _line(turn: float, aside_px: float = 0.0) -> Image:
    """Weights of a short line through the middle, or beside it."""
    half = LINE_PX // 2 + SIDE_PX + 3
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    along = x * math.cos(turn) + y * math.sin(turn)
    across = y * math.cos(turn) - x * math.sin(turn) - aside_px
    ends = np.clip(LINE_PX / 2 - np.abs(along) + 0.5, 0, 1)
    weight = ends * np.exp(-0.5 * np.square(across / WIDTH_PX))
    return np.asarray(weight / weight.sum(), np.float32)


def _ring_of(radius_px: float, width_px: float) -> Image:
    """Weights of a ring, or of a dot where the radius is 0."""
    half = SIDE_PX + 3
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    weight = np.exp(-0.5 * np.square((np.hypot(x, y) - radius_px) / width_px))
    return np.asarray(weight / weight.sum(), np.float32)


def _filtered(image: Image, kernel: Image, border: int = cv2.BORDER_REPLICATE) -> Image:
    """Weighted mean round each px; a constant border is 0: no px there may count for many."""
    return np.asarray(cv2.filter2D(image, -1, kernel, borderType=border), np.float32)


def _region(core: Mask, place: _Place, stage: Stage, light: Image) -> Region:
    """A line or dot measured in its test at full size, over the light beside it."""
    images = images_of(stage)
    residual, variance = images.planes[0].residual, images.planes[0].variance
    top, left = (side.start * BLOCK for side in place.window)
    mask = np.kron(core, np.ones((BLOCK, BLOCK), np.bool_))
    box = slice(top, top + mask.shape[0]), slice(left, left + mask.shape[1])
    away = cv2.distanceTransform((~mask).view(np.uint8), cv2.DIST_L2, 5)
    beside = (away > BLOCK * AROUND_PX[0] / 2) & (away < BLOCK * AROUND_PX[0])
    beside &= images.measured[box]
    base = np.float32(median(residual[box][beside])) if beside.any() else np.float32(0)
    fine = blurred(residual[box], 1.0) - base
    none = np.float32(0)
    extent = Extent(
        mask=mask,
        top=top,
        left=left,
        added=np.where(mask, residual[box] - base, none),
        weight=np.where(mask, np.maximum(fine, none), none),
        surface=np.where(mask, np.maximum(images.unlit[0][box], np.float32(1e-3)), none),
    )
    row, col = np.unravel_index(int(np.argmax(extent.weight)), mask.shape)
    peak = float(extent.weight[row, col])
    row, col = int(row) + top, int(col) + left
    significance = peak / math.sqrt(max(float(variance[row, col]), 1e-12))
    spot = Spot(significance, row, col, 1.0, "luminance", peak, float(base), top, left, mask)
    return region_of_extent(extent, spot, light, peak)


def _colours(stage: Stage) -> Image:
    """Added light in colour: luminance and two channels leave the third, (rows, cols, 3)."""
    grey, red, blue = (plane.residual for plane in images_of(stage).planes)
    green = (grey - np.float32(0.2126) * red - np.float32(0.0722) * blue) / np.float32(0.7152)
    return np.dstack([red, green, blue])


def _surroundings(check: Check) -> Surroundings:
    images = check.images
    assert images is not None, "a fresh check keeps its images"
    return Surroundings(
        openings=check.openings,
        scale=images.scale,
        window_level=check.window_level,
        window_clipped=check.window_clipped,
        noticeable_contrast=check.settings.noticeable_contrast,
        mm_per_px=check.mm_per_px,
        model=model_box(check.openings, (check.on.width_px, check.on.height_px)),
    )


def _known_leaks(stage: Stage) -> Mask:
    """True in blocks in or beside a leak that the test found."""
    rows, cols = images_of(stage).measured.shape
    found = covered([_in_frame(leak, stage) for leak in stage.check.leaks], (rows, cols))
    return np.asarray(block_mean(grown(found, HIDDEN_PX).astype(np.float32), BLOCK) > 0)


def _in_frame(leak: Leak, stage: Stage, block: int = 1) -> NDArray[np.float64]:
    """A leak's outline, (n, 2) x, y, in blocks of so many frame px."""
    return photo_to_frame_px(leak.outline, images_of(stage).scale * block)
