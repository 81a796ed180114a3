"""What C libraries write to stderr by themselves, caught: saying what is wrong is our part."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import threading
from collections.abc import Iterator

STDERR = 2  # the descriptor that C libraries write to, whatever Python's sys.stderr is
_ONE_AT_A_TIME = threading.Lock()  # the descriptor belongs to the whole process


@contextlib.contextmanager
def caught_mutterings() -> Iterator[list[str]]:
    """Lines that C libraries wrote to stderr inside the block, in the list once it has ended.

    Where stderr is closed or there is no room for a temporary file, the block runs as it is.
    """
    said: list[str] = []
    with _ONE_AT_A_TIME, contextlib.ExitStack() as undo:
        try:
            file = undo.enter_context(tempfile.TemporaryFile())
            kept = os.dup(STDERR)
        except OSError:
            yield said
            return
        undo.callback(os.close, kept)
        with contextlib.suppress(OSError, ValueError, AttributeError):  # closed, or none at all
            sys.stderr.flush()
        os.dup2(file.fileno(), STDERR)
        try:
            yield said
        finally:
            os.dup2(kept, STDERR)
            file.seek(0)
            said += file.read().decode("utf-8", "replace").splitlines()
