"""What `leakcheck compare` was asked to write: refused early, rendered, written together."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from leakcheck.errors import UsageError
from leakcheck.report.compare_csv import comparison_to_csv
from leakcheck.report.compare_json import comparison_to_json
from leakcheck.report.files import refuse_unwritable, write_files, write_stdout

if TYPE_CHECKING:
    from leakcheck.compare import Comparison

STDOUT = Path("-")
SIDES, COURSE, PAGE = "before_after.png", "course.png", "report.html"
RESULT, CHANGES = "compare.json", "changes.csv"


@dataclass(frozen=True)
class CompareOutputs:
    """Where the results of a comparison go; "-" is standard output."""

    json: Path | None
    csv: Path | None
    folder: Path | None  # gets pictures, JSON and table
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
        paths = [path for path in (self.json, self.csv) if path is not None and path != STDOUT]
        if self.folder is not None:
            paths += [self.folder / name for name in (PAGE, SIDES, COURSE, RESULT, CHANGES)]
        refuse_unwritable(paths, inputs=inputs, force=self.force, new_folder=self.folder)

    def write(self, comparison: Comparison) -> None:
        """Render everything that was asked for, then write all of it or nothing."""
        json, csv = comparison_to_json(comparison), comparison_to_csv(comparison)
        files: dict[Path, bytes] = {}
        for path, data in ((self.json, json), (self.csv, csv)):
            if path == STDOUT:
                write_stdout(data)
            elif path is not None:
                files[path] = data
        if self.folder is not None:
            from leakcheck.report.compare_picture import side_by_side  # loads matplotlib
            from leakcheck.report.compare_plot import course_plot
            from leakcheck.report.html.compare_page import compare_page

            files |= {
                self.folder / RESULT: json,
                self.folder / CHANGES: csv,
                self.folder / SIDES: side_by_side(comparison, width_px=self.picture_width_px),
                self.folder / COURSE: course_plot(comparison),
                self.folder / PAGE: compare_page(comparison),
            }
        write_files(files, force=self.force)
