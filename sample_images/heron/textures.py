"""Painted and printed surfaces as linear-light images, drawn from seeded noise and type.

Images are (rows, cols, 3) float32 in linear sRGB; row 0 is the top, where v is 1.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import cv2
import matplotlib
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PilImage
from PIL import ImageDraw, ImageFont

from heron.hull import WATER_Z, side

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

NAVY: Colour = (0.020, 0.040, 0.085)
ANTIFOULING: Colour = (0.18, 0.035, 0.028)
WHITE: Colour = (0.66, 0.65, 0.61)
CREAM: Colour = (0.62, 0.56, 0.43)
BUFF: Colour = (0.52, 0.30, 0.075)
DECK: Colour = (0.22, 0.115, 0.065)
GREY: Colour = (0.23, 0.245, 0.25)


def noise(shape: tuple[int, int], seed: int, *sigmas: float, stretch: float = 1.0) -> Image:
    """Noise of standard deviation 1: blurred by each of the widths (px) and added up."""
    rng = np.random.default_rng(seed)
    out = np.zeros(shape, np.float32)
    for sigma in sigmas:
        small = max(1.0, sigma / 3)
        size = max(2, int(shape[0] / small)), max(2, int(shape[1] / small / stretch) + 1)
        layer = cv2.GaussianBlur(
            rng.standard_normal(size).astype(np.float32), (0, 0), sigma / small
        )
        layer = cv2.resize(layer, shape[::-1], interpolation=cv2.INTER_CUBIC)
        out += layer / layer.std()
    return np.asarray(out / out.std(), np.float32)


def painted(shape: tuple[int, int], colour: Colour, seed: int, *, depth: float = 0.05) -> Image:
    """Brushed and sprayed paint: faint clouds, fine grain, a few darker and lighter specks."""
    tone = 1 + depth * noise(shape, seed, 4, 18, 70) + 0.35 * depth * noise(shape, seed + 1, 0.7)
    dust = np.random.default_rng(seed).random(shape) > 0.99985
    tone += cv2.GaussianBlur(dust.astype(np.float32), (0, 0), 0.9) * 1.2
    return np.clip(tone, 0.3, 1.8)[..., None] * np.array(colour, np.float32)


def streaks(shape: tuple[int, int], seed: int, count: int, longest: float) -> Image:
    """Where grime runs down, 0 to 1."""
    rng = np.random.default_rng(seed)
    out = np.zeros(shape, np.float32)
    for _ in range(count):
        x, y = rng.integers(0, shape[1]), int(rng.uniform(0, 0.5) * shape[0])
        end = min(shape[0] - 1, y + int(rng.uniform(0.2, 1) * longest))
        ramp = np.linspace(1, 0, max(2, end - y)) ** 1.5 * rng.uniform(0.2, 1)
        out[y : y + len(ramp), x] = np.maximum(out[y : y + len(ramp), x], ramp[: shape[0] - y])
    return np.clip(cv2.GaussianBlur(out, (0, 0), 1.6) * 3, 0, 1)


def line(
    image: Image, a: tuple[float, float], b: tuple[float, float], factor: float, width: int = 1
) -> None:
    """Multiply along a line, for joints of plates."""
    mask = np.zeros(image.shape[:2], np.uint8)
    ends = [tuple(round(v * 8) for v in p) for p in (a, b)]
    cv2.line(mask, ends[0], ends[1], 255, width, cv2.LINE_AA, 3)
    image *= 1 + (factor - 1) * (mask[..., None] / np.float32(255))


def type_mask(
    shape: tuple[int, int],
    text: str,
    xy: tuple[float, float],
    height: float,
    *,
    bold: bool = True,
    spacing: float = 0.0,
) -> Image:
    """Letters, 0 to 1; `xy` is the left end of their base line, px."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    path = Path(matplotlib.get_data_path()) / "fonts/ttf" / name
    font = ImageFont.truetype(str(path), max(4, round(height / 0.73)))
    canvas = PilImage.new("L", shape[::-1], 0)
    draw = ImageDraw.Draw(canvas)
    x = xy[0]
    for letter in text:
        draw.text((x, xy[1]), letter, fill=255, font=font, anchor="ls")
        x += draw.textlength(letter, font=font) + spacing * height
    return np.asarray(canvas, np.float32) / 255


def over(image: Image, mask: Image, colour: Colour, share: float = 1.0) -> Image:
    """Paint laid on where the mask says."""
    m = (mask * share)[..., None]
    return np.asarray(image * (1 - m) + m * np.array(colour, np.float32), np.float32)


PX_PER_MM = 9.0
HULL_SHAPE = (400, round(332 * PX_PER_MM))


def hull(*, port: bool) -> Image:
    """One side of the hull over (t, s): two paints, boot top, plates, name, draught marks."""
    rows, cols = HULL_SHAPE
    t, s = np.meshgrid((np.arange(cols) + 0.5) / cols, 1 - (np.arange(rows) + 0.5) / rows)
    place = side(t, s)
    x, z = place[..., 0], place[..., 2]
    image = painted(HULL_SHAPE, NAVY, 11, depth=0.07)
    low = painted(HULL_SHAPE, ANTIFOULING, 12, depth=0.10)
    image = np.where((z < WATER_Z)[..., None], low, image)
    boot = np.clip((1.0 - np.abs(z - WATER_Z - 0.5)) * 4, 0, 1).astype(np.float32)
    image = over(image, boot, WHITE)
    # Plates: joints are faint, engraved in the kit; each plate's tone differs a little.
    rng = np.random.default_rng(5)
    strakes = np.digitize(s, (0.30, 0.52, 0.74))
    plate = np.floor((x + 170 + 9.0 * (strakes % 2)) / 26.0).astype(int)
    tone = rng.normal(1, 0.035, (40, 5))[plate % 40, strakes]
    edge = np.abs((x + 170 + 9.0 * (strakes % 2)) % 26.0 - 13.0) > 12.86
    for at in (0.30, 0.52, 0.74):
        edge |= np.abs(s - at) < 0.0032
    image *= np.asarray(tone * np.where(edge, 0.55, 1.0), np.float32)[..., None]
    grime = streaks(HULL_SHAPE, 21, 90, 200) * (0.5 + 0.5 * (z > WATER_Z))
    image = over(image, grime, (0.10, 0.085, 0.065), 0.28)
    scum = np.clip(1 - np.abs(z - WATER_Z + 1.4) / 1.6, 0, 1) * (
        0.5 + 0.3 * noise(HULL_SHAPE, 22, 9)
    )
    image = over(image, np.clip(scum, 0, 1).astype(np.float32), (0.16, 0.15, 0.10), 0.35)
    return _lettered(image, port=port)


def _lettered(image: Image, *, port: bool) -> Image:
    """The name on the bow and draught marks, the right way round on either side."""
    rows, cols = HULL_SHAPE
    width = round(34 * PX_PER_MM)
    start = round(38 * PX_PER_MM)
    box = np.zeros((rows, width), np.float32)
    mm = rows / 51.0  # rows are s: a millimetre of height at the bow
    box = type_mask(box.shape, "HERON", (6, rows * 0.32), 4.6 * mm * 1.05, spacing=0.28)
    mask = np.zeros((rows, cols), np.float32)
    mask[:, start : start + width] = box if port else box[:, ::-1]
    image = over(image, mask, WHITE, 0.95)
    marks = np.zeros((rows, cols), np.float32)
    for k in range(5):
        small = type_mask((rows, 40), str(2 + 2 * k), (4, rows * (0.80 - 0.08 * k)), 1.3 * mm)
        at = round((17 - k) * PX_PER_MM)
        marks[:, at : at + 40] += small if port else small[:, ::-1]
    return over(image, np.clip(marks, 0, 1), WHITE, 0.9)


def bulwark_side(seed: int) -> Image:
    """White bulwark over (t, r): stiffeners that show, freeing ports, grime at its foot."""
    shape = (110, HULL_SHAPE[1])
    image = painted(shape, WHITE, seed, depth=0.035)
    t = (np.arange(shape[1]) + 0.5) / shape[1]
    r = 1 - (np.arange(shape[0]) + 0.5) / shape[0]
    x = t * 332
    ribs = (np.abs(x % 13.0 - 6.5) < 0.16)[None] & (r > 0.06)[:, None]
    image *= np.where(ribs, 0.80, 1.0)[..., None].astype(np.float32)
    image = over(image, streaks(shape, seed + 3, 120, 90), (0.24, 0.17, 0.10), 0.20)
    foot = np.clip(1 - r / 0.10, 0, 1)[:, None] * np.ones(shape[1], np.float32)
    return over(image, foot.astype(np.float32), (0.15, 0.13, 0.11), 0.5)


def transom() -> tuple[Image, tuple[float, float, float, float]]:
    """The stern over (y, z) mm: name and home port. Also y0, y1, z0, z1 of the image."""
    span = (-42.0, 42.0, 28.0, 56.0)
    px = 12
    shape = (round((span[3] - span[2]) * px), round((span[1] - span[0]) * px))
    image = painted(shape, NAVY, 31, depth=0.07)
    z = span[3] - (np.arange(shape[0]) + 0.5) / px
    image[z < WATER_Z] = painted(shape, ANTIFOULING, 32)[z < WATER_Z]
    image[np.abs(z - WATER_Z - 0.5) < 0.9] = WHITE
    image = over(
        image,
        type_mask(shape, "HERON", (shape[1] / 2 - 19.5 * px, 6.6 * px), 3.6 * px, spacing=0.45),
        WHITE,
        0.95,
    )
    image = over(
        image,
        type_mask(shape, "WICK", (shape[1] / 2 - 9 * px, 11.2 * px), 2.1 * px, spacing=0.4),
        WHITE,
        0.9,
    )
    image = over(image, streaks(shape, 33, 30, 220), (0.10, 0.085, 0.065), 0.3)
    for y in (-27, 27):
        line(image, ((y + 42) * px, 0), ((y + 42) * px, shape[0]), 0.6, 2)
    return image, span


def house(length_mm: float, z0: float, z1: float, seed: int, colour: Colour = CREAM) -> Image:
    """Deckhouse wall over (arc length, z): plate joints, rivets, rust at its foot."""
    px = 8
    shape = (round((z1 - z0) * px), round(length_mm * px))
    image = painted(shape, colour, seed, depth=0.035)
    rng = np.random.default_rng(seed)
    for x in np.arange(rng.uniform(4, 10), length_mm, 20.5):
        line(image, (x * px, 0), (x * px, shape[0]), 0.72)
        for z in np.arange(6, shape[0], 14):
            cv2.circle(
                image, (round(x * px - 5), int(z)), 1, [c * 0.8 for c in colour], -1, cv2.LINE_AA
            )
    for share in (0.12, 0.90):
        line(image, (0, share * shape[0]), (shape[1], share * shape[0]), 0.8)
    image = over(image, streaks(shape, seed + 2, int(length_mm / 3), 150), (0.26, 0.16, 0.08), 0.22)
    foot = np.clip(np.linspace(-4, 1, shape[0]), 0, 1)[:, None] * (
        0.6 + 0.4 * noise(shape, seed, 12)
    )
    return over(image, np.clip(foot, 0, 1).astype(np.float32), (0.2, 0.16, 0.11), 0.35)


def planks(shape: tuple[int, int], pitch_px: float, colour: Colour, seed: int) -> Image:
    """Deck planks along the columns with dark caulking."""
    rng = np.random.default_rng(seed)
    image = painted(shape, colour, seed, depth=0.05)
    row = np.arange(shape[0])
    plank = (row / pitch_px).astype(int)
    butt = rng.uniform(0, shape[1], plank.max() + 1)
    tone = rng.normal(1, 0.08, (plank.max() + 1, 2))
    after = np.arange(shape[1])[None] > butt[plank][:, None]
    image *= np.where(after, tone[plank, 1][:, None], tone[plank, 0][:, None])[..., None].astype(
        np.float32
    )
    image *= 1 + 0.05 * noise(shape, seed + 1, 1.2, stretch=40)[..., None]
    seam = np.where(row % pitch_px < max(1.0, 0.09 * pitch_px), 0.45, 1.0)
    return np.asarray(image * seam[:, None, None], np.float32)


def bench_wood(shape: tuple[int, int] = (1500, 2400)) -> Image:
    """Oiled beech boards with pores, stains of paint and knife marks."""
    rng = np.random.default_rng(41)
    image = np.empty((*shape, 3), np.float32)
    edges = [0, 310, 640, 930, 1240, shape[0]]
    light, dark = np.array((0.43, 0.245, 0.115)), np.array((0.22, 0.105, 0.042))
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        part = (b - a, shape[1])
        warp = 26 * noise(part, 50 + k, 90, stretch=6) + np.arange(b - a)[:, None] * rng.uniform(
            0.4, 0.8
        )
        rings = 0.5 + 0.5 * np.sin(warp / 2.6 + 1.4 * noise(part, 60 + k, 10, stretch=30))
        fine = noise(part, 70 + k, 0.8, stretch=60)
        mix = np.clip(0.32 * rings + 0.10 * fine + rng.uniform(0.12, 0.30), 0, 1)[..., None]
        image[a:b] = light * (1 - mix) + dark * mix
        pores = noise(part, 80 + k, 0.6, stretch=14) > 2.1
        image[a:b] *= np.where(pores, 0.72, 1.0)[..., None]
        image[a : a + 2] *= 0.35
    for _ in range(26):  # paint spots of earlier builds
        x, y, r = rng.integers(0, shape[1]), rng.integers(0, shape[0]), int(rng.gamma(2, 2.5)) + 1
        colour = [(0.5, 0.5, 0.48), (0.03, 0.06, 0.14), (0.3, 0.04, 0.03), (0.06, 0.06, 0.06)][
            rng.integers(4)
        ]
        cv2.circle(image, (int(x), int(y)), r, colour, -1, cv2.LINE_AA)
    worn = np.clip(noise(shape, 90, 160) * 0.5, -1, 1)[..., None]
    return np.clip(image * (1 + 0.10 * worn), 0.01, 0.9).astype(np.float32)


def cutting_mat(width_mm: float, height_mm: float) -> Image:
    """Green mat with centimetre grid, numbers, diagonals, and the scars of use."""
    px = 6
    shape = (round(height_mm * px), round(width_mm * px))
    image = painted(shape, (0.022, 0.105, 0.075), 91, depth=0.06)
    image *= 1 + 0.10 * noise(shape, 92, 60, 200)[..., None]
    ink = (0.36, 0.44, 0.30)
    grid = np.zeros(shape, np.uint8)
    margin = 15 * px
    for k, x in enumerate(range(margin, shape[1] - margin + 1, 10 * px)):
        cv2.line(
            grid,
            (x, margin),
            (x, shape[0] - margin),
            255 if k % 5 == 0 else 120,
            3 if k % 5 == 0 else 1,
            cv2.LINE_AA,
        )
    for k, y in enumerate(range(margin, shape[0] - margin + 1, 10 * px)):
        cv2.line(
            grid,
            (margin, y),
            (shape[1] - margin, y),
            255 if k % 5 == 0 else 120,
            3 if k % 5 == 0 else 1,
            cv2.LINE_AA,
        )
    for angle in (45, 60):
        end = (margin + int(shape[0] / np.tan(np.deg2rad(angle))), margin)
        cv2.line(grid, (margin, shape[0] - margin), end, 130, 1, cv2.LINE_AA)
    image = over(image, grid / np.float32(255), ink, 0.75)
    for k, x in enumerate(range(margin, shape[1] - margin, 10 * px)):
        for y in (margin - 3 * px, shape[0] - margin + 6 * px):
            image = _small_type(image, str(k), (x - 2 * px, y), 3.0 * px, ink)
    image = _small_type(
        image, "A2  CUTTING MAT   45 x 60 cm", (shape[1] // 2, shape[0] - 5 * px), 3.6 * px, ink
    )
    rng = np.random.default_rng(93)
    for _ in range(240):  # knife cuts: pale, thin, mostly along
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        a = rng.choice((0, np.pi / 2)) + rng.normal(0, 0.12)
        n = rng.gamma(2, 60)
        line(image, (x, y), (x + n * np.cos(a), y + n * np.sin(a)), rng.choice((0.75, 1.35)))
    return np.asarray(image, np.float32)


def _small_type(
    image: Image, text: str, xy: tuple[float, float], height: float, colour: Colour
) -> Image:
    """Letters drawn into their own small box of the image."""
    x, y = int(xy[0]), int(xy[1])
    top, left = max(0, int(y - 1.3 * height)), max(0, x)
    part = image[top : y + int(0.4 * height), left : left + int(len(text) * height)]
    if part.size:
        mask = type_mask(part.shape[:2], text, (0, y - top), height)
        image[top : top + part.shape[0], left : left + part.shape[1]] = over(
            part, mask, colour, 0.8
        )
    return image


def instruction_sheet() -> Image:
    """A folded sheet of the kit's building steps: frames, line drawings, numbers, text."""
    shape = (1200, 1640)
    image = painted(shape, (0.70, 0.69, 0.65), 95, depth=0.012)
    ink = np.zeros(shape, np.uint8)
    rng = np.random.default_rng(96)
    for row in range(2):
        for col in range(3):
            x, y = 60 + 520 * col, 130 + 530 * row
            cv2.rectangle(ink, (x, y), (x + 480, y + 490), 200, 2, cv2.LINE_AA)
            hull_line = np.array(
                [(40, 300), (80, 380), (400, 380), (440, 290), (230, 300), (40, 300)]
            )
            cv2.polylines(ink, [hull_line + (x, y - 20 + 20 * row)], False, 230, 2, cv2.LINE_AA)
            w = 90 + 60 * col
            cv2.rectangle(
                ink, (x + 120, y + 200), (x + 120 + w * 2 // 3 + 60, y + 275), 230, 2, cv2.LINE_AA
            )
            for k in range(3 + col):
                cv2.rectangle(
                    ink,
                    (x + 135 + 40 * k, y + 220),
                    (x + 158 + 40 * k, y + 245),
                    200,
                    1,
                    cv2.LINE_AA,
                )
            cv2.arrowedLine(ink, (x + 330, y + 90), (x + 260, y + 190), 255, 3, cv2.LINE_AA)
            for k in range(3):
                end = x + 60 + int(rng.uniform(200, 380))
                cv2.line(ink, (x + 60, y + 420 + 22 * k), (end, y + 420 + 22 * k), 110, 5)
    image = over(image, ink / np.float32(255), (0.05, 0.05, 0.07), 0.9)
    for k in range(6):
        image = _small_type(
            image, str(k + 7), (75 + 520 * (k % 3), 195 + 530 * (k // 3)), 46, (0.04, 0.04, 0.05)
        )
    image = _small_type(image, "HERON  harbour ferry  1:72", (60, 95), 50, (0.02, 0.05, 0.16))
    fold = np.abs(np.arange(shape[1]) - shape[1] / 2) < 3
    image[:, fold] *= 0.88
    return image


def label(text: str, colour: Colour, seed: int) -> Image:
    """A paint jar's label that goes round it."""
    shape = (150, 640)
    image = painted(shape, (0.62, 0.61, 0.58), seed, depth=0.02)
    image[18:60] = colour
    for start in (40, 360):
        image = _small_type(image, text, (start, 110), 34, (0.03, 0.03, 0.04))
    return image


def funnel() -> Image:
    """Buff with a black top and a white-edged blue band."""
    image = painted((368, 560), BUFF, 97, depth=0.05)
    v = 1 - (np.arange(368) + 0.5) / 368
    image[v > 0.80] = painted((368, 560), (0.012, 0.012, 0.013), 98)[v > 0.80]
    image[(v > 0.50) & (v < 0.68)] = WHITE
    image[(v > 0.53) & (v < 0.65)] = (0.02, 0.06, 0.18)
    return over(image, streaks((368, 560), 99, 40, 200), (0.08, 0.06, 0.05), 0.3)
