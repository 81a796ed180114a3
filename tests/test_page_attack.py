"""The page under attack: raw bytes that no browser sends, floods, slow and endless senders.

What a server owes to such requests, RFC 9110 and RFC 9112 say; that the page lives on for its own
user is asked after each. All on this machine's loopback, bounded in number and time.
"""

from __future__ import annotations

import asyncio
import io
import socket
import time

import aiohttp
import numpy as np
import psutil
import pytest
from page_program import SOON_S, running, save_ferry
from PIL import Image as PilImage

SECRET = b"mine, not yours"
CLIENTS = 50


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("attacked") / "heron"
    save_ferry(folder)
    (folder / "secret.txt").write_bytes(SECRET)
    (folder.parent / "beside.jpg").write_bytes(photo(0))
    return folder


@pytest.fixture(scope="module")
def program(pair):
    with running(pair) as program:
        program.idle()
        yield program


@pytest.fixture(autouse=True)
def lives_on(program):
    """After every attack the page's own user is answered at once."""
    yield
    began = time.monotonic()
    assert program.state()["work"]
    assert time.monotonic() - began < 5
    assert program.process.poll() is None


def photo(seed: int) -> bytes:
    """A photo unlike all others."""
    codes = np.random.default_rng(seed).integers(0, 255, (120, 160, 3), np.uint8)
    file = io.BytesIO()
    PilImage.fromarray(codes).save(file, "JPEG")
    return file.getvalue()


def raw(program, request: bytes, *, wait_s: float = 3) -> bytes:
    """What comes back to these bytes until the server closes or falls silent."""
    said = b""
    with socket.create_connection(("127.0.0.1", program.port), wait_s) as wire:
        try:
            wire.sendall(request)
            while part := wire.recv(65536):
                said += part
        except (ConnectionResetError, BrokenPipeError, TimeoutError):
            pass
    return said


def request(program, line: str, *headers: str, host: bool = True) -> bytes:
    """A request as bytes, {} being the token's path."""
    own = [f"Host: 127.0.0.1:{program.port}"] if host else []
    lines = [line.replace("{}", program.base), *own, "Connection: close", *headers, "", ""]
    return "\r\n".join(lines).encode("latin-1")


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/1.") else 0


# --- who is asking ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "headers", "allowed"),
    [
        ("GET {} HTTP/1.1", (), {400, 421}),  # no host: RFC 9112, 3.2 asks for 400
        ("GET {} HTTP/1.0", (), {421}),
        ("GET {} HTTP/1.1", ("Host: evil.example", "Host: 127.0.0.1"), {400, 421}),
        ("GET {} HTTP/1.1", ("Host: 127.0.0.1.evil.example:80",), {421}),
        ("GET {} HTTP/1.1", ("Host: evil.example@127.0.0.1",), {400, 421}),
        ("GET {} HTTP/1.1", ("Host: [::1]",), {400, 421}),
        ("GET {} HTTP/1.1", ("Host: ",), {400, 421}),
        ("GET {} HTTP/1.1", ("Host: evil.example", "X-Forwarded-Host: 127.0.0.1"), {421}),
    ],
)
def test_other_hosts_by_raw_bytes(program, line, headers, allowed):
    """DNS rebinding: a name of the attacker's that points to 127.0.0.1 stays the attacker's."""
    answer = raw(program, request(program, line, *headers, host=False))
    assert status(answer) in allowed
    assert b"<html" not in answer.lower()


@pytest.mark.parametrize(
    "headers",
    [
        ("Origin: http://evil.example",),
        ("Origin: http://127.0.0.1:1",),
        ("Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: no-cors"),
        ("Origin: http://evil.example", "Access-Control-Request-Headers: x-leakcheck"),
    ],
)
@pytest.mark.parametrize("method", ["OPTIONS", "POST", "PUT", "DELETE", "TRACE", "PATCH"])
def test_other_sites_get_no_leave_to_ask(program, method, headers):
    """Fetch standard: without Access-Control-Allow-Origin no other site's script reads an answer,
    and without an answered preflight it may not send the page's own header."""
    line = f"{method} {{}}api/close HTTP/1.1"
    answer = raw(program, request(program, line, *headers, "Content-Length: 0"))
    assert status(answer) in (400, 403, 405, 501)
    assert b"access-control-allow" not in answer.lower()


def test_a_form_of_another_site_changes_nothing(program, pair):
    """A form needs no leave to be sent, but has a plain content type and no header of its own."""
    before = sorted(path.name for path in pair.iterdir())
    body = photo(1)
    head = request(
        program,
        "POST {}api/photo?name=forged.jpg HTTP/1.1",
        "Content-Type: text/plain",
        f"Content-Length: {len(body)}",
    )
    assert status(raw(program, head + body)) == 403
    assert sorted(path.name for path in pair.iterdir()) == before


# --- where they want to go -------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "{}static/../../../../../../etc/passwd",
        "{}results/../../secret.txt",
        "{}results/....//....//secret.txt",
        "{}static/..\\..\\secret.txt",
        "{}static/%2e%2e%2f%2e%2e%2fsecret.txt",
        "{}static/%252e%252e%252fsecret.txt",
        "{}static/%c0%ae%c0%ae/secret.txt",
        "{}picture/%2e%2e",
        "{}results/secret.txt%00.html",
        "{}../secret.txt",
        "file:///etc/passwd",
        "http://evil.example{}",
        "//evil.example{}",
        "*",
        "",
        "\x00",
    ],
)
@pytest.mark.parametrize("method", ["GET", "OPTIONS"])
def test_no_raw_path_leads_anywhere(program, method, path):
    answer = raw(program, request(program, f"{method} {path} HTTP/1.1"))
    assert status(answer) in (0, 400, 403, 404, 405, 421), answer[:200]
    assert SECRET not in answer
    assert b"root:" not in answer
    assert b"Traceback" not in answer


@pytest.mark.parametrize("name", ["../beside.jpg", "..\\beside.jpg", "%2e%2e/beside.jpg", "/tmp"])
def test_photos_beside_the_folder_are_not_opened(program, name):
    for asked in ({"off": name, "on": "on.jpg"}, {"off": "off.jpg", "on": name}):
        assert program.json("POST", "api/open", body=asked)[0] in (400, 404)
    body = {"off": "off.jpg", "on": "on.jpg", "drawing": name}
    assert program.json("POST", "api/open", body=body)[0] in (400, 404)


# --- too much --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\0" * 60,  # TLS to a server without
        b"GET / HTTP/9.9\r\n\r\n",
        b"\r\n" * 1000,
        bytes(range(256)) * 40,
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0",
        b"GET /" + b"a" * 1_000_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"X: " + b"y" * 1_000_000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"".join(b"X%d: y\r\n" % k for k in range(50_000)) + b"\r\n",
    ],
    ids=lambda data: repr(data[:12]),
)
def test_what_is_no_request(program, garbage):
    """RFC 9112: 400, or closed without a word; 431 and 414 where a part is too long."""
    answer = raw(program, garbage)
    assert status(answer) in (0, 400, 404, 414, 421, 431, 505)
    assert b"Traceback" not in answer


@pytest.mark.parametrize(("method", "path"), [("PUT", "api/shapes"), ("POST", "api/check")])
def test_a_body_without_end_is_cut_off(program, method, path):
    """Chunk after chunk of JSON that never ends: refused long before memory is."""
    head = request(
        program, f"{method} {{}}{path} HTTP/1.1", "X-Leakcheck: page", "Transfer-Encoding: chunked"
    )
    piece = b"100000\r\n" + b"[" * 0x100000 + b"\r\n"
    with socket.create_connection(("127.0.0.1", program.port), SOON_S) as wire:
        wire.sendall(head)
        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            send_for(wire, piece, seconds=20)
    assert psutil.Process(program.process.pid).memory_info().rss < 500e6


def send_for(wire, piece, *, seconds):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        wire.sendall(piece)


def test_senders_that_never_finish_keep_nobody_out(program):
    """Fifty connections with half a request each: the page answers others meanwhile."""
    half = request(program, "GET {} HTTP/1.1")[:-4]
    wires = [socket.create_connection(("127.0.0.1", program.port), SOON_S) for _ in range(CLIENTS)]
    try:
        for wire in wires:
            wire.sendall(half)
        began = time.monotonic()
        assert program.state()["work"]
        assert time.monotonic() - began < 5
    finally:
        for wire in wires:
            wire.close()


def test_fifty_clients_drop_photos_at_once(program, pair):
    """Each its own photo, all under one name: all are kept whole, none twice, nothing half."""
    before = {path.name for path in pair.iterdir()}
    photos = [photo(seed) for seed in range(100, 100 + CLIENTS)]

    async def drop(session, data):
        address = f"{program.address}api/photo?name=dropped.jpg"
        async with session.post(address, data=data, headers={"X-Leakcheck": "page"}) as answer:
            return answer.status, (await answer.json()).get("name")

    async def all_at_once():
        async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
            return await asyncio.gather(*(drop(session, data) for data in photos))

    told = asyncio.run(asyncio.wait_for(all_at_once(), SOON_S))
    assert {code for code, _ in told} == {200}
    new = {path.name for path in pair.iterdir()} - before
    assert new == {name for _, name in told}
    assert sorted((pair / name).read_bytes() for name in new) == sorted(photos)
    for name in new:
        (pair / name).unlink()


def test_fifty_clients_ask_for_a_check_at_once(program):
    """One is begun; the others are told that one is under way; it ends with its result."""

    async def ask(session):
        headers = {"X-Leakcheck": "page"}
        async with session.post(f"{program.address}api/check", json={}, headers=headers) as answer:
            return answer.status, await answer.text()

    async def all_at_once():
        async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0)) as session:
            return await asyncio.gather(*(ask(session) for _ in range(CLIENTS)))

    told = asyncio.run(asyncio.wait_for(all_at_once(), SOON_S))
    codes = sorted(code for code, _ in told)
    assert codes == [200] + [409] * (CLIENTS - 1), set(told)
    assert program.idle()["error"] is None
