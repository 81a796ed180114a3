"""The process that reads and measures photos for the page, so that the page stays alive.

Run as `python -m leakcheck.page.worker`. A line of JSON on standard input is a job, lines of JSON
on standard output say how it goes: {"step": "..."}, {"shown": "...", ...}, and last {"done": {...}}
or {"error": "one sentence"}. It ends when its input does, or when it is killed.
"""

from __future__ import annotations

import json
import os
import sys
import traceback
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import IO, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from leakcheck.check import Check, check
from leakcheck.colourspace import linear_to_srgb
from leakcheck.compare_inputs import StageFiles, openings_for
from leakcheck.errors import LeakcheckError, MeasurementError
from leakcheck.openings import Openings, linked_photo, read_openings
from leakcheck.page.drawing import shapes_of, simpler, to_page
from leakcheck.page.result_view import result_view
from leakcheck.photo import Photo, display_image, frame_scale, linear_light, read_photo
from leakcheck.register import Registration, register, warp_off
from leakcheck.report.outputs import Outputs, openings_svg
from leakcheck.settings import Settings
from leakcheck.stages import Pair

Say = Callable[[dict[str, Any]], None]

SHOWN_SIDE_PX = 4096  # a 12-megapixel photo as it is; what every browser can show
JPEG_QUALITY = 88  # of pictures for the page only
CARRIED_WITHIN_PX = 0.5  # outlines that were carried are simplified by less than one sees


def main() -> None:
    """Do the jobs that come in, one after the other, until there are no more."""
    say = _private_stdout()
    photos = _Photos()
    for line in sys.stdin:
        try:
            job = json.loads(line)
            done = JOBS[job["job"]](job, photos, say)
        except Exception as error:
            say({"error": _sentence(error)})
        else:
            say({"done": done})


class _Photos:
    """The last pair stays decoded: it is opened, then checked again and again."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, int, int], Photo] = {}

    def read(self, *paths: str) -> list[Photo]:
        """Photos by their paths. Raises: PhotoError."""
        keys = [_key(path) for path in paths]
        kept = {key: photo for key, photo in self._kept.items() if key in keys}
        self._kept = {}  # what is not wanted any more goes before more is read
        for key, path in zip(keys, paths, strict=True):
            kept[key] = kept.get(key) or read_photo(path)
        self._kept = kept
        return [kept[key] for key in keys]


def open_pair(job: dict[str, Any], photos: _Photos, say: Say) -> dict[str, Any]:
    """Pictures of both photos for the page, and their openings: read, or guessed.

    Args:
        job: "off", "on": paths; "openings": path of a drawing or None; "folder": where pictures go.
        photos: already decoded ones.
        say: told of steps, and that pictures are ready before the rest is.
    """
    folder = Path(job["folder"])
    say({"step": "Reading the photos"})
    off, on = photos.read(job["off"], job["on"])
    _write_picture(folder / "on.jpg", display_image(on, max_side=SHOWN_SIDE_PX))
    _write_picture(folder / "off.jpg", display_image(off, max_side=SHOWN_SIDE_PX))
    say({"shown": "pictures", "size": on.encoded.shape[1::-1]})
    note, drawn, registration = None, Openings(()), None
    try:
        if job["openings"]:
            drawn = _drawn(Path(job["openings"]), off, on, job)
            say({"shown": "shapes", "shapes": to_page(shapes_of(drawn))})
        say({"step": "Laying the photos onto each other"})
        if job["openings"]:
            registration = register(*(_frame(photo) for photo in (off, on)))
        else:
            result = check(off, on, progress=lambda step: say({"step": step}))
            registration = result.registration
            drawn = _guessed(result, on, folder)
    except MeasurementError as error:
        note = str(error)
    if registration is not None:
        _write_picture(folder / "off.jpg", _laid_on(off, on, registration))
    return {
        "shapes": to_page(shapes_of(drawn)),
        "warnings": list(drawn.warnings),
        "note": note,
        "aligned": registration is not None,
    }


def run_check(job: dict[str, Any], photos: _Photos, say: Say) -> dict[str, Any]:
    """One check, its results written into a folder.

    Args:
        job: "off", "on", "openings" as above; "length_mm", "tripod"; "results": folder to write
            to; "view": file that gets what the page shows.
        photos: already decoded ones.
        say: told of steps.
    """
    say({"step": "Reading the photos"})
    off, on = photos.read(job["off"], job["on"])
    drawn = _drawn(Path(job["openings"]), off, on, job) if job["openings"] else None
    settings = Settings(length_mm=job["length_mm"], tripod=job["tripod"])
    result = check(off, on, drawn, settings=settings, progress=lambda step: say({"step": step}))
    say({"step": "Writing the results"})
    note = None
    try:
        outputs = Outputs(None, None, Path(job["results"]), None, None, force=True)
        outputs.write(result, off=off, on=on, glow=result.glow)
    except LeakcheckError as error:
        note = str(error)
    view = result_view(result, notes=drawn.warnings if drawn else ())
    Path(job["view"]).write_text(json.dumps(view), encoding="utf-8")
    return {"note": note}


JOBS = {"open": open_pair, "check": run_check}


def _drawn(path: Path, off: Photo, on: Photo, job: dict[str, Any]) -> Openings:
    """The openings of a file on the lights-on photo, carried over from another one if need be."""
    linked = linked_photo(path)
    if linked is None or linked.samefile(job["on"]):
        return read_openings(path, size=on.encoded.shape[1::-1])
    stages = [StageFiles("page", Path(job["off"]), Path(job["on"]))]
    carried, _ = openings_for(path, stages, [Pair("page", off, on)])
    return simpler(carried or Openings(()), within_px=CARRIED_WITHIN_PX)


def _guessed(result: Check, on: Photo, folder: Path) -> Openings:
    """The likely openings, by way of the same drawing that --save-openings writes."""
    if not result.guessed:
        return Openings(())
    drawing = folder / "guessed.svg"
    # Without its path, as the drawing is not kept beside the photo.
    drawing.write_bytes(openings_svg(result, replace(on, path=None), beside=drawing))
    return read_openings(drawing, size=(result.on.width_px, result.on.height_px))


def _frame(photo: Photo) -> Any:
    return linear_light(photo, scale=frame_scale(*photo.encoded.shape[:2]))


def _laid_on(off: Photo, on: Photo, registration: Registration) -> NDArray[np.uint8]:
    """The lights-off photo as seen from where the other was taken, 8-bit sRGB."""
    unlit = _frame(off)
    scale = frame_scale(*on.encoded.shape[:2])
    shape = (on.encoded.shape[0] // scale, on.encoded.shape[1] // scale)
    light, overlap, _ = warp_off(unlit, registration, on_shape=shape, on_scale=scale)
    seen = np.where(overlap[..., None], light, np.float32(0))
    return np.asarray(np.rint(255 * linear_to_srgb(np.clip(seen, 0, 1))), np.uint8)


def _write_picture(path: Path, picture: NDArray[np.uint8]) -> None:
    """A JPEG for the page, whole at once: the page may be reading the one before it."""
    good, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not good:
        raise MeasurementError(f"{path.name} cannot be made a picture of.")
    new = path.with_suffix(".new")
    new.write_bytes(data.tobytes())
    new.replace(path)


def _key(path: str) -> tuple[str, int, int]:
    """A file as it is now; one that is missing is told of when it is read."""
    try:
        found = os.stat(path)
    except OSError:
        return path, 0, 0
    return path, found.st_mtime_ns, found.st_size


def _sentence(error: Exception) -> str:
    """What went wrong, for the page."""
    if isinstance(error, LeakcheckError):
        return str(error)
    if isinstance(error, MemoryError) or "Insufficient memory" in str(error):
        return "The memory is not enough for these photos. Close other programs and try again."
    if os.environ.get("LEAKCHECK_TRACEBACK"):
        traceback.print_exc()
    return (
        f"A fault of the program, not of your photos: {type(error).__name__}: {error}. "
        "Please report it."
    )


def _private_stdout() -> Say:
    """A function that writes lines where no library's chatter can get in between."""
    lines: IO[str] = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="ascii")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

    def say(message: dict[str, Any]) -> None:
        lines.write(json.dumps(message) + "\n")
        lines.flush()

    return say


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main()
