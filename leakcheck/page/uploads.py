"""A photo that is dropped on the page goes into the folder: whole, a photo, and not too big."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import secrets
import time
from collections.abc import AsyncIterator
from pathlib import Path

from leakcheck.errors import OutputError, PhotoError
from leakcheck.page.errors import PageError
from leakcheck.page.folder import Folder, free_path, safe_name
from leakcheck.photo import read_photo

MOST_BYTES = 200_000_000  # a camera's raw file has up to 120 MB
IDLE_S = 20.0  # without a byte on this very machine: the sender is gone
WHOLE_S = 300.0  # for one photo
AT_ONCE = 2  # photos that are received and decoded at a time: each needs memory
# How photos begin: JPEG, PNG, TIFF and most raw files, BigTIFF and others, RIFF (WebP), Fuji raw.
BEGINNINGS = (b"\xff\xd8\xff", b"\x89PNG\r\n", b"II", b"MM", b"RIFF", b"FUJIFILM")
BOX = b"ftyp"  # at byte 4: HEIC, and Canon's newer raw files
BEGINNING_BYTES = 12


class Uploads:
    """Receives photos, a few at a time."""

    def __init__(self, folder: Folder, *, most_bytes: int = MOST_BYTES) -> None:
        """Args: folder: that gets the photos. most_bytes: of one photo."""
        self._folder = folder
        self._most_bytes = most_bytes
        self._turn = asyncio.Semaphore(AT_ONCE)

    async def receive(
        self, name: str, chunks: AsyncIterator[bytes], *, length: int | None = None
    ) -> str:
        """Take a photo in and return the name that it got.

        Args:
            name: as the browser has it.
            chunks: its bytes, as they come.
            length: how many were announced.
        Raises: PageError where it is no photo, too big, or stops coming; OutputError where it
            cannot be written. Nothing is left of it then.
        """
        wanted = safe_name(name)
        if length is not None and length > self._most_bytes:
            raise self._too_big(wanted)
        async with self._turn:
            temporary = self._folder.root / f".leakcheck-{secrets.token_hex(6)}{_suffix(wanted)}"
            try:
                digest = await self._store(temporary, chunks, wanted)
                await asyncio.to_thread(_refuse_no_photo, temporary, wanted)
                return await asyncio.to_thread(self._keep, temporary, wanted, digest)
            except OSError as error:
                raise OutputError(
                    f"{wanted} cannot be put into {self._folder.root} ({error.strerror}). "
                    "Free some space, or start the page with a folder that can be written to."
                ) from error
            finally:
                with contextlib.suppress(OSError):
                    temporary.unlink(missing_ok=True)

    async def _store(self, path: Path, chunks: AsyncIterator[bytes], name: str) -> str:
        """Write what comes into a file; its SHA-256."""
        digest, size, head = hashlib.sha256(), 0, b""
        until = time.monotonic() + WHOLE_S
        with path.open("xb") as file:
            while True:
                chunk = await _next(chunks, name, until)
                if chunk is None:
                    break
                if len(head) < BEGINNING_BYTES:
                    head += chunk[:BEGINNING_BYTES]
                    if len(head) >= BEGINNING_BYTES:
                        _refuse_strange(head, name)
                size += len(chunk)
                if size > self._most_bytes:
                    raise self._too_big(name)
                digest.update(chunk)
                await asyncio.to_thread(file.write, chunk)
        _refuse_strange(head, name)
        return digest.hexdigest()

    def _keep(self, temporary: Path, name: str, digest: str) -> str:
        """Move it to a free name; the same photo under its own name is not kept twice."""
        there = self._folder.root / name
        if there.is_file() and hashlib.sha256(there.read_bytes()).hexdigest() == digest:
            return name
        path = free_path(self._folder.root, name)
        temporary.rename(path)
        return path.name

    def _too_big(self, name: str) -> PageError:
        most = self._most_bytes / 1_000_000
        return PageError(f"{name} is larger than {most:g} MB. Save it smaller.", status=413)


async def _next(chunks: AsyncIterator[bytes], name: str, until: float) -> bytes | None:
    """The next bytes, None at the end. Raises: PageError where they do not come in time."""
    try:
        async with asyncio.timeout(min(IDLE_S, max(0.0, until - time.monotonic()))):
            return await anext(chunks, None)
    except TimeoutError as error:
        raise PageError(f"{name} stopped coming. Drop it on the page again.", status=408) from error


def _refuse_strange(head: bytes, name: str) -> None:
    if not (head.startswith(BEGINNINGS) or head[4:8] == BOX):
        raise PageError(f"{name} is no photo, whatever it is called.", status=415)


def _refuse_no_photo(path: Path, name: str) -> None:
    """Decode it once: a photo that cannot be read must not get into the folder."""
    try:
        read_photo(path)
    except PhotoError as error:
        sentence = str(error).replace(str(path), name).replace(path.name, name)
        raise PageError(sentence, status=415) from error


def _suffix(name: str) -> str:
    return Path(name).suffix
