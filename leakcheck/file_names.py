"""Names of files as people read them, whatever the system takes them to be."""

from __future__ import annotations

import os


def shown(name: str) -> str:
    """A name that Python got from the system, as it can be written down.

    Python keeps bytes that the system's encoding does not know as lone surrogates, and no file of
    ours may hold those. Where the system says ASCII and the bytes are UTF-8, as under the locale
    "C", the true name comes back; bytes that are no UTF-8, as of an old disk, become U+FFFD.
    """
    try:
        return os.fsencode(name).decode("utf-8", "replace")
    except UnicodeEncodeError:  # letters that no name on this system can hold
        return name.encode("utf-8", "replace").decode("utf-8")
