"""Which page a saved result has, and how it is made again."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from leakcheck.errors import UsageError
from leakcheck.report.again import glow_again, photo_of
from leakcheck.report.compare_json import FORMAT as COMPARE
from leakcheck.report.compare_json import VERSION as COMPARE_VERSION
from leakcheck.report.html.check_page import check_page
from leakcheck.report.html.compare_page import compare_page
from leakcheck.report.result_json import FORMAT as CHECK
from leakcheck.report.result_json import VERSION as CHECK_VERSION
from leakcheck.report.result_read import check_of, comparison_of, read_result


def page_again(
    result: Path,
    *,
    off: Path | None,
    on: Path | None,
    progress: Callable[[str], None] = lambda _: None,
) -> bytes:
    """The page of a saved result.

    Args:
        result: file of `check` or `compare`.
        off, on: its photos, where they are not where they were.
        progress: told what is being done.
    Raises: PhotoError, UsageError.
    """
    formats = {CHECK: CHECK_VERSION, COMPARE: COMPARE_VERSION}
    content = read_result(result, formats=formats)
    progress("Reading the photos")
    if content["format"] == COMPARE:
        if off or on:
            raise UsageError("--off and --on are for the result of a check, not of a comparison.")

        comparison = comparison_of(content, result, partial(photo_of, result=result))
        progress("Making the page")
        return compare_page(comparison)
    check = check_of(content, result)
    unlit = photo_of(check.off, result=result, given=off)
    lit = photo_of(check.on, result=result, given=on)
    progress("Making the page")
    return check_page(check, off=unlit, on=lit, glow=glow_again(check, unlit, lit))
