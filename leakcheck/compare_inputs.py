"""What `leakcheck compare` is given becomes pairs in order: folders, results of checks, photos."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from leakcheck.carry import carried_to
from leakcheck.errors import OpeningsError, PhotoError, UsageError
from leakcheck.openings import Opening, Openings, linked_photo, read_openings
from leakcheck.photo import Photo, frame_scale, linear_light, read_photo
from leakcheck.stages import Pair

RESULT = "result.json"
PHOTO_SUFFIXES = frozenset(
    {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}
    | {".dng", ".nef", ".cr2", ".cr3", ".arw", ".orf", ".raf", ".rw2"}
)
OFF_WORDS, ON_WORDS = frozenset({"off", "unlit", "dark"}), frozenset({"on", "lit"})


@dataclass(frozen=True)
class StageFiles:
    """Where one stage's photos are."""

    name: str
    off: Path
    on: Path
    result: Path | None = None  # of the check that named them


def stage_files(given: Sequence[Path]) -> list[StageFiles]:
    """The stages in the order given.

    Args:
        given: folders with one pair each, result folders or files of `leakcheck check`, or photos
            in pairs, lights off before lights on.
    Raises: UsageError, PhotoError where it cannot be said which photos belong together.
    """
    stages: list[StageFiles] = []
    waiting: Path | None = None
    for path in given:
        if not path.exists():
            raise PhotoError(f"{path} does not exist. Check the name and the folder.")
        if path.is_dir() or path.name == RESULT:
            if waiting is not None:
                break
            stages.append(_of_folder(path))
        elif waiting is None:
            waiting = path
        else:
            stages.append(StageFiles(path.stem, waiting, path))
            waiting = None
    if waiting is not None:
        raise UsageError(
            f"{waiting} has no second photo; give photos in pairs, lights off before lights on, "
            "or a folder for each stage."
        )
    if len(stages) < 2:
        raise UsageError(
            "a comparison needs two stages: two folders with a pair each, or four photos (before "
            "off, before on, after off, after on)."
        )
    return _told_apart(stages)


def read_pairs(stages: Sequence[StageFiles]) -> list[Pair]:
    """The photos of all stages. Raises: PhotoError."""
    return [Pair(each.name, read_photo(each.off), read_photo(each.on)) for each in stages]


def openings_for(
    path: Path | None, stages: Sequence[StageFiles], pairs: Sequence[Pair]
) -> tuple[Openings | None, int]:
    """The openings on one of the stages' lights-on photos, and which stage that is.

    Args:
        path: an openings file; None: those of the first result that has any.
        stages, pairs: in the same order.
    Raises: OpeningsError, PhotoError; RegistrationError where they were drawn on another photo
        that cannot be laid onto the first stage's.
    """
    if path is None:
        for k, stage in enumerate(stages):
            shapes = _of_result(stage.result, pairs[k].on) if stage.result else None
            if shapes:
                return Openings(shapes), k
        return None, 0
    linked = linked_photo(path)
    drawn_on = read_photo(linked) if linked else pairs[0].on
    openings = read_openings(path, size=drawn_on.encoded.shape[1::-1])
    for k, pair in enumerate(pairs):
        if drawn_on.content_hash == pair.on.content_hash:
            return openings, k
    here, there = (
        linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2]))
        for photo in (pairs[0].on, drawn_on)
    )
    return carried_to(here, openings, there)[0], 0


def _of_folder(path: Path) -> StageFiles:
    """The pair in a folder, or the one that a result names."""
    folder = path if path.is_dir() else path.parent
    name = path.resolve().name if path.is_dir() else folder.resolve().name
    photos = sorted(
        p for p in folder.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES and p.is_file()
    )
    off = [p for p in photos if _words(p) & OFF_WORDS and not _words(p) & ON_WORDS]
    on = [p for p in photos if _words(p) & ON_WORDS and not _words(p) & OFF_WORDS]
    result = folder / RESULT
    if path.is_dir() and len(off) == len(on) == 1:
        return StageFiles(name, off[0], on[0], result if result.is_file() else None)
    if result.is_file():
        return _named_in(result, name)
    if len(off) > 1 or len(on) > 1:
        raise PhotoError(
            f"{folder} holds more than one pair; give a folder for each stage, or the four photos."
        )
    raise PhotoError(
        f"{folder} holds no pair that can be told by its names; call one photo off and the other "
        "on, such as heron_off.jpg and heron_on.jpg, or give the four photos."
    )


def _words(path: Path) -> set[str]:
    """The words of a file's name: "Heron-port_OFF2.jpg" has heron, port and off."""
    return set(re.findall(r"[a-z]+", path.stem.lower()))


def _named_in(result: Path, name: str) -> StageFiles:
    """The photos that a result of `leakcheck check` names."""
    photos = _loaded(result).get("photos")
    found = []
    for which in ("off", "on"):
        entry = photos.get(which) if isinstance(photos, dict) else None
        entry = entry if isinstance(entry, dict) else {}
        stated, plain = entry.get("path"), entry.get("name")
        places = [
            Path(str(stated)) if stated else None,
            result.parent / str(stated) if stated else None,
            result.parent / str(plain) if plain else None,
            result.parent.parent / str(plain) if plain else None,
        ]
        there = next((place for place in places if place is not None and place.is_file()), None)
        if there is None:
            raise PhotoError(
                f"{result} names {stated or plain or 'no photo'}, which is not there; put the "
                "photos beside it or give the four photos."
            )
        found.append(there)
    return StageFiles(name, found[0], found[1], result)


def _loaded(result: Path) -> dict[str, Any]:
    """A result file's content."""
    try:
        content = json.loads(result.read_text("utf-8"))
    except (OSError, ValueError) as fault:
        raise PhotoError(f"{result} cannot be read as a result; run the check again.") from fault
    if not isinstance(content, dict) or content.get("format") != "leakcheck check":
        raise PhotoError(f"{result} is no result of leakcheck check.")
    return content


def _of_result(result: Path, on: Photo) -> tuple[Opening, ...]:
    """The openings that a check was made with, where its lights-on photo is still the same."""
    content = _loaded(result)
    try:
        if content["photos"]["on"]["content_hash"] != on.content_hash:
            return ()
        return tuple(
            Opening(
                str(shape["name"]),
                shape["kind"],
                tuple(np.asarray(ring, float).reshape(-1, 2) for ring in shape["rings"]),
                shape.get("colour"),
            )
            for shape in content.get("openings", [])
        )
    except (KeyError, TypeError, ValueError) as fault:
        raise OpeningsError(f"{result} holds openings that cannot be read.") from fault


def _told_apart(stages: list[StageFiles]) -> list[StageFiles]:
    """Stages of one name get a number: a report must tell them apart."""
    names = [stage.name for stage in stages]
    return [
        replace(stage, name=f"{stage.name} ({k})") if names.count(stage.name) > 1 else stage
        for k, stage in enumerate(stages, start=1)
    ]
