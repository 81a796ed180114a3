"""Which page a saved result has, and how it is made again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from leakcheck.errors import OutputError
from leakcheck.report.again import glow_again, photo_of
from leakcheck.report.html.check_page import check_page
from leakcheck.report.result_json import FORMAT, VERSION
from leakcheck.report.result_read import check_of, read_result


def page_again(
    result: Path,
    *,
    off: Path | None,
    on: Path | None,
    page: Path,
    progress: Callable[[str], None] = lambda _: None,
) -> bytes:
    """The page of a saved result.

    Args:
        result: file of `check`.
        off, on: its photos, where they are not where they were.
        page: where it will be; never one of the photos.
        progress: told what is being done.
    Raises: PhotoError, OutputError.
    """
    content = read_result(result, formats={FORMAT: VERSION})
    check = check_of(content, result)
    progress("Reading the photos")
    unlit = photo_of(check.off, result=result, given=off)
    lit = photo_of(check.on, result=result, given=on)
    for photo in (unlit, lit):
        if photo.path is not None and page.exists() and page.samefile(photo.path):
            raise OutputError(f"{page} is a photo and never overwritten. Give another name.")
    progress("Making the page")
    return check_page(check, off=unlit, on=lit, glow=glow_again(check, unlit, lit))
