"""The machine's Chromium, for the tests of pages: in CI it must be there, elsewhere it may."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
# No word with the outside: what a page loads is seen by the tests alone.
ARGUMENTS = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
AXE = Path(__file__).parent / "axe" / "node_modules" / "axe-core" / "axe.min.js"
DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 375, "height": 812}


def missing(what: str) -> None:
    """Fail where all tests must run (.ci/run says so), skip elsewhere."""
    if os.environ.get("LEAKCHECK_CI"):
        pytest.fail(what)
    pytest.skip(what)


@contextmanager
def started() -> Iterator[Any]:
    """A browser of playwright's API, headless."""
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None:
        missing("needs Chromium: apt install chromium")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        # As root, as in CI, Chromium starts without its sandbox alone; the pages are our own.
        browser = driver.chromium.launch(
            executable_path=path, args=list(ARGUMENTS), chromium_sandbox=False
        )
        yield browser
        browser.close()


class Watched:
    """A page, and what it complained of and asked for."""

    def __init__(self, browser: Any, file: Path, size: dict[str, int]) -> None:
        self.errors: list[str] = []
        self.requests: list[str] = []
        self.page = browser.new_page(viewport=size)
        self.page.on("console", lambda message: self.errors.append(message.text))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("dialog", lambda dialog: self.errors.append(dialog.message))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(file.as_uri())

    @property
    def loaded(self) -> list[str]:
        """What was asked for besides the page itself and what is inside it."""
        return [url for url in self.requests[1:] if not url.startswith("data:")]


def axe_faults(page: Any) -> list[str]:
    """What axe-core calls serious or critical, a line each."""
    if not AXE.exists():
        missing(f"needs axe-core: npm ci --prefix {AXE.parents[2].relative_to(Path.cwd())}")
    # By the driver, not as a script of the page, which its policy would not let run.
    page.evaluate(AXE.read_text("utf-8"))
    found = page.evaluate("axe.run().then(result => JSON.stringify(result.violations))")
    return [
        f"{fault['id']}: {fault['help']}: {fault['nodes'][0]['html'][:160]}"
        for fault in json.loads(found)
        if fault["impact"] in ("serious", "critical")
    ]
