"""Which photos are a pair: by their names where these say it, else by what they show."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Literal

import joblib
import networkx

from leakcheck.likeness import Alike, alike
from leakcheck.shot_names import Named, State, natural, unglued
from leakcheck.shots import Shot

How = Literal["name", "content", "file"]
Why = Literal["damaged", "duplicate", "repeat", "no partner", "not in the file"]

NEIGHBOURS = 4  # photos between which a pair is sought: strays and repeats may lie between
# Cost of a pair; photos are left alone rather than paired for more than `ALONE`.
ALONE = 10.0
PER_RANK = 1.0  # for each photo that lies between
PER_GAP = 0.5  # for each doubling of the usual time between two photos
LATER_OFF = 0.5  # lights on before lights off: rare
DAMAGED = 3.0  # a photo that cannot be read: only where no readable one fits
FAR = timedelta(hours=10_000)


@dataclass(frozen=True, eq=False)
class PhotoPair:
    """Two photos that belong together."""

    off: Shot
    on: Shot
    how: How
    why: str  # one sentence, for people

    @property
    def damaged(self) -> Shot | None:
        """The photo that cannot be read, if any."""
        return next((shot for shot in (self.off, self.on) if shot.fault), None)


@dataclass(frozen=True, eq=False)
class LeftOut:
    """A photo that belongs to no pair, and why."""

    shot: Shot
    reason: Why
    why: str


@dataclass(frozen=True, eq=False)
class Pairing:
    """All photos of a folder, in pairs or left out."""

    pairs: tuple[PhotoPair, ...]
    left_out: tuple[LeftOut, ...]


def paired(
    shots: Sequence[Shot],
    *,
    stage_gap: timedelta,
    jobs: int = 1,
    progress: Callable[[str], None] = lambda _: None,
) -> Pairing:
    """Sort photos into pairs.

    Args:
        shots: in the order of their names.
        stage_gap: the model may have been changed in so long a pause: no pair spans it.
        jobs: threads.
        progress: told how far it is.
    """
    singles, duplicates = _without_duplicates(shots)
    pairs = _by_name(singles)
    # One lights-off photo copied to every stage: the names say which pair each copy belongs to.
    pairs += _new(_by_name(_untaken(shots, pairs)), pairs)
    rest = _untaken(singles, pairs)
    copies = {id(shot) for shot in _untaken([left.shot for left in duplicates], pairs)}
    duplicates = [left for left in duplicates if id(left.shot) in copies]
    more, left = _by_content(rest, stage_gap=stage_gap, jobs=jobs, progress=progress)
    every = sorted([*pairs, *more], key=lambda pair: _order(pair.on))
    return Pairing(tuple(every), (*duplicates, *left))


def in_time(shots: Sequence[Shot]) -> list[Shot]:
    """In the order in which they were taken; by name where that is not known of all."""
    if all(shot.taken for shot in shots):
        return sorted(shots, key=_order)
    return sorted(shots, key=lambda shot: natural(shot.rel))


def _order(shot: Shot) -> tuple[float, tuple[tuple[int, str], ...]]:
    return (shot.taken.timestamp() if shot.taken else math.inf), natural(shot.rel)


def _without_duplicates(shots: Sequence[Shot]) -> tuple[list[Shot], list[LeftOut]]:
    """Each picture once, the one taken first; the same file or pixels again are left out."""
    first: dict[str, Shot] = {}
    singles, left = [], []
    for shot in sorted(shots, key=_order):
        keys = [shot.content_hash, *([shot.look.pixel_hash] if shot.look else [])]
        same = next((first[key] for key in keys if key and key in first), None)
        if same is not None and not shot.fault:
            left.append(LeftOut(shot, "duplicate", f"the same picture as {same.rel}"))
            continue
        singles.append(shot)
        first.update({key: shot for key in keys if key})
    return singles, left


def _untaken(shots: Sequence[Shot], pairs: Sequence[PhotoPair]) -> list[Shot]:
    """Those that are in none of the pairs."""
    taken = {id(shot) for pair in pairs for shot in (pair.off, pair.on)}
    return [shot for shot in shots if id(shot) not in taken]


def _new(pairs: Sequence[PhotoPair], known: Sequence[PhotoPair]) -> list[PhotoPair]:
    """Those that are no copies of pairs known already."""

    def pictures(pair: PhotoPair) -> tuple[str, ...]:
        shots = (pair.off, pair.on)
        return tuple(shot.look.pixel_hash if shot.look else shot.content_hash for shot in shots)

    seen = {pictures(pair) for pair in known}
    return [pair for pair in pairs if pictures(pair) not in seen]


def _by_name(shots: Sequence[Shot]) -> list[PhotoPair]:
    """Pairs that the names tell: one photo off and one on under one key.

    Keys are tried from the strictest to the loosest; a name with two partners under one key is
    left to the next, and at last to what the photos show.
    """
    said = {id(shot): shot.named for shot in shots}
    glued = {id(shot): unglued(PurePosixPath(shot.rel)) for shot in shots}
    pairs: list[PhotoPair] = []
    for names, loose in ((said, False), (said, True), (glued, False)):
        groups: dict[object, dict[State, list[Shot]]] = defaultdict(lambda: {"off": [], "on": []})
        for shot in _untaken(shots, pairs):
            name: Named | None = names[id(shot)]
            if name is not None and name.state is not None:
                key = name.without_numbers if loose else name.key
                groups[key][name.state].append(shot)
        for group in groups.values():
            if len(group["off"]) == len(group["on"]) == 1:
                off, on = group["off"][0], group["on"][0]
                pairs.append(PhotoPair(off, on, "name", f"named {off.name} and {on.name}"))
    return pairs


def _by_content(
    shots: Sequence[Shot],
    *,
    stage_gap: timedelta,
    jobs: int,
    progress: Callable[[str], None],
) -> tuple[list[PhotoPair], list[LeftOut]]:
    """Pairs by time, light and view; the set of pairs that costs least in all."""
    row = in_time(shots)
    near = [
        (i, j)
        for i in range(len(row))
        for j in range(i + 1, min(i + 1 + NEIGHBOURS, len(row)))
        if _pause(row[i], row[j]) < stage_gap and _pair_of_states(row[i], row[j])
    ]
    both = [(i, j) for i, j in near if row[i].look is not None and row[j].look is not None]
    work = joblib.Parallel(n_jobs=jobs, prefer="threads", return_as="generator")(
        joblib.delayed(_alike)(row[i], row[j]) for i, j in both
    )
    links: dict[tuple[int, int], Alike] = {}
    for number, (edge, found) in enumerate(zip(both, work, strict=True), start=1):
        progress(f"Looking for pairs: {number} of {len(both)}")
        if found is not None:
            links[edge] = found
    chosen = _cheapest(row, near, links)
    pairs = [_pair(row, i, j, links.get((i, j))) for i, j in chosen]
    taken = {k for edge in chosen for k in edge}
    left = [_left(row, k, links, chosen) for k in range(len(row)) if k not in taken]
    return pairs, left


def _alike(first: Shot, second: Shot) -> Alike | None:
    assert first.look is not None
    assert second.look is not None
    return alike(first.look, second.look)


def _pair_of_states(first: Shot, second: Shot) -> bool:
    """Whether the names allow one of them to be off and the other on."""
    states = [shot.named.state if shot.named.sure else None for shot in (first, second)]
    return None in states or states[0] != states[1]


def _pause(first: Shot, second: Shot) -> timedelta:
    """Time between two photos; none where it is not known."""
    if first.taken is None or second.taken is None:
        return timedelta(0)
    return abs(second.taken - first.taken)


def _cheapest(
    row: Sequence[Shot], near: Sequence[tuple[int, int]], links: dict[tuple[int, int], Alike]
) -> list[tuple[int, int]]:
    """The set of pairs (earlier, later) of least cost in which every photo is used once."""
    pauses = sorted(_pause(a, b) for a, b in pairwise(row))
    usual = max(pauses[len(pauses) // 2] if pauses else timedelta(0), timedelta(seconds=1))
    lit = _known_lit(row, links)
    graph = networkx.Graph()
    for i, j in near:
        cost = PER_RANK * (j - i - 1) + PER_GAP * math.log2(1 + _pause(row[i], row[j]) / usual)
        found = links.get((i, j))
        if row[i].fault or row[j].fault:
            # Beside its partner, as far as can be told; two that cannot be read tell nothing.
            if j > i + 1 or (row[i].fault and row[j].fault):
                continue
            cost += DAMAGED + LATER_OFF * ((i in lit) or (j not in lit and bool(row[i].fault)))
        elif found is None:
            continue
        else:
            off = _off_of(row, i, j, found)
            if off is None or off in lit:
                continue
            cost += LATER_OFF * (off == j)
        if cost < ALONE:
            graph.add_edge(i, j, weight=ALONE - cost)
    matching = networkx.max_weight_matching(graph)
    return sorted((min(edge), max(edge)) for edge in matching)


def _known_lit(row: Sequence[Shot], links: dict[tuple[int, int], Alike]) -> set[int]:
    """Photos that have lights on by their name, or that some photo of the view has not.

    Of two photos with the lights on, the one with fewer leaks is darker and still is no photo
    with the lights off.
    """
    lit = {k for k, shot in enumerate(row) if shot.named.sure and shot.named.state == "on"}
    for (i, j), found in links.items():
        if found.more:
            lit.add(j if found.more > 0 else i)
    return lit - {k for k, shot in enumerate(row) if shot.named.sure and shot.named.state == "off"}


def _off_of(row: Sequence[Shot], i: int, j: int, found: Alike) -> int | None:
    """Which of two photos has the lights off, by name or by light; None where neither tells."""
    for this, other in ((i, j), (j, i)):
        name = row[this].named
        if name.sure and name.state is not None:
            return this if name.state == "off" else other
    return None if found.more == 0 else (i if found.more > 0 else j)


def _pair(row: Sequence[Shot], i: int, j: int, found: Alike | None) -> PhotoPair:
    pause = _pause(row[i], row[j]).total_seconds()
    between = f"{pause:.0f} s apart" if row[i].taken and row[j].taken else "next to each other"
    if found is None:
        bad = row[i] if row[i].fault else row[j]
        why = f"{between}, but {bad.name} cannot be read"
        # In the usual order: lights off first.
        return PhotoPair(row[i], row[j], "content", why)
    off = _off_of(row, i, j, found)
    off, on = (j, i) if off == j else (i, j)
    light = f"{row[on].name} has more light ({found.light:.2g} x in its brightest parts)"
    why = f"{between}, same view ({found.points} features agree), {light}"
    return PhotoPair(row[off], row[on], "content", why)


def _left(
    row: Sequence[Shot],
    k: int,
    links: dict[tuple[int, int], Alike],
    chosen: Sequence[tuple[int, int]],
) -> LeftOut:
    """Why a photo has no partner."""
    shot = row[k]
    if shot.fault:
        return LeftOut(shot, "damaged", shot.fault)
    partners = {a: b for i, j in chosen for a, b in ((i, j), (j, i))}
    for (i, j), found in links.items():
        if k in (i, j):
            other = j if k == i else i
            if other in partners:
                what = "shows the same lights" if found.more == 0 else "may be paired as well"
                pair = f"{row[min(other, partners[other])].name} and "
                pair += row[max(other, partners[other])].name
                why = f"same view as the pair {pair}; it {what} as {row[other].name}"
                return LeftOut(shot, "repeat", why)
    seen = any(k in edge for edge in links)
    what = "none with other light" if seen else "none that shows the same view"
    return LeftOut(shot, "no partner", f"of the photos taken next to it, {what}")
