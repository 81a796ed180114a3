"""What `leakcheck check` was asked to write: refused early, rendered, written together."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from leakcheck.errors import UsageError
from leakcheck.report.files import refuse_unwritable, write_files, write_stdout
from leakcheck.report.lamps_csv import lamps_to_csv
from leakcheck.report.result_json import check_to_json
from leakcheck.report.table_csv import check_to_csv

if TYPE_CHECKING:
    from leakcheck.check import Check
    from leakcheck.photo import Image, Photo

STDOUT = Path("-")
MARKED, GLOW, PAGE = "marked.png", "glow.png", "report.html"
RESULT, LEAKS, LAMPS = "result.json", "leaks.csv", "lamps.csv"


@dataclass(frozen=True)
class Outputs:
    """Where the results of a check go; "-" is standard output."""

    json: Path | None
    csv: Path | None
    folder: Path | None  # gets pictures, JSON and tables
    openings: Path | None  # gets the likely openings, for editing
    picture_width_px: int | None
    force: bool  # replace existing files

    @property
    def on_stdout(self) -> bool:
        """True where a file goes to standard output, so that nothing else may."""
        return STDOUT in (self.json, self.csv)

    def refuse_impossible(self, *, inputs: Collection[Path]) -> None:
        """Raise UsageError or OutputError where something could not be written later."""
        if self.json == self.csv == STDOUT:
            raise UsageError("--json and --csv cannot both go to standard output (-).")
        files = [path for path in (self.json, self.csv, self.openings) if path is not None]
        if self.folder is not None:
            files += [self.folder / name for name in (PAGE, MARKED, GLOW, RESULT, LEAKS, LAMPS)]
        refuse_unwritable(
            [path for path in files if path != STDOUT],
            inputs=inputs,
            force=self.force,
            new_folder=self.folder,
        )

    def write(self, check: Check, *, off: Photo, on: Photo, glow: Image | None) -> None:
        """Render everything that was asked for, then write all of it or nothing.

        Args:
            check: the result.
            off: the lights-off photo.
            on: the lights-on photo.
            glow: added light / room light on the same surface, over the lights-on photo.
        """
        json, csv = check_to_json(check), check_to_csv(check)
        files: dict[Path, bytes] = {}
        for path, data in ((self.json, json), (self.csv, csv)):
            if path == STDOUT:
                write_stdout(data)
            elif path is not None:
                files[path] = data
        if self.openings is not None:
            files[self.openings] = openings_svg(check, on, beside=self.openings)
        if self.folder is not None:
            from leakcheck.report.html.check_page import check_page  # loads matplotlib

            files |= {self.folder / RESULT: json, self.folder / LEAKS: csv}
            files[self.folder / LAMPS] = lamps_to_csv(check)
            files |= self._pictures(self.folder, check, on=on, glow=glow)
            files[self.folder / PAGE] = check_page(check, off=off, on=on, glow=glow)
        write_files(files, force=self.force)

    def _pictures(
        self, folder: Path, check: Check, *, on: Photo, glow: Image | None
    ) -> dict[Path, bytes]:
        from leakcheck.report.picture import glow_picture, marked_picture  # loads matplotlib

        width = self.picture_width_px
        pictures = {folder / MARKED: marked_picture(on, check, width_px=width)}
        if glow is not None:
            pictures[folder / GLOW] = glow_picture(glow, on, check, width_px=width)
        return pictures


def openings_svg(check: Check, on: Photo, *, beside: Path) -> bytes:
    """The openings of a check and the likely ones as an SVG drawing over the lights-on photo.

    Args:
        check: the result.
        on: the lights-on photo, shown beneath where it is a file.
        beside: where the drawing will be, as the link to the photo starts in its folder.
    """
    from leakcheck.openings import Openings, write_openings

    link = None
    if on.path is not None:
        with contextlib.suppress(ValueError):  # on another drive there is no way from here to there
            link = os.path.relpath(on.path.resolve(), beside.resolve().parent)
    size = (check.on.width_px, check.on.height_px)
    drawing = Openings((*check.openings, *check.guessed))
    return write_openings(drawing, size=size, photo_name=link).encode("utf-8")
