"""Which requests are answered at all: those of this machine's user, made by the page itself.

Any web site can make a browser send requests to 127.0.0.1, and a name of its own can be made to
point there. So every request must carry the random token in its path, name this server as its
host, and come from no other site.
"""

from __future__ import annotations

import secrets

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from leakcheck.errors import LeakcheckError
from leakcheck.page.errors import PageError

TOKEN_BYTES = 24  # 192 bits: no one guesses it
OWN_HEADER = "X-Leakcheck"  # no other site can send it without asking first, and is refused
HARMLESS = ("GET", "HEAD")
HEADERS = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",  # the address holds the token
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}
# The page loads nothing from outside and runs no script but its own files.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# A report brings its own style and script along, and gets to nothing of the page's.
REPORT_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "sandbox allow-scripts allow-popups allow-downloads allow-modals"
)


def new_token() -> str:
    """A random word for the address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def guard(*, token: str, port: int) -> Middleware:
    """The middleware that refuses everything else."""
    hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})

    @web.middleware
    async def refuse(request: web.Request, handler: Handler) -> web.StreamResponse:
        try:
            _refuse_strangers(request, token=token, hosts=hosts)
            response = await handler(request)
        except PageError as error:
            response = _told(str(error), error.status)
        except LeakcheckError as error:
            response = _told(str(error), 422)
        except web.HTTPException as error:
            response = _told(error.reason, error.status)
        for name, value in HEADERS.items():
            response.headers[name] = value
        response.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
        return response

    return refuse


def _refuse_strangers(request: web.Request, *, token: str, hosts: frozenset[str]) -> None:
    """Raise PageError where the request is none of the page's own."""
    # A first line that names a host, or no path at all, is for a proxy (RFC 9112, 3.2.2).
    addressed = request.raw_path.startswith("/")
    if not addressed or request.headers.get("Host", "").lower() not in hosts:
        raise PageError("This address is answered under 127.0.0.1 only.", status=421)
    given = request.path.split("/", 2)[1]
    if not secrets.compare_digest(given.encode("utf-8", "replace"), token.encode()):
        raise PageError(
            "Nothing is here. Open the whole address that leakcheck printed.", status=404
        )
    origin = request.headers.get("Origin")
    if origin is not None and origin.lower() not in {f"http://{host}" for host in hosts}:
        raise PageError("Requests of other sites are refused.", status=403)
    if request.headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
        raise PageError("Requests of other sites are refused.", status=403)
    if request.method not in HARMLESS and request.headers.get(OWN_HEADER) != "page":
        raise PageError("Only the page itself may change anything.", status=403)


def _told(sentence: str, status: int) -> web.Response:
    response = web.json_response({"error": sentence}, status=status)
    if status in (408, 413):
        response.force_close()  # the rest of what is being sent is not wanted
    return response
