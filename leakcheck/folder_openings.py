"""Which drawings of a folder belong to which photo, and which pairs each of them serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2 as opencv
import numpy as np

from leakcheck.errors import LeakcheckError
from leakcheck.likeness import light_map
from leakcheck.openings import Openings, label_map, linked_photo, read_openings
from leakcheck.photo import Image, read_photo
from leakcheck.shots import Shot
from leakcheck.views import PlacedPair

cv2: Any = opencv  # its type hints know no images of floats

RIM_PX = 5  # thumb px: width of the ring that an opening is held against
BRIGHTER = 0.1  # added / there, by which a lit opening stands out from its ring
# Share of the openings that shine on the photo that they were drawn on: 0.9 and more; on others at
# most 0.6. It must lead over other views.
LIT_SHARE, CLEARER = 0.7, 0.15
FEWEST = 3  # of openings that tell


@dataclass(frozen=True)
class Drawing:
    """One drawing of openings and the photo that it was drawn on."""

    path: Path
    photo: Path | None  # None: not known, so it is not used
    why: str


def drawn_on(
    paths: Sequence[Path], pairs: Sequence[PlacedPair], shots: Sequence[Shot]
) -> list[Drawing]:
    """Say for each drawing on which photo it was drawn: linked, of the same name, or fitting.

    A drawing without a link fits the lights-on photo whose new light fills its openings.
    """
    lit = _Lit(pairs)
    return [_drawing(path, pairs, shots, lit) for path in paths]


def serving(drawings: Sequence[Drawing], pairs: Sequence[PlacedPair]) -> dict[int, Drawing]:
    """The drawing for each pair: its own, else one of its stage, else one of its view."""
    found: dict[int, Drawing] = {}
    homes = {id(drawing): _homes(drawing, pairs) for drawing in drawings if drawing.photo}
    for k, placed in enumerate(pairs):
        best: tuple[int, Drawing] | None = None
        for drawing in drawings:
            for m in homes.get(id(drawing), []):
                if pairs[m].view != placed.view:
                    continue
                rank = 0 if m == k else 1 if pairs[m].stage == placed.stage else 2
                if best is None or rank < best[0]:
                    best = rank, drawing
        if best is not None:
            found[k] = best[1]
    return found


def _homes(drawing: Drawing, pairs: Sequence[PlacedPair]) -> list[int]:
    """The pairs that hold the photo of a drawing."""
    return [
        k
        for k, placed in enumerate(pairs)
        if drawing.photo in (placed.pair.on.path, placed.pair.off.path)
    ]


class _Lit:
    """The new light of each pair, made when it is first asked for: several drawings may ask."""

    def __init__(self, pairs: Sequence[PlacedPair]) -> None:
        self._pairs = pairs
        self._maps: dict[int, Image | None] = {}

    def of(self, k: int) -> Image | None:
        """Light that pair k's lights-on photo adds, (rows, cols) at small size, or None."""
        if k not in self._maps:
            off, on = self._pairs[k].pair.off.look, self._pairs[k].pair.on.look
            lost = None if off is None or on is None else light_map(on, off)
            self._maps[k] = None if lost is None else -lost
        return self._maps[k]


def _drawing(path: Path, pairs: Sequence[PlacedPair], shots: Sequence[Shot], lit: _Lit) -> Drawing:
    try:
        linked = linked_photo(path)
    except LeakcheckError as error:
        return Drawing(path, None, str(error))
    if linked is not None:
        return _of_link(path, linked, shots)
    candidates = [k for k, placed in enumerate(pairs) if placed.pair.on.look is not None]
    beside = [
        k
        for k in candidates
        if path.parent == pairs[k].pair.on.path.parent
        and path.stem.lower() in (pairs[k].pair.on.path.stem.lower(), pairs[k].view.lower())
    ]
    if len(beside) == 1:
        return Drawing(path, pairs[beside[0]].pair.on.path, "it has the name of its photo or view")
    own = [k for k in candidates if pairs[k].pair.on.path.parent == path.parent]
    return _fitting(path, pairs, own if len(own) == 1 else beside or candidates, lit)


def _of_link(path: Path, linked: Path, shots: Sequence[Shot]) -> Drawing:
    """The linked photo, by its place or by its content where it is a copy."""
    same = next((shot for shot in shots if shot.path.resolve() == linked.resolve()), None)
    if same is None:
        try:
            content = read_photo(linked).content_hash
        except LeakcheckError as error:
            return Drawing(path, None, str(error))
        same = next((shot for shot in shots if shot.content_hash == content), None)
    if same is None or same.fault:
        return Drawing(path, None, f"it links {linked.name}, which is in no pair")
    return Drawing(path, same.path, f"it links {same.name}")


def _fitting(
    path: Path, pairs: Sequence[PlacedPair], candidates: Sequence[int], lit: _Lit
) -> Drawing:
    """The photo whose new light fills the openings, where one does and no other view as well."""
    shares = [(_lit_share(path, pairs[k], lit.of(k)), k) for k in candidates]
    scores = [(share, k) for share, k in shares if share is not None]
    scores.sort(key=lambda item: (-item[0], item[1]))
    if not scores or scores[0][0] < LIT_SHARE:
        return Drawing(
            path, None, "it links no photo and fits none; link the photo that it was drawn on"
        )
    share, k = scores[0]
    rival = next((s for s, m in scores[1:] if pairs[m].view != pairs[k].view), 0.0)
    if share - rival < CLEARER:
        return Drawing(
            path,
            None,
            "it links no photo and fits several views; link the photo that it was drawn on",
        )
    on = pairs[k].pair.on
    return Drawing(path, on.path, f"{100 * share:.0f} % of its openings shine in {on.name}")


def _lit_share(path: Path, placed: PlacedPair, gained: Image | None) -> float | None:
    """Share of a drawing's openings that shine in a pair; None where it cannot be told."""
    look = placed.pair.on.look
    if look is None or gained is None:
        return None
    try:
        openings = read_openings(path, size=look.size)
    except LeakcheckError:
        return None
    return _share(openings, gained, look.size[0] / look.rgb.shape[1])


def _share(openings: Openings, gained: Image, scale: float) -> float | None:
    """Share of windows and beacons that gained light against the ring around them."""
    small = Openings(
        tuple(
            type(shape)(shape.name, shape.kind, tuple(ring / scale for ring in shape.rings))
            for shape in openings.shapes
        )
    )
    labels = label_map(small, shape=(gained.shape[0], gained.shape[1]), scale=1)
    kinds = [k + 1 for k, shape in enumerate(small.shapes) if shape.kind in ("window", "beacon")]
    if len(kinds) < FEWEST:
        return None
    ring = np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)
    around = cv2.dilate((labels > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) == 0
    shine = 0
    for label in kinds:
        inside = labels == label
        rim = (cv2.dilate(inside.astype(np.uint8), ring) > 0) & around
        if inside.any() and rim.any():
            shine += float(np.median(gained[inside]) - np.median(gained[rim])) > BRIGHTER
    return shine / len(kinds)
