"""Chromium without a window, for tests of pages; CI installs it, elsewhere it may be missing."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def chromium():
    """A browser; where there is none the tests are skipped, but in CI they fail."""
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("chromium is missing: .ci/run installs it")
        pytest.skip("needs Chromium: apt install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
