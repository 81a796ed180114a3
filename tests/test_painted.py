"""Painted masks: areas in reading order, fitted to the photo, against what was painted."""

import numpy as np
import pytest
from drawn import SIZE, polygon
from PIL import Image

from leakcheck.errors import OpeningsError
from leakcheck.openings import label_map, read_openings

COLUMNS, ROWS = SIZE


@pytest.fixture
def paint(tmp_path):
    """Saves an array as the mask and reads it back."""

    def save_and_read(pixels, *, size=SIZE, name="mask.png", **options):
        path = tmp_path / name
        Image.fromarray(pixels).save(path, **options)
        return read_openings(path, size=size)

    return save_and_read


def blocks(channels, *places, value=255, shape=(ROWS, COLUMNS)):
    """Black with painted blocks: (top, left, height, width)."""
    pixels = np.zeros((*shape, channels) if channels > 1 else shape, np.uint8)
    for top, left, height, width in places:
        pixels[top : top + height, left : left + width] = value
    return pixels


def test_every_area_is_a_window_in_reading_order(paint):
    """Three windows of one deck, not quite level, and one of the deck below."""
    places = [(22, 10, 20, 30), (20, 60, 20, 30), (24, 110, 20, 30), (80, 5, 20, 30)]
    openings = paint(blocks(1, *places))
    assert [shape.name for shape in openings.shapes] == [f"window-{n}" for n in (1, 2, 3, 4)]
    assert {shape.kind for shape in openings.shapes} == {"window"}
    lefts = [shape.rings[0].min(axis=0) for shape in openings.shapes]
    truth = [(left - 0.5, top - 0.5) for top, left, _, _ in places]
    assert np.array(lefts) == pytest.approx(np.array(truth))


def test_the_painted_pixels_come_back(paint):
    """A frame with a hole, a ball and a cross: the label map is the picture that was painted."""
    pixels = blocks(1, (20, 30, 60, 80), (150, 200, 7, 50), (140, 220, 30, 5))
    pixels[40:60, 60:90] = 0
    y, x = np.mgrid[:ROWS, :COLUMNS]
    pixels[np.hypot(x - 300, y - 60) < 25.3] = 255
    openings = paint(pixels)
    labels = label_map(openings, shape=(ROWS, COLUMNS), scale=1)
    assert ((labels > 0) == (pixels > 0)).all()
    assert len(openings.shapes) == 3
    # the outline runs halfway between pixels and cuts their corners: 1/8 px each
    assert polygon(openings.shapes[0]).area == pytest.approx(60 * 80 - 20 * 30, abs=1.01)


@pytest.mark.parametrize(
    ("channels", "value"),
    [
        (1, 200),
        (3, (255, 0, 0)),
        (3, (0, 0, 90)),
        (4, (255, 255, 0, 255)),
        (4, (255, 255, 0, 160)),
        (2, (180, 255)),
    ],
)
def test_any_paint_counts(paint, channels, value):
    openings = paint(blocks(channels, (50, 60, 20, 30), value=value))
    assert polygon(openings.shapes[0]).area == pytest.approx(600, abs=1)


def test_transparent_and_black_are_not_painted(paint):
    pixels = blocks(4, (50, 60, 20, 30), value=(255, 255, 255, 255))
    pixels[:20, :20] = (255, 255, 255, 60)
    pixels[100:120, :20] = (0, 0, 0, 255)
    pixels[200:220, :20] = (12, 12, 12, 255)  # the noise of a JPEG's black
    assert len(paint(pixels).shapes) == 1


def test_sixteen_bits(paint):
    pixels = blocks(1, (50, 60, 20, 30)).astype(np.uint16) * 200
    assert polygon(paint(pixels).shapes[0]).area == pytest.approx(600, abs=1)


def test_other_picture_formats(paint):
    for name in ("mask.jpg", "mask.tif", "mask.webp", "mask.bmp", "mask.gif"):
        openings = paint(blocks(1, (48, 64, 16, 32)), name=name)
        assert polygon(openings.shapes[0]).area == pytest.approx(16 * 32, rel=0.15), name


def test_a_mask_at_another_scale_is_enlarged(paint):
    """Half size: each pixel is 2 x 2 of the photo."""
    small = blocks(1, (25, 30, 10, 15), shape=(ROWS // 2, COLUMNS // 2))
    (shape,) = paint(small).shapes
    assert shape.rings[0].min(axis=0) == pytest.approx((59.5, 49.5))
    assert shape.rings[0].max(axis=0) == pytest.approx((89.5, 69.5))


def test_a_mask_turned_by_its_exif_tag(paint):
    """Orientation 6: stored lying, shown standing; the tag turns it clockwise."""
    exif = Image.Exif()
    exif[0x0112] = 6
    lying = blocks(1, (10, 20, 30, 40), shape=(COLUMNS, ROWS))
    (shape,) = paint(lying, size=SIZE, exif=exif).shapes
    low, high = shape.rings[0].min(axis=0), shape.rings[0].max(axis=0)
    # stored (row, column) is shown at (column, rows - 1 - row)
    assert low == pytest.approx((COLUMNS - 40 - 0.5, 19.5))
    assert high == pytest.approx((COLUMNS - 10 - 0.5, 59.5))


@pytest.mark.parametrize(
    ("pixels", "word"),
    [
        (blocks(1), "no painted area"),
        (blocks(4), "no painted area"),
        (blocks(3, (0, 0, ROWS, COLUMNS)), "100%"),
        (blocks(1, (5, 5, 9, 9), shape=(COLUMNS, ROWS)), "300 x 400"),
        (blocks(1, (5, 5, 9, 9), shape=(300, 300)), "300 x 300"),
        (np.tile(np.array([[255, 0], [0, 0]], np.uint8), (150, 200)), "30000 painted areas"),
    ],
)
def test_masks_that_say_nothing_are_refused(paint, pixels, word):
    with pytest.raises(OpeningsError, match=r"mask\.png") as caught:
        paint(pixels)
    assert word in str(caught.value)


@pytest.mark.parametrize("keep", [8, 60, 200])
def test_a_broken_picture_is_refused(tmp_path, keep):
    path = tmp_path / "mask.png"
    noise = np.random.default_rng(1).integers(0, 255, (ROWS, COLUMNS), np.uint8)
    Image.fromarray(noise).save(path)
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(OpeningsError, match=r"mask\.png"):
        read_openings(path, size=SIZE)
