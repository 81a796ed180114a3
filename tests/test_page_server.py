"""The page's server without a browser: whom it answers, what it takes in, how it ends.

The rules tested here are those of the Fetch standard (Origin, Sec-Fetch-Site) and RFC 9110
(Host, 413, 415, 421); what a photo is, Pillow says.
"""

from __future__ import annotations

import asyncio
import io
import json
import os
import signal
import socket
import time
from pathlib import Path

import aiohttp
import pytest
from page_program import SOON_S, running, save_ferry
from PIL import Image as PilImage

from leakcheck.errors import OutputError
from leakcheck.page.errors import PageError
from leakcheck.page.folder import Folder
from leakcheck.page.uploads import MOST_BYTES, Uploads


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("heron")
    save_ferry(folder)
    (folder / "secret.txt").write_text("mine")
    return folder


@pytest.fixture(scope="module")
def program(pair):
    """One page for all tests that leave it as it is."""
    with running(pair) as program:
        program.idle()
        yield program


def jpeg(size=(160, 120), colour=(90, 80, 70)):
    file = io.BytesIO()
    PilImage.new("RGB", size, colour).save(file, "JPEG")
    return file.getvalue()


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "evil.example:{}"])
def test_a_foreign_host_header_is_refused(program, host):
    status, _, body = program.ask("GET", "", headers={"Host": host.format(program.port)})
    assert status == 421
    assert program.base.encode() not in body


def test_its_own_names_are_answered(program):
    for host in ("127.0.0.1", "localhost"):
        assert program.ask("GET", "", headers={"Host": f"{host}:{program.port}"})[0] == 200


@pytest.mark.parametrize(
    "path", ["/", "/api/state", "/wrong/", "/wrong/api/state", "//", "/%C3%A4/", "/%ff/"]
)
def test_without_the_token_there_is_nothing(program, path):
    status, _, body = program.ask("GET", "", whole_path=path)
    assert status == 404
    assert program.base.strip("/").encode() not in body


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize(("method", "path"), [("GET", "api/state"), ("POST", "api/close")])
def test_requests_of_other_sites_are_refused(program, headers, method, path):
    assert program.ask(method, path, headers=headers)[0] == 403
    assert program.process.poll() is None


def test_nothing_is_changed_without_the_pages_own_header(program):
    assert program.ask("POST", "api/close", headers={"X-Leakcheck": ""})[0] == 403
    assert program.state()["work"]


def test_a_websocket_of_another_site_gets_no_answer(program):
    """The page opens none, and none can be opened: RFC 6455 asks for status 101."""
    upgrade = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
    }
    for headers in ({"Origin": "http://evil.example"}, {}):
        for path in ("", "api/state"):
            assert program.ask("GET", path, headers=upgrade | headers)[0] in (200, 403)


@pytest.mark.parametrize(
    "path",
    [
        "static/../../secret.txt",
        "static/..%2f..%2fsecret.txt",
        "results/..%2fsecret.txt",
        "results/%2e%2e/secret.txt",
        "results/secret.txt",
        "picture/..%2f..%2fetc%2fpasswd",
        "static/%00",
        "static//etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_folder(program, path):
    status, _, body = program.ask("GET", path)
    assert status == 404
    assert b"mine" not in body
    assert b"root:" not in body


@pytest.mark.parametrize(
    "name", ["../secret.txt", "secret.txt", "/etc/passwd", "..", "", "a\0.jpg"]
)
def test_only_photos_of_the_folder_can_be_opened(program, name):
    status, told = program.json("POST", "api/open", body={"off": name, "on": "on.jpg"})
    assert status == 404
    assert told["error"]


def test_a_link_out_of_the_folder_is_no_photo(tmp_path):
    (tmp_path / "inside").mkdir()
    (tmp_path / "outside.jpg").write_bytes(jpeg())
    (tmp_path / "inside" / "link.jpg").symlink_to(tmp_path / "outside.jpg")
    folder = Folder((tmp_path / "inside").resolve())
    assert folder.photos() == []
    with pytest.raises(PageError):
        folder.photo("link.jpg")


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"nan", b"[" * 100_000, b"\xff\xfe"])
def test_requests_that_make_no_sense_are_told_so(program, body):
    for method, path in (("POST", "api/open"), ("PUT", "api/shapes"), ("POST", "api/check")):
        status, told = program.json(method, path, body=body)
        assert status in (400, 409)
        assert "error" in told


def test_every_answer_keeps_the_page_to_itself(program):
    for path in ("", "api/state", "picture/on", "nothing", "static/app.js"):
        headers = program.ask("GET", path)[1]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "Access-Control-Allow-Origin" not in headers


def test_only_this_machine_reaches_it(program):
    others = {each[4][0] for each in socket.getaddrinfo(socket.gethostname(), None)}
    for address in others - {"127.0.0.1"}:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((address, program.port), 1)
    assert len(program.base.strip("/")) >= 32  # 24 random bytes


def test_fifty_clients_at_once(program):
    """Issue of the page: 50 clients on loopback; each looks at everything, none is turned away."""

    async def client(session):
        statuses = []
        for path in ("", "api/state", "static/app.js", "picture/on", "api/shapes", "picture/off"):
            async with session.get(f"{program.address}{path}") as answer:
                await answer.read()
                statuses.append(answer.status)
        return statuses

    async def all_at_once():
        connector = aiohttp.TCPConnector(limit=0, force_close=True)
        async with aiohttp.ClientSession(connector=connector) as session:
            return await asyncio.gather(*(client(session) for _ in range(50)))

    statuses = asyncio.run(asyncio.wait_for(all_at_once(), SOON_S))
    assert {status for each in statuses for status in each} == {200}
    assert program.state()["work"]


# What is dropped on it


@pytest.fixture
def receive(tmp_path):
    """Take in a photo that comes in pieces; (name it got, or what was refused)."""

    def receive(name, *pieces, most=MOST_BYTES, length=None):
        async def chunks():
            for piece in pieces:
                yield piece

        uploads = Uploads(Folder(tmp_path), most_bytes=most)
        return asyncio.run(uploads.receive(name, chunks(), length=length))

    return receive


def test_a_photo_is_taken_in_whole(receive, tmp_path):
    data = jpeg()
    assert receive("heron off.jpg", data[:5], data[5:100], data[100:]) == "heron off.jpg"
    assert (tmp_path / "heron off.jpg").read_bytes() == data
    assert receive("heron off.jpg", data) == "heron off.jpg"  # the same again
    assert receive("heron off.jpg", jpeg(colour=(1, 2, 3))) == "heron off-2.jpg"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["heron off-2.jpg", "heron off.jpg"]


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("../../etc/on.jpg", "on.jpg"),
        ("C:\\photos\\on.jpg", "on.jpg"),
        ("<script>alert(1)<\\script>.jpg", "script-.jpg"),
        ("a\nb\x00c.jpg", "a-b-c.jpg"),
        (".hidden.jpg", "hidden.jpg"),
        ("ü" * 300 + ".JPG", "ü" * 120 + ".JPG"),
    ],
)
def test_names_become_plain_names_in_the_folder(receive, tmp_path, given, kept):
    assert receive(given, jpeg()) == kept
    assert [path.name for path in tmp_path.iterdir()] == [kept]


@pytest.mark.parametrize(
    ("name", "data", "status"),
    [
        ("on.svg", b"<svg/>", 415),
        ("on", jpeg(), 415),
        (".jpg", jpeg(), 415),
        ("on.jpg", b"#!/bin/sh\nrm -rf /\n" * 9, 415),
        ("on.jpg", b"", 415),
        ("on.jpg", b"\xff\xd8\xff" + b"\0" * 500, 415),
        ("on.jpg", jpeg((640, 480))[:-900], 415),
        ("on.png", b"\x89PNG\r\n\x1a\n" + b"x" * 100, 415),
    ],
)
def test_what_is_no_photo_is_refused(receive, tmp_path, name, data, status):
    with pytest.raises(PageError) as refused:
        receive(name, data)
    assert refused.value.status == status
    assert str(tmp_path) not in str(refused.value)
    assert list(tmp_path.iterdir()) == []


def test_too_much_is_refused_however_it_comes(receive, tmp_path):
    data = jpeg((640, 480))
    for pieces, length in (((data,), len(data)), ((data, b"x" * 9000), None)):
        with pytest.raises(PageError) as refused:
            receive("on.jpg", *pieces, most=5000, length=length)
        assert refused.value.status == 413
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_to(receive, tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="cannot be put into"):
        receive("on.jpg", jpeg())


def test_an_upload_that_stops_coming_is_given_up(tmp_path, monkeypatch):
    async def chunks():
        yield jpeg()[:200]
        await asyncio.sleep(60)

    monkeypatch.setattr("leakcheck.page.uploads.IDLE_S", 0.2)
    with pytest.raises(PageError) as refused:
        asyncio.run(Uploads(Folder(tmp_path)).receive("on.jpg", chunks()))
    assert refused.value.status == 408
    assert list(tmp_path.iterdir()) == []


def test_an_upload_without_end_is_cut_off_and_the_page_lives_on(program, pair):
    """Random bytes for ever: refused by their beginning; as a JPEG: by the cap, told up front."""
    before = sorted(path.name for path in pair.iterdir())
    with socket.create_connection(("127.0.0.1", program.port), SOON_S) as sender:
        head = (
            f"POST {program.base}api/photo?name=endless.jpg HTTP/1.1\r\n"
            f"Host: 127.0.0.1:{program.port}\r\nX-Leakcheck: page\r\n"
            "Transfer-Encoding: chunked\r\n\r\n"
        )
        sender.sendall(head.encode())
        piece = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
        began = time.monotonic()
        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            _send_for_ever(sender, piece)
        assert time.monotonic() - began < SOON_S / 2
    headers = {"Content-Length": str(MOST_BYTES + 1)}
    assert program.ask("POST", "api/photo?name=big.jpg", headers=headers)[0] == 413
    assert program.state()["work"]
    assert sorted(path.name for path in pair.iterdir()) == before


def _send_for_ever(sender, piece):
    until = time.monotonic() + SOON_S
    while time.monotonic() < until:
        sender.sendall(piece)


# Openings and check


def test_openings_are_checked_before_they_are_saved(program, pair):
    revision = program.state()["work"]["revision"]
    bad = [
        None,
        [{"name": "a", "kind": "door", "rings": [[[0, 0], [9, 0], [9, 9]]]}],
        [{"name": "a", "kind": "window", "colour": "beige", "rings": [[[0, 0], [9, 0], [9, 9]]]}],
        [{"name": "a", "kind": "window", "rings": [[[0, 0], [9, 0]]]}],
        [{"name": "a", "kind": "window", "rings": [[[0, 0], [9, "x"], [9, 9]]]}],
        [{"name": "a", "kind": "window", "rings": [[[0, 0], [1e300, 0], [9, 9]]]}],
        [{"name": "a", "kind": "window", "ellipse": [1, 1, 0, 2]}],
        [{"name": ["a"], "kind": "window", "ellipse": [1, 1, 2, 2]}],
        [{"name": "a", "kind": "window"}],
    ]
    for shapes in bad:
        body = {"shapes": shapes, "revision": revision}
        assert program.json("PUT", "api/shapes", body=body)[0] == 400
    assert not (pair / "on-openings.svg").exists()


def test_a_change_in_another_window_is_not_written_over(tmp_path):
    save_ferry(tmp_path)
    with running(tmp_path) as program:
        work = program.wait(lambda state: state["work"] and state["work"]["ready"])["work"]
        shapes = program.json("GET", "api/shapes")[1]["shapes"]
        body = {"shapes": shapes[:5], "revision": work["revision"]}
        assert program.json("PUT", "api/shapes", body=body)[0] == 200
        assert program.json("PUT", "api/shapes", body=body)[0] == 409
        own = tmp_path / "on-openings.svg"
        own.write_text(own.read_text() + "<!-- by another program -->")
        newer = body | {"revision": work["revision"] + 1}
        status, told = program.json("PUT", "api/shapes", body=newer)
        assert status == 409
        assert "another program" in told["error"]


def test_closing_leaves_nothing_running(tmp_path, monkeypatch):
    """While a check runs, by the Close button, by Ctrl-C and by a closed terminal."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setenv("TMPDIR", str(scratch))
    save_ferry(tmp_path)
    for way in ("close", signal.SIGINT, signal.SIGHUP):
        with running(tmp_path) as program:
            program.wait(lambda state: state["work"] and state["work"]["ready"])
            program.idle()
            assert program.json("POST", "api/check", body={})[0] == 200
            children = _children(program.process.pid)
            assert len(children) == len(list(scratch.iterdir())) == 1
            if way == "close":
                assert program.ask("POST", "api/close")[0] == 200
                assert program.process.wait(SOON_S) == 0
            else:
                assert program.end(way) == 0
            assert not any(Path(f"/proc/{child}").exists() for child in children)
            assert list(scratch.iterdir()) == []
            with pytest.raises(ConnectionRefusedError):
                socket.create_connection(("127.0.0.1", program.port), 1)


def _children(pid):
    return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()


def test_stop_breaks_off_and_the_next_check_runs(tmp_path):
    save_ferry(tmp_path)
    with running(tmp_path / "off.jpg", tmp_path / "on.jpg") as program:
        program.wait(lambda state: state["work"] and state["work"]["ready"])
        program.idle()
        assert program.json("POST", "api/check", body={"length_mm": -1})[0] == 400
        assert program.json("POST", "api/check", body={})[0] == 200
        assert program.json("POST", "api/check", body={})[0] == 409
        assert program.ask("POST", "api/stop")[0] == 200
        assert program.state()["job"] is None
        assert program.json("GET", "api/view")[0] == 404
        assert program.json("POST", "api/check", body={"length_mm": 300})[0] == 200
        state = program.idle()
        assert state["error"] is None
        assert state["work"]["result"] == 1
        assert json.loads((tmp_path / "on-results" / "result.json").read_text())["leaks"]
        for name in state["work"]["result_files"]:
            status, headers, body = program.ask("GET", f"results/{name}")
            assert (status, body) == (200, (tmp_path / "on-results" / name).read_bytes())
            assert "sandbox" in headers["Content-Security-Policy"]


def test_photos_that_cannot_be_measured_are_shown_all_the_same(tmp_path):
    for name, colour in (("off.png", (60, 60, 60)), ("on.png", (61, 60, 60))):
        PilImage.new("RGB", (320, 240), colour).save(tmp_path / name)
    with running(tmp_path) as program:
        state = program.wait(lambda state: state["work"] and state["work"]["ready"])
        assert state["work"]["note"]
        assert program.ask("GET", "picture/off")[1]["Content-Type"] == "image/jpeg"


@pytest.mark.parametrize("given", [["nowhere"], ["a", "b", "c"], ["on.jpg"], [".", "on.jpg"]])
def test_a_wrong_command_line_ends_with_2(tmp_path, monkeypatch, capsys, given):
    from leakcheck.cli import main

    monkeypatch.chdir(tmp_path)
    (tmp_path / "on.jpg").write_bytes(jpeg())
    assert main(["page", "--no-browser", *given]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
