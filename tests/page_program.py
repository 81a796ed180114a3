"""`leakcheck page` started as a user starts it, for the tests of the page."""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from urllib.parse import urlsplit

from scene import ferry_scene, render, save_pair

SIZE = (640, 450)
LEAKS = ("pinhole", "seam leak", "show-through", "open hole")
SOON_S = 60  # for anything to happen on a machine that is busy with other tests


def save_ferry(folder):
    """A small pair with leaks and its openings: off.jpg, on.jpg, openings.svg."""
    scene = ferry_scene(3, size=SIZE, leaks=LEAKS, contrast=(0.8, 1.5))
    save_pair(render(scene), folder)


class Program:
    """A running page, and requests to it as its own script makes them."""

    def __init__(self, *paths):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "leakcheck", "page", "--no-browser", *map(str, paths)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        line = self.process.stdout.readline()
        assert "http://127.0.0.1:" in line, self.process.stderr.read()
        self.address = line.split()[-1]
        parts = urlsplit(self.address)
        self.port, self.base = parts.port, parts.path

    def connection(self):
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=SOON_S)

    def ask(self, method, path, *, body=None, headers=None, whole_path=None):
        """Status, headers and body of the answer to one request."""
        if isinstance(body, dict):
            body = json.dumps(body).encode()
        connection = self.connection()
        own = {"X-Leakcheck": "page"} | (headers or {})
        try:
            connection.request(method, whole_path or self.base + path, body, own)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def json(self, method, path, **options):
        status, _, body = self.ask(method, path, **options)
        return status, json.loads(body)

    def state(self):
        status, state = self.json("GET", "api/state")
        assert status == 200
        return state

    def wait(self, holds):
        """The first state for which `holds` is true."""
        until = time.monotonic() + SOON_S
        while time.monotonic() < until:
            state = self.state()
            if holds(state):
                return state
            time.sleep(0.1)
        raise AssertionError(f"waited in vain: {state}")

    def idle(self):
        return self.wait(lambda state: state["job"] is None)

    def end(self, signal_number=signal.SIGINT):
        """Stop it as Ctrl-C does; its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal_number)
        code = self.process.wait(SOON_S)
        self.process.stdout.close()
        self.process.stderr.close()
        return code


@contextmanager
def running(*paths):
    program = Program(*paths)
    try:
        yield program
    finally:
        if program.process.poll() is None:
            program.end()
