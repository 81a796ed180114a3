"""What several tests of the command line stand on: a folder with a pair, a core that plays."""

from __future__ import annotations

import sys

import cv2
import made_checks as made
import numpy as np
import pytest

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="160" height="120" viewBox="0 0 160 120">'
    '<image width="160" height="120" href="heron_on.png"/>'
    '<rect id="saloon" class="window" x="10" y="10" width="20" height="20"/></svg>'
)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a pair of photos, an openings file and things that are neither."""
    shade = np.tile(np.arange(160, dtype=np.uint8), (120, 1))
    cv2.imwrite(str(tmp_path / "heron_off.png"), cv2.merge([shade, shade, shade]))
    cv2.imwrite(str(tmp_path / "heron_on.png"), cv2.merge([shade, shade, shade + 9]))
    (tmp_path / "openings.svg").write_text(SVG)
    (tmp_path / "broken.svg").write_text("<svg><rect")
    (tmp_path / "text.jpg").write_text("not a photo")
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "cut.png").write_bytes((tmp_path / "heron_on.png").read_bytes()[:300])
    (tmp_path / "old.json").write_text("mine")
    (tmp_path / "album").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def measure(monkeypatch):
    """The measuring core played by a function: returns, or raises, what the test hangs on it."""

    class Measure:
        result: object = made.check(glow=np.full((30, 40), 0.1, np.float32))
        calls: list = []  # noqa: RUF012

        def __call__(self, off, on, openings=None, *, settings, progress):
            self.calls.append((off, on, openings, settings))
            progress("Lining the photos up")
            if isinstance(self.result, BaseException):
                raise self.result
            return self.result

    played = Measure()
    played.calls = []
    monkeypatch.setattr(sys.modules["leakcheck.check"], "check", played, raising=False)
    return played
