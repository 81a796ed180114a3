"""Memory that one step of a measurement has done with is kept for the next."""

from __future__ import annotations

import contextlib
import ctypes
import sys

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # glibc, malloc.h
_LARGEST = 2**30  # bytes; larger than any image of light of a photo
_MOST_KEPT = 2**31 - 1  # bytes; the largest number that it takes


def keep_freed_memory() -> None:
    """Let glibc keep what is freed, for a program that measures one pair and then ends.

    By default each image of some megabytes is given back to the system at once and taken anew,
    filled with zeros, for the next one: a fifth of all time. Elsewhere this does nothing.
    """
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):  # another C library
            libc = ctypes.CDLL(None)
            libc.mallopt(_MMAP_THRESHOLD, _LARGEST)
            libc.mallopt(_TRIM_THRESHOLD, _MOST_KEPT)
            libc.mallopt(_ARENA_MAX, 1)  # what one thread has freed is there for all
