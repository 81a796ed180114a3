"""How memory is taken from the system, and that what one step has done with serves the next."""

from __future__ import annotations

import contextlib
import os
import sys

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # glibc, malloc.h
_LARGEST = 2**30  # bytes; larger than any image of light of a photo
_MOST_KEPT = 2**31 - 1  # bytes; the largest number that it takes


def take_small_pages() -> None:
    """Keep NumPy from asking Linux for huge pages; to be called before NumPy is loaded.

    They pay where much memory is taken anew time and again. A check takes a few hundred megabytes
    once, and on a virtual machine, whose own memory may not be there yet, each huge page was
    measured to cost 4 ms, three times as much as the small ones in its place. What the user has
    set stays.
    Source: NumPy reference, "Global state", NUMPY_MADVISE_HUGEPAGE.
    """
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")


def keep_freed_memory() -> None:
    """Let glibc keep what is freed, for a program that measures one pair and then ends.

    By default each image of some megabytes is given back to the system at once and taken anew,
    filled with zeros, for the next one: a fifth of all time. Elsewhere this does nothing.
    """
    if sys.platform.startswith("linux"):
        import ctypes

        with contextlib.suppress(OSError, AttributeError):  # another C library
            libc = ctypes.CDLL(None)
            libc.mallopt(_MMAP_THRESHOLD, _LARGEST)
            libc.mallopt(_TRIM_THRESHOLD, _MOST_KEPT)
            libc.mallopt(_ARENA_MAX, 1)  # what one thread has freed is there for all
