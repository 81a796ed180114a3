"""What `leakcheck batch` writes of a whole folder, beside the results of every pair."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from leakcheck.report.files import write_files
from leakcheck.report.overview_csv import overview_to_csv
from leakcheck.report.overview_json import overview_to_json

if TYPE_CHECKING:
    from leakcheck.overview import Overview
    from leakcheck.settings import Settings

JSON, CSV, PAGE, PAIRS = "overview.json", "overview.csv", "overview.html", "pairs.csv"


def write_overview(overview: Overview, out: Path, settings: Settings) -> None:
    """Write page, table and JSON together; those of an earlier run are replaced.

    Raises: OutputError.
    """
    from leakcheck.report.html.overview_page import overview_page

    files = {
        out / JSON: overview_to_json(overview, settings),
        out / CSV: overview_to_csv(overview),
        out / PAGE: overview_page(overview, out),
    }
    write_files(files, force=True)


def write_pairs(content: bytes, out: Path, *, force: bool) -> Path:
    """Write the file of pairs; one that the user may have changed is replaced only by `force`.

    Raises: OutputError.
    """
    path = out / PAIRS
    same = path.is_file() and path.read_bytes() == content
    if not same:
        write_files({path: content}, force=force)
    return path
