"""Several of a kind at once: NumPy and OpenCV work outside the interpreter's lock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

Given = TypeVar("Given")
Made = TypeVar("Made")
Other = TypeVar("Other")

MOST = 2  # at once: what each of them holds on the way is held so many times


def side_by_side(function: Callable[[Given], Made], items: Sequence[Given]) -> list[Made]:
    """``[function(item) for item in items]``, two at once where OpenCV may use threads as well."""
    many = min(MOST, cv2.getNumThreads())
    if min(many, len(items)) < 2:
        return [function(item) for item in items]
    with ThreadPoolExecutor(many) as pool:
        return list(pool.map(function, items))


def both(first: Callable[[], Made], second: Callable[[], Other]) -> tuple[Made, Other]:
    """``first(), second()``, at once where OpenCV may use threads; the first one's error counts."""
    if min(MOST, cv2.getNumThreads()) < 2:
        return first(), second()
    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(first)
        try:
            other = second()
        except Exception:
            running.result()
            raise
        return running.result(), other
