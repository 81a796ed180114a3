"""Folders of test shots for the tests of `batch`: cheap patterns, and the drawn ferry."""

from __future__ import annotations

import io
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from PIL import ExifTags
from PIL import Image as PilImage
from scene import RenderedPair, camera_move, ferry_scene, openings_svg, render, reposed

START = datetime(2024, 3, 18, 15, 27)
COLS, ROWS = 480, 360
SIZE = (600, 430)  # of the ferry's photos


@cache
def pattern(seed: int) -> np.ndarray:
    """Some textured thing in dim light, (rows, cols, 3); every seed is another one."""
    rng = np.random.default_rng(seed)
    picture = np.full((ROWS, COLS, 3), 60.0)
    for _ in range(220):
        x, y = rng.uniform(0, COLS), rng.uniform(0, ROWS)
        w, h = rng.uniform(4, 60, 2)
        colour = rng.uniform(15, 130, 3).tolist()
        turned = ((x, y), (w, h), rng.uniform(0, 180))
        cv2.fillPoly(picture, [cv2.boxPoints(turned).astype(int)], colour)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def lit(picture: np.ndarray, *, share: float = 1.0) -> np.ndarray:
    """The same with six lit windows in its middle, as bright as the share says."""
    out = picture.copy()
    for k in range(6):
        x = 120 + 40 * k
        out[170:186, x : x + 18] += share * np.array([190.0, 170.0, 120.0])
    return np.clip(out, 0, 255)


def moved(picture: np.ndarray, dx: float, dy: float, turn: float = 0.0) -> np.ndarray:
    """The same from a camera that moved a little."""
    matrix = cv2.getRotationMatrix2D((COLS / 2, ROWS / 2), turn, 1.0)
    matrix[:, 2] += (dx, dy)
    return cv2.warpAffine(picture, matrix, (COLS, ROWS), borderMode=cv2.BORDER_REFLECT)


def jpeg(picture: np.ndarray, taken: datetime | None, *, seed: int = 0) -> bytes:
    """A photo of it with grain and, where given, the time in its EXIF."""
    grain = np.random.default_rng(seed).normal(0, 1.5, picture.shape)
    image = PilImage.fromarray(np.clip(picture + grain, 0, 255).astype(np.uint8))
    buffer = io.BytesIO()
    image.save(buffer, "jpeg", quality=92, exif=exif_of(taken))
    return buffer.getvalue()


def exif_of(taken: datetime | None) -> bytes:
    exif = PilImage.Exif()
    if taken is not None:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = (
            f"{taken:%Y:%m:%d %H:%M:%S}"
        )
    return exif.tobytes()


class Session:
    """A folder that is filled shot by shot, under a camera's names."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.time = START
        self.count = 0
        folder.mkdir(parents=True, exist_ok=True)

    def pause(self, **much: float) -> None:
        self.time += timedelta(**much)

    def shoot(
        self, picture: np.ndarray, *, name: str = "", wait_s: float = 20, clock: bool = True
    ) -> str:
        """Take a photo and return its name."""
        self.pause(seconds=wait_s)
        self.count += 1
        name = name or f"{self.time:%Y%m%d_%H%M%S}.jpg"
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(jpeg(picture, self.time if clock else None, seed=self.count))
        return name

    def pair(self, seed: int, **options: object) -> tuple[str, str]:
        """Both photos of a pattern, lights off first."""
        return self.shoot(pattern(seed), **options), self.shoot(lit(pattern(seed)), **options)


@cache
def ferry(seed: int, *, again: bool = False, leaks: float = 1.0) -> RenderedPair:
    """The ferry's one side, small; `again` set down anew after a coat that weakened its leaks."""
    scene = ferry_scene(
        seed, leaks=("seam leak", "pinhole"), contrast=(0.6, 0.9), ambient=8.0, size=SIZE
    )
    if again:
        from dataclasses import replace

        weaker = tuple(replace(leak, level=leak.level * leaks) for leak in scene.leaks)
        scene = reposed(
            replace(scene, leaks=weaker, noise_seed=50), camera_move("nudge", size=SIZE, seed=8)
        )
    return render(scene)


def write_ferry(
    pair: RenderedPair, folder: Path, off: str, on: str, taken: datetime, *, mirrored: bool = False
) -> None:
    """Both photos of a pair under any names; mirrored it is the other side of the ship."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, picture, later in ((off, pair.off, 0), (on, pair.on, 15)):
        picture = picture[:, ::-1] if mirrored else picture
        image = PilImage.fromarray(np.ascontiguousarray(picture))
        image.save(folder / name, quality=92, exif=exif_of(taken + timedelta(seconds=later)))


def drawing(pair: RenderedPair, path: Path, *, photo: str | None = None) -> None:
    """The openings of a pair as an SVG file."""
    path.write_text(openings_svg(pair, photo=photo), encoding="utf-8")
