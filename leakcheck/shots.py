"""The photos of a folder: when each was taken, what it looks like at small size, what is wrong."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import cv2 as opencv
import joblib
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageOps
from PIL.ExifTags import IFD, Base

from leakcheck.compare_inputs import PHOTO_SUFFIXES
from leakcheck.decode import MIN_SIDE_PX
from leakcheck.errors import EXIT_BAD_INPUT, LeakcheckError, PhotoError
from leakcheck.file_names import shown
from leakcheck.photo import Frame, display_image, linear_light, photo_from_array, read_photo
from leakcheck.shot_names import Named, clock_in, named, natural
from leakcheck.texture import Texture, view_of

cv2: Any = opencv  # its type hints know no images of floats

# Long side at which photos are told apart: pairs register as at full size, in a fifth of a second.
THUMB_PX = 640
FEATURES = 500  # ORB; of other scenes ten agree by chance at most
RESULT_FILES = frozenset({"result.json", "compare.json", "overview.json"})
RESULT_PICTURES = frozenset({"marked.png", "glow.png", "before_after.png", "course.png"})
BATCH_MARK = ".leakcheck"  # in the folder of results of a batch


@dataclass(frozen=True, eq=False)
class Look:
    """A photo at small size, and what is matched of it."""

    rgb: NDArray[np.uint8]  # (rows, cols, 3), upright, sRGB code values
    texture: Texture  # (rows, cols)
    usable: NDArray[np.bool_]  # (rows, cols), True where nothing is clipped
    points: NDArray[np.float64]  # (n, 2), x and y
    words: NDArray[np.uint8]  # (n, 32), ORB descriptors of the points
    size: tuple[int, int]  # columns and rows of the whole photo, upright
    pixel_hash: str  # equal where two files hold the same picture with other EXIF tags

    def frame(self) -> Frame:
        """Its linear light."""
        return linear_light(photo_from_array(self.rgb))


@dataclass(frozen=True, eq=False)
class Shot:
    """One photo of the folder."""

    path: Path
    rel: str  # from the folder, with slashes
    named: Named
    content_hash: str  # SHA-256 of the file
    taken: datetime | None  # without its time zone: a session has one
    look: Look | None  # None where it cannot be read
    fault: str = ""  # why it cannot
    exit_code: int = 0  # of that fault

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name


def photo_paths(folder: Path, *, leave_out: Path | None = None) -> list[Path]:
    """All photos at any depth in the order of their names; no results, no hidden files.

    Args:
        folder: what is searched.
        leave_out: the folder of this run's results.
    Raises: PhotoError if it is no folder or cannot be listed.
    """
    if not folder.is_dir():
        raise PhotoError(f"{folder} is not a folder. Give the folder that holds the photos.")
    try:
        found = [path for path in _walk(folder, leave_out) if path.suffix.lower() in PHOTO_SUFFIXES]
    except OSError as error:
        raise PhotoError(
            f"{folder} cannot be listed ({error.strerror or error}). Copy it to this computer."
        ) from error
    return sorted(found, key=lambda path: natural(path.relative_to(folder).as_posix()))


def drawing_paths(folder: Path, *, leave_out: Path | None = None) -> list[Path]:
    """All SVG drawings at any depth, in the order of their names."""
    found = [path for path in _walk(folder, leave_out) if path.suffix.lower() == ".svg"]
    return sorted(found, key=lambda path: natural(path.relative_to(folder).as_posix()))


def _walk(folder: Path, leave_out: Path | None) -> Iterator[Path]:
    """Files that a user may have put there; links to folders are not followed."""
    if leave_out is not None and folder.resolve() == leave_out.resolve():
        return
    entries = sorted(folder.iterdir())
    if any(entry.name == BATCH_MARK for entry in entries):
        return
    results = any(entry.name in RESULT_FILES for entry in entries)
    for entry in entries:
        if entry.name.startswith(".") or (results and entry.name in RESULT_PICTURES):
            continue
        if entry.is_dir() and not entry.is_symlink():
            yield from _walk(entry, leave_out)
        elif entry.is_file():
            yield entry


def read_shots(
    paths: list[Path],
    folder: Path,
    *,
    jobs: int = 1,
    progress: Callable[[str], None] = lambda _: None,
) -> list[Shot]:
    """Read all photos at small size; one that cannot be read says why and stops nothing.

    Args:
        paths: photos inside the folder.
        folder: what `rel` starts from.
        jobs: threads; decoding releases Python's lock.
        progress: told how far it is.
    """
    work = joblib.Parallel(n_jobs=jobs, prefer="threads", return_as="generator")(
        joblib.delayed(read_shot)(path, folder) for path in paths
    )
    shots = []
    for number, shot in enumerate(work, start=1):
        progress(f"Looking at the photos: {number} of {len(paths)}")
        shots.append(shot)
    return shots


def read_shot(path: Path, folder: Path) -> Shot:
    """One photo at small size."""
    rel = shown(path.relative_to(folder).as_posix())
    shot = Shot(path, rel, named(PurePosixPath(rel)), "", clock_in(path.name), None)
    try:
        with path.open("rb") as file:
            shot = replace(shot, content_hash=hashlib.file_digest(file, "sha256").hexdigest())
        shot = replace(shot, taken=_taken(path) or shot.taken)
        return replace(shot, look=look_at(*_small(path)))
    except LeakcheckError as error:
        fault = str(error).replace(str(path), rel)
        return replace(shot, fault=fault, exit_code=error.exit_code)
    except OSError as error:
        reason = error.strerror or error
        return replace(shot, fault=f"{rel} cannot be read ({reason}).", exit_code=EXIT_BAD_INPUT)


def look_at(rgb: NDArray[np.uint8], size: tuple[int, int] | None = None) -> Look:
    """What is matched of a small picture, (rows, cols, 3), sRGB code values.

    Args:
        rgb: the picture.
        size: columns and rows of the photo that it was made of; None: its own.
    """
    view = view_of(linear_light(photo_from_array(rgb)), None)
    points, words = cv2.ORB_create(FEATURES).detectAndCompute(
        view.coarse, view.usable.astype(np.uint8) * 255
    )
    return Look(
        rgb=rgb,
        texture=view.coarse,
        usable=view.usable,
        points=np.array([point.pt for point in points], float).reshape(-1, 2),
        words=np.zeros((0, 32), np.uint8) if words is None else words,
        size=size or (rgb.shape[1], rgb.shape[0]),
        pixel_hash=hashlib.sha256(rgb.tobytes()).hexdigest(),
    )


def _small(path: Path) -> tuple[NDArray[np.uint8], tuple[int, int]]:
    """A photo at `THUMB_PX`, and its columns and rows. Raises: PhotoError.

    A JPEG is decoded at a fraction of its size.
    """
    try:
        with Image.open(path) as picture:
            if picture.format in ("JPEG", "MPO") and picture.mode == "RGB":
                if min(picture.size) < MIN_SIDE_PX:
                    raise ValueError("read_photo says it is too small")
                size = picture.size
                picture.draft("RGB", (THUMB_PX, THUMB_PX))
                upright = ImageOps.exif_transpose(picture)
                upright.thumbnail((THUMB_PX, THUMB_PX), Image.Resampling.BOX)
                lying = upright.size[0] > upright.size[1]
                long, short = max(size), min(size)
                return np.array(upright, np.uint8), (long, short) if lying else (short, long)
    except Exception:  # whatever is wrong with it is said by read_photo, in its own words
        pass
    photo = read_photo(path)
    rows, cols = photo.encoded.shape[:2]
    return display_image(photo, max_side=THUMB_PX), (cols, rows)


def _taken(path: Path) -> datetime | None:
    """When the file says it was taken, or None."""
    try:
        if path.suffix.lower() in (".heic", ".heif"):
            exif = Image.Exif()
            exif.load(pillow_heif.open_heif(path).info.get("exif") or b"")
        else:
            with Image.open(path) as picture:
                exif = picture.getexif()
        detail = exif.get_ifd(IFD.Exif)
        text = detail.get(Base.DateTimeOriginal) or exif.get(Base.DateTime) or ""
        time = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        part = str(detail.get(Base.SubsecTimeOriginal, "")).strip("\0 ")
    except Exception:  # a damaged header is no time; that the photo is damaged shows elsewhere
        return None
    return time.replace(microsecond=int(part[:6].ljust(6, "0"))) if part.isdigit() else time
