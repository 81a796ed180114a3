"""A picture painted over the photo becomes outlines: one opening for each painted area."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError
from scipy import ndimage
from skimage.measure import find_contours

from leakcheck.errors import OpeningsError
from leakcheck.svg import MAX_SHAPES, Points, same_aspect

MAX_PIXELS = 200_000_000  # above any phone's photo; a bomb of 40,000 x 40,000 stays unread
# Darker than any paint meant to be seen, lighter than the noise of a JPEG's black.
LEAST_PAINT = 32 / 255
LEAST_COVER = 0.5  # of the alpha channel: half of a soft edge
MOST_PAINTED = 0.6  # of the picture: then its background is not black and not transparent


def painted_areas(data: bytes, *, size: tuple[int, int], name: str) -> list[list[Points]]:
    """Outlines of the separate areas of a painted mask, in reading order.

    Args:
        data: a picture file; what is neither black nor transparent is painted.
        size: columns and rows of the photo; the picture has these or their aspect ratio.
        name: the file's name, for messages.
    Returns: for each area its rings (n, 2), photo pixels, integer = centre, holes included.
    Raises: OpeningsError where the picture does not fit the photo or nothing is painted.
    """
    try:
        painted = _painted(data, size=size, name=name)
    except (UnidentifiedImageError, OSError) as fault:
        raise OpeningsError(
            f"{name} is a broken or unknown kind of picture. Save it again as PNG."
        ) from fault
    # Neighbours at a corner are one area, as a brush stroke is.
    labels, count = ndimage.label(painted, structure=np.ones((3, 3)))
    share = float(painted.mean())
    if count == 0:
        raise OpeningsError(
            f"{name} has no painted area. Paint every opening in a colour on black or transparent."
        )
    if share > MOST_PAINTED:
        raise OpeningsError(
            f"{name} is painted over {share:.0%} of its area. Leave all that is no opening black "
            "or transparent."
        )
    if count > MAX_SHAPES:
        raise OpeningsError(
            f"{name} has {count} painted areas. Paint only the openings, and save it as PNG."
        )
    boxes = _reading_order(ndimage.find_objects(labels))
    scale = np.array(size) / painted.shape[::-1]
    return [
        [(ring + 0.5) * scale - 0.5 for ring in _rings(labels, label, box)] for label, box in boxes
    ]


def _painted(data: bytes, *, size: tuple[int, int], name: str) -> NDArray[np.bool_]:
    """(rows, cols), True where something is painted, upright."""
    with Image.open(io.BytesIO(data)) as picture:
        turned = picture.getexif().get(0x0112, 1) >= 5  # Exif orientation: on its side
        wide, high = picture.size[::-1] if turned else picture.size
        if wide * high > MAX_PIXELS or not same_aspect((wide, high), size):
            raise OpeningsError(
                f"{name} is {wide} x {high} pixels, but the photo has {size[0]} x {size[1]}. "
                "Paint over this very photo and save it at the photo's size."
            )
        upright = ImageOps.exif_transpose(picture)
        if upright.mode.startswith(("I", "F")):  # 16 bits and more: one channel, no alpha
            values = np.asarray(upright, dtype=np.float32)
            return values >= LEAST_PAINT * (65535 if values.max() > 255 else 255)
        channels = np.asarray(upright.convert("RGBA"))
    paint: NDArray[np.bool_] = channels[..., :3].max(axis=2) >= LEAST_PAINT * 255
    paint &= channels[..., 3] >= LEAST_COVER * 255
    return paint


def _reading_order(
    boxes: list[tuple[slice, slice]],
) -> list[tuple[int, tuple[slice, slice]]]:
    """Areas with their label from top to bottom in lines, each line from left to right.

    An area belongs to a line as long as its middle lies above the foot of the line's first.
    """
    middle = [((rows.start + rows.stop) / 2, (cols.start + cols.stop) / 2) for rows, cols in boxes]
    ordered: list[int] = []
    line: list[int] = []
    for index in sorted(range(len(boxes)), key=lambda i: middle[i]):
        if line and middle[index][0] >= boxes[line[0]][0].stop:
            ordered += sorted(line, key=lambda i: middle[i][1])
            line = []
        line.append(index)
    ordered += sorted(line, key=lambda i: middle[i][1])
    return [(index + 1, boxes[index]) for index in ordered]


def _rings(labels: NDArray[np.int32], label: int, box: tuple[slice, slice]) -> list[Points]:
    """Outlines of one area, halfway between its pixels and others (marching squares)."""
    area = np.pad(labels[box] == label, 1).astype(float)
    corner = np.array([box[1].start - 1, box[0].start - 1])
    contours = find_contours(area, 0.5, fully_connected="high")  # type: ignore[no-untyped-call,unused-ignore]
    return [contour[:-1, ::-1] + corner for contour in contours]
