"""The page's server: answers on 127.0.0.1 until it is closed.

aiohttp, because it is one well-kept library that streams uploads, closes cleanly and needs no
further server. The page itself is plain JavaScript in `static/`: no library of user interfaces has
an editor of outlines, and what such a library brings along for everything else would have to be
held back from loading things from outside.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
import tempfile
from collections.abc import AsyncIterator, Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from aiohttp import web

from leakcheck.page.errors import PageError
from leakcheck.page.folder import Folder
from leakcheck.page.guard import REPORT_POLICY, guard, new_token
from leakcheck.page.session import Session
from leakcheck.page.uploads import MOST_BYTES, Uploads

HOST = "127.0.0.1"
MOST_JSON_BYTES = 16_000_000  # a drawing of as many points as the page takes
WAITING = 256  # connections that may wait to be answered
GOODBYE_S = 1.0  # for answers under way when the page is closed
TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}


class Page:
    """Requests in, calls of the session, answers out."""

    def __init__(self, session: Session, uploads: Uploads) -> None:
        """Args: session: what is worked on. uploads: takes photos in."""
        self.session = session
        self.uploads = uploads
        self.closed = asyncio.Event()
        self._static = {
            entry.name: entry.read_bytes()
            for entry in files("leakcheck.page").joinpath("static").iterdir()
            if Path(entry.name).suffix in TYPES
        }

    def routes(self, token: str) -> list[web.RouteDef]:
        """Every address that is answered."""
        at = f"/{token}"
        return [
            web.get(f"{at}/", self.index),
            web.get(f"{at}/static/{{name}}", self.static),
            web.get(f"{at}/picture/{{which}}", self.picture),
            web.get(f"{at}/results/{{name}}", self.result_file),
            web.get(f"{at}/api/state", self.state),
            web.get(f"{at}/api/shapes", self.shapes),
            web.get(f"{at}/api/view", self.view),
            web.post(f"{at}/api/photo", self.photo),
            web.post(f"{at}/api/open", self.open),
            web.put(f"{at}/api/shapes", self.save),
            web.post(f"{at}/api/check", self.check),
            web.post(f"{at}/api/stop", self.stop),
            web.post(f"{at}/api/close", self.close),
        ]

    async def index(self, _: web.Request) -> web.Response:
        """The page."""
        return web.Response(body=self._static["index.html"], content_type="text/html")

    async def static(self, request: web.Request) -> web.Response:
        """A file of the page's own, by its name alone."""
        name = request.match_info["name"]
        if name not in self._static:
            raise PageError("There is no such file.", status=404)
        return web.Response(body=self._static[name], content_type=TYPES[Path(name).suffix])

    async def picture(self, request: web.Request) -> web.FileResponse:
        """One of the two photos, as a JPEG."""
        path = self.session.picture(request.match_info["which"])
        return web.FileResponse(path, headers={"Content-Type": "image/jpeg"})

    async def result_file(self, request: web.Request) -> web.FileResponse:
        """A file of the last check."""
        path = self.session.result_file(request.match_info["name"])
        return web.FileResponse(path, headers={"Content-Security-Policy": REPORT_POLICY})

    async def state(self, _: web.Request) -> web.Response:
        """What the page draws itself from."""
        return web.json_response(self.session.state() | {"most_bytes": MOST_BYTES})

    async def shapes(self, _: web.Request) -> web.Response:
        """The openings as last saved."""
        work = self.session.work
        if work is None:
            raise PageError("Open two photos first.", status=409)
        return web.json_response({"revision": work.revision, "shapes": work.shapes})

    async def view(self, _: web.Request) -> web.Response:
        """The last result."""
        body = await asyncio.to_thread(self.session.view)
        return web.Response(body=body, content_type="application/json")

    async def photo(self, request: web.Request) -> web.Response:
        """Take in a photo; the body is the file."""
        name = await self.uploads.receive(
            request.query.get("name", ""), _chunks(request), length=request.content_length
        )
        return web.json_response({"name": name})

    async def open(self, request: web.Request) -> web.Response:
        """Open a pair."""
        asked = await _json(request)
        off, on, drawing = (asked.get(key) for key in ("off", "on", "drawing"))
        if not isinstance(off, str) or not isinstance(on, str):
            raise PageError("Choose a photo with the lights off and one with them on.")
        if drawing is not None and not isinstance(drawing, str):
            raise PageError("Choose a drawing by its name.")
        await self.session.open(off, on, drawing=drawing)
        return _done()

    async def save(self, request: web.Request) -> web.Response:
        """Save the openings."""
        asked = await _json(request)
        revision = await self.session.save(asked.get("shapes"), asked.get("revision"))
        return web.json_response({"revision": revision})

    async def check(self, request: web.Request) -> web.Response:
        """Start a check."""
        asked = await _json(request)
        await self.session.check(length_mm=asked.get("length_mm"), tripod=asked.get("tripod"))
        return _done()

    async def stop(self, _: web.Request) -> web.Response:
        """Break off what is being measured."""
        await self.session.stop()
        return _done()

    async def close(self, _: web.Request) -> web.Response:
        """End the program."""
        self.closed.set()
        return _done()


async def serve(
    folder: Folder, pair: tuple[str, str] | None, *, ready: Callable[[str], None]
) -> None:
    """Serve the page until it is closed or the program is told to end.

    Args:
        folder: of the photos.
        pair: names of the two photos to open at once.
        ready: called with the page's address when it answers.
    """
    token = new_token()
    with tempfile.TemporaryDirectory(prefix="leakcheck-page-") as scratch:
        session = Session(folder, Path(scratch))
        page = Page(session, Uploads(folder))
        listener = _listener()
        port = listener.getsockname()[1]
        app = web.Application(
            middlewares=[guard(token=token, port=port)], client_max_size=MOST_JSON_BYTES
        )
        app.add_routes(page.routes(token))
        runner = web.AppRunner(app, access_log=None, shutdown_timeout=GOODBYE_S, lingering_time=2.0)
        await runner.setup()
        try:
            _close_on_signals(page.closed)
            await web.SockSite(runner, listener, backlog=WAITING).start()
            if pair:
                await session.open(*pair)
            ready(f"http://{HOST}:{port}/{token}/")
            await page.closed.wait()
        finally:
            await session.close()
            await runner.cleanup()


def _listener() -> socket.socket:
    """A socket at a free port that only this machine reaches."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.bind((HOST, 0))
    return listener


def _close_on_signals(closed: asyncio.Event) -> None:
    """Ctrl-C, a closed terminal and a polite kill end the page as its Close button does."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        with contextlib.suppress(NotImplementedError, AttributeError):  # not so on Windows
            asyncio.get_running_loop().add_signal_handler(getattr(signal, name), closed.set)


async def _chunks(request: web.Request) -> AsyncIterator[bytes]:
    async for chunk in request.content.iter_chunked(1 << 18):
        yield chunk


async def _json(request: web.Request) -> dict[str, Any]:
    """The body of a request. Raises: PageError where it is no JSON object."""
    try:
        asked = json.loads(await request.read())
    except (ValueError, RecursionError) as error:
        raise PageError("The request cannot be understood.") from error
    if not isinstance(asked, dict):
        raise PageError("The request cannot be understood.")
    return asked


def _done() -> web.Response:
    return web.json_response({})
