"""One line on the terminal that says what a slow run is doing."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

SILENT_S = 1.0  # a run that is over by then needs no progress
_WIDTH = 78  # one less than the narrowest usual terminal, so that the line never wraps


@contextmanager
def progress_line(stream: TextIO, *, wanted: bool = True) -> Iterator[Callable[[str], None]]:
    """Show the current step on `stream` once the run has lasted `SILENT_S`; only on a terminal.

    Yields the function to call with each step's name as it begins. The line is wiped at the end.
    """
    if not (wanted and stream.isatty()):
        yield lambda _: None
        return
    lock = threading.Lock()
    step, visible, over = "", False, False

    def write(text: str) -> None:
        stream.write(f"\r{text[:_WIDTH]:<{_WIDTH}}")
        stream.flush()

    def appear() -> None:
        nonlocal visible
        with lock:
            if not over:
                visible = True
                write(step)

    def begin(name: str) -> None:
        nonlocal step
        with lock:
            step = name
            if visible:
                write(name)

    timer = threading.Timer(SILENT_S, appear)
    timer.daemon = True
    timer.start()
    try:
        yield begin
    finally:
        timer.cancel()
        with lock:
            over = True
            if visible:
                write("")
                stream.write("\r")
                stream.flush()
