"""The measuring process as seen from the server: given jobs, listened to, ended."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable
from typing import Any

from leakcheck.page.errors import PageError

STOPPED = "Stopped."
LINE_BYTES = 64_000_000  # a line with all shapes of a large drawing; asyncio's usual 64 KB is short


class Worker:
    """One process, started when first needed and again after it was stopped."""

    def __init__(self) -> None:
        """No process runs yet."""
        self._process: asyncio.subprocess.Process | None = None
        self._stopped = False
        self._turn = asyncio.Lock()

    async def run(
        self, job: dict[str, Any], tell: Callable[[dict[str, Any]], None]
    ) -> dict[str, Any]:
        """Have a job done.

        Args:
            job: see `worker.py`.
            tell: called with every message on the way.
        Raises: PageError with what the process says went wrong, or because it was stopped.
        """
        async with self._turn:
            process = await self._started()
            assert process.stdin is not None
            assert process.stdout is not None
            with contextlib.suppress(ConnectionError):  # it has died: the empty line below says so
                process.stdin.write(json.dumps(job).encode("ascii") + b"\n")
                await process.stdin.drain()
            while line := await process.stdout.readline():
                message = json.loads(line)
                if "done" in message:
                    done: dict[str, Any] = message["done"]
                    return done
                if "error" in message:
                    raise PageError(message["error"], status=422)
                tell(message)
            await process.wait()
            self._process = None
            raise PageError(STOPPED if self._stopped else _DIED, status=422)

    async def stop(self) -> None:
        """End the process, whatever it is doing."""
        process, self._stopped = self._process, True
        if process is not None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    async def _started(self) -> asyncio.subprocess.Process:
        if self._process is None or self._process.returncode is not None:
            self._stopped = False
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "leakcheck.page.worker",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=LINE_BYTES,
                env={"OPENCV_LOG_LEVEL": "SILENT", **os.environ},
                # Ctrl-C is for the server, which then ends this process itself.
                **_OWN_GROUP,
            )
        return self._process


_DIED = "The measuring broke off; perhaps the memory is not enough for these photos. Try again."
_OWN_GROUP: dict[str, Any] = (
    {"creationflags": 0x200}  # CREATE_NEW_PROCESS_GROUP
    if sys.platform == "win32"
    else {"start_new_session": True}
)
