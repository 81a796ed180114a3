"""Pairs become views (sides of the model) and stages (states of its paint)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from leakcheck.likeness import alike
from leakcheck.pairing import PhotoPair
from leakcheck.shot_names import natural, stage_in, words_of
from leakcheck.shots import Shot

CAMERA_WORDS = frozenset({"img", "dsc", "dscn", "dscf", "pxl", "mvimg", "photo", "image"})
REPRESENTATIVES = 3  # pairs of a view that a new one is held against: the last ones lie nearest


@dataclass(frozen=True, eq=False)
class PlacedPair:
    """A pair with the side it shows and the stage it was taken in."""

    pair: PhotoPair
    view: str
    stage: str
    number: int  # of that view in that stage: 2 is the first repeat
    view_why: str

    @property
    def name(self) -> str:
        """For people: "bow, coat-1" or "bow, coat-1 (2)"."""
        again = f" ({self.number})" if self.number > 1 else ""
        return f"{self.view}, {self.stage}{again}" if self.stage else f"{self.view}{again}"


def placed(
    pairs: Sequence[PhotoPair],
    *,
    stage_gap: timedelta,
    given: Sequence[tuple[str, str]] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> list[PlacedPair]:
    """Sort pairs by view and stage.

    Args:
        pairs: in the order in which they were taken.
        stage_gap: a longer pause begins a new stage.
        given: view and stage of each pair as a file of pairs states them; "" where it does not.
        progress: told how far it is.
    Returns: in the order of views, then of stages.
    """
    given = given or [("", "")] * len(pairs)
    groups, whys = _views(pairs, [view for view, _ in given], progress)
    names = _view_names(pairs, groups, [view for view, _ in given])
    sessions = _sessions(pairs, stage_gap)
    found = []
    for group, view in zip(groups, names, strict=True):
        stages = _stages(pairs, group, sessions)
        stages = [given[k][1] or stage for k, stage in zip(group, stages, strict=True)]
        seen: Counter[str] = Counter()
        order = sorted(
            zip(stages, group, strict=True), key=lambda item: _rank(pairs, stages, group, item)
        )
        for stage, k in order:
            seen[stage] += 1
            found.append(PlacedPair(pairs[k], view, stage, seen[stage], whys[k]))
    return found


def _rank(
    pairs: Sequence[PhotoPair], stages: list[str], group: list[int], item: tuple[str, int]
) -> tuple[object, ...]:
    """Stages by the time of their first photo, else by name; within a stage by time and name."""
    stage, k = item
    times = [t for s, m in zip(stages, group, strict=True) if s == stage if (t := _time(pairs[m]))]
    all_timed = all(_time(pairs[m]) for m in group)
    first = min(times) if times and all_timed else datetime.min
    own = _time(pairs[k]) if all_timed else None
    return first, natural(stage), own or datetime.min, natural(pairs[k].on.rel)


def _time(pair: PhotoPair) -> datetime | None:
    return pair.on.taken or pair.off.taken


def _views(
    pairs: Sequence[PhotoPair], given: Sequence[str], progress: Callable[[str], None]
) -> tuple[list[list[int]], list[str]]:
    """Groups of pairs that show one side, by name or because their photos fit each other."""
    groups: list[list[int]] = []
    whys = []
    for k in range(len(pairs)):
        progress(f"Sorting by view: {k + 1} of {len(pairs)}")
        home, why = _home(pairs, k, groups, given)
        if home is None:
            groups.append([k])
        else:
            home.append(k)
        whys.append(why)
    return groups, whys


def _home(
    pairs: Sequence[PhotoPair], k: int, groups: list[list[int]], given: Sequence[str]
) -> tuple[list[int] | None, str]:
    """The group that a pair belongs to, and why; None where it begins a new one."""
    if given[k]:
        same = (g for g in groups if any(given[m] == given[k] for m in g))
        return next(same, None), "the file of pairs says so"
    free = [g for g in groups if not any(given[m] for m in g)]
    side = _side(pairs[k])
    for group in free:
        if side and any(_side(pairs[m]) == side for m in group):
            return group, f"named {' '.join(side)}"
    for group in groups:
        for m in [group[0], *group[1:][-(REPRESENTATIVES - 1) :]]:
            if _fit(pairs[k], pairs[m]):
                return group, f"fits onto {pairs[m].on.name}"
    return None, "the first of its view"


def _fit(first: PhotoPair, second: PhotoPair) -> bool:
    """Whether the photos of two pairs show one side: unlit ones tell best."""
    for a, b in ((first.off, second.off), (first.on, second.on)):
        if a.look is not None and b.look is not None:
            return alike(a.look, b.look) is not None
    return False


def _side(pair: PhotoPair) -> tuple[str, ...]:
    """Words of a pair's name that say the side; empty where names say nothing."""
    if pair.how != "name":
        return ()
    _, words = stage_in(_common(pair))
    return tuple(word for word in words if not word.isdigit())


def _common(pair: PhotoPair) -> tuple[str, ...]:
    """Words that both names have, in order."""
    others = set(words_of(pair.on.path.stem))
    return tuple(w for w in words_of(pair.off.path.stem) if w in others and w not in CAMERA_WORDS)


def _view_names(
    pairs: Sequence[PhotoPair], groups: Sequence[list[int]], given: Sequence[str]
) -> list[str]:
    """A name for each view: given, or the words or folders its photos share, or a number."""
    names: list[str] = []
    everywhere = _shared_folders(pairs, [k for group in groups for k in group])
    for number, group in enumerate(groups, start=1):
        stated = next((given[k] for k in group if given[k]), "")
        sides = [_side(pairs[k]) for k in group if _side(pairs[k])]
        shared = tuple(word for word in sides[0] if all(word in s for s in sides)) if sides else ()
        folders = [part for part in _shared_folders(pairs, group) if part not in everywhere]
        name = stated or "-".join(shared or (sides[0] if sides else folders)) or f"view {number}"
        while name in names:
            name = f"{name} {number}"
        names.append(name)
    return names


def _shared_folders(pairs: Sequence[PhotoPair], group: Sequence[int]) -> tuple[str, ...]:
    """Folders that all of these pairs lie in, from the top; coats and stages are no side."""
    first = _folder(pairs[group[0]].on) if group else ()
    return tuple(
        part
        for part in first
        if all(part in _folder(pairs[k].on) for k in group) and not stage_in(words_of(part))[0]
    )


def _sessions(pairs: Sequence[PhotoPair], gap: timedelta) -> dict[int, int]:
    """For each pair with a time: the number of the session, from 1."""
    timed = sorted((time, k) for k, pair in enumerate(pairs) if (time := _time(pair)))
    sessions: dict[int, int] = {}
    last: datetime | None = None
    number = 0
    for time, k in timed:
        number += last is None or time - last > gap
        sessions[k], last = number, time
    return sessions


def _stages(pairs: Sequence[PhotoPair], group: list[int], sessions: dict[int, int]) -> list[str]:
    """The stage of each pair of a view: by folder, else by name, else by a long pause."""
    folders = ["/".join(_folder(pairs[k].on)) for k in group]
    if len(set(folders)) > 1:
        return _shortened(folders)
    named = [stage_in(_common(pairs[k]))[0] for k in group]
    if any(named):
        return [
            stage or _other_words(pairs, k, group) for stage, k in zip(named, group, strict=True)
        ]
    return [f"test {sessions[k]}" if k in sessions else "test 1" for k in group]


def _folder(shot: Shot) -> tuple[str, ...]:
    return shot.named.folder


def _shortened(folders: list[str]) -> list[str]:
    """Folders without the parts that all have in common: "coat-1" for "port/coat-1"."""
    parts = [folder.split("/") for folder in folders]
    while all(len(p) > 1 for p in parts) and len({p[0] for p in parts}) == 1:
        parts = [p[1:] for p in parts]
    while all(len(p) > 1 for p in parts) and len({p[-1] for p in parts}) == 1:
        parts = [p[:-1] for p in parts]
    return ["/".join(p) or "." for p in parts]


def _other_words(pairs: Sequence[PhotoPair], k: int, group: list[int]) -> str:
    """What a name has that the others of its view have not: its stage, where others state one."""
    others = {word for m in group if m != k for word in _side(pairs[m])}
    return "-".join(word for word in _side(pairs[k]) if word not in others) or "test 1"
