"""Files that are no photo, damaged, cut off or too large: one sentence that names them."""

from __future__ import annotations

import numpy as np
import pytest
from photo_files import (
    COLS,
    ROWS,
    cmyk_picture,
    cut,
    file_of,
    jpeg_declared,
    lzw_tiff,
    noise,
    png,
    read,
    tiff,
    tiff_declared,
    zipped_tiff,
)
from PIL import Image

from leakcheck import decode
from leakcheck.errors import PhotoError
from leakcheck.photo import read_pair, read_photo

DAMAGED = "damaged or cut-off"
WIDE = noise(dtype=np.uint16)
BAD_FILES = {
    "empty": (b"", "empty"),
    "text": (b"Shopping list: black paint, foil tape\n", "not a photo"),
    "pdf": (b"%PDF-1.7\n" + bytes(100), "not a photo"),
    "half JPEG": (cut(file_of(noise(), "jpeg")), DAMAGED),
    "JPEG without its last byte": (file_of(noise(), "jpeg")[:-1], DAMAGED),
    "progressive JPEG cut": (cut(file_of(noise(), "jpeg", progressive=True), 0.8), DAMAGED),
    "JPEG filled up with zeros": (cut(file_of(noise(), "jpeg")) + bytes(9000), DAMAGED),
    "JPEG cut in its header": (file_of(noise(), "jpeg")[:100], DAMAGED),
    "JPEG with only a whole thumbnail": (
        cut(file_of(noise(), "jpeg", exif=b"Exif\0\0" + file_of(noise(64, 64), "jpeg"))), DAMAGED,
    ),
    "CMYK JPEG cut": (cut(file_of(cmyk_picture(), "jpeg"), 0.7), DAMAGED),
    "half JPEG that is closed": (cut(file_of(noise(), "jpeg")) + b"\xff\xd9", DAMAGED),
    "half PNG": (cut(file_of(noise(), "png")), DAMAGED),
    "half 16-bit PNG": (cut(png(WIDE)), DAMAGED),
    "16-bit PNG with a flipped bit": (png(WIDE)[:500] + b"\x55" + png(WIDE)[501:], DAMAGED),
    "half TIFF": (cut(file_of(noise(), "tiff")), DAMAGED),
    "half 16-bit TIFF": (cut(tiff(WIDE)), DAMAGED),
    "16-bit TIFF with flipped bits": (
        zipped_tiff(WIDE)[:-9000] + b"\x55" * 4000 + zipped_tiff(WIDE)[-5000:], DAMAGED,
    ),
    "TIFF of many strips cut": (cut(tiff(noise(), rowsperstrip=8), 0.9), DAMAGED),
    "16-bit TIFF of many strips cut": (cut(tiff(WIDE, rowsperstrip=8), 0.9), DAMAGED),
    "half LZW TIFF": (cut(lzw_tiff(noise())), DAMAGED),
    "TIFF of floats": (tiff(noise().astype(np.float32)), "photo.jpg"),
    "TIFF of 32 bit": (tiff(noise()[..., 0].astype(np.uint32), photometric="minisblack"), "32-bit"),
    "TIFF of planes": (
        tiff(WIDE.transpose(2, 0, 1), planarconfig="separate"), "one after the other",
    ),
    "half WebP": (cut(file_of(noise(), "webp")), DAMAGED),
    "half HEIC": (cut(file_of(noise(), "heif")), DAMAGED),
    "HEIC without its last bytes": (file_of(noise(), "heif")[:-20], DAMAGED),
    "1x1": (file_of(noise(1, 1), "png"), "1 x 1 pixels, too small"),
    "no width": (png(noise(), size=(0, 96)), "photo.jpg"),
    "narrow": (file_of(noise(500, 63), "jpeg"), "63 x 500 pixels, too small"),
    "PNG bomb": (png(noise(), size=(40_000, 40_000)), "40000 x 40000 pixels, too large"),
    "16-bit PNG bomb": (png(WIDE, size=(40_000, 40_000)), "40000 x 40000 pixels, too large"),
    "JPEG bomb": (jpeg_declared(40_000, 40_000), "40000 x 40000 pixels, too large"),
    "TIFF bomb": (tiff_declared(40_000, 40_000), "40000 x 40000 pixels, too large"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_FILES)
@pytest.mark.filterwarnings("error")
def test_bad_file_is_one_sentence_that_names_it(tmp_path, capfd, case) -> None:
    data, said = BAD_FILES[case]
    with pytest.raises(PhotoError) as caught:
        read(tmp_path, data, "photo.jpg")
    message = str(caught.value)
    assert said in message
    assert "photo.jpg" in message
    assert "\n" not in message
    assert message.endswith(".")
    assert caught.value.exit_code == 2
    assert capfd.readouterr() == ("", "")


def test_bytes_too_many_do_no_harm(tmp_path, capfd) -> None:
    """libjpeg tells of them on stderr; the picture is whole, and users need not hear of it."""
    whole = file_of(noise(), "jpeg")
    longer = read(tmp_path, whole[:-2] + bytes(8) + whole[-2:])
    assert np.array_equal(longer.encoded, read(tmp_path, whole).encoded)
    assert capfd.readouterr() == ("", "")


def test_text_named_as_raw(tmp_path) -> None:
    pytest.importorskip("rawpy")
    with pytest.raises(PhotoError, match=r"photo\.dng is a damaged"):
        read(tmp_path, b"not raw at all", "photo.dng")


@pytest.mark.parametrize("kind", ["jpeg", "png"])
def test_pillows_own_limit_does_not_count(tmp_path, monkeypatch, kind) -> None:
    """Pillow's opener refuses from 179 megapixels on, but phones save JPEGs of 200."""
    data = file_of(noise(), kind)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", ROWS * COLS // 3)
    assert read(tmp_path, data).encoded.shape == (ROWS, COLS, 3)


def test_pillows_own_limit_inside_a_decoder(tmp_path, monkeypatch) -> None:
    """Some of Pillow's versions check inside WebP and TIFF as well: a sentence all the same."""

    def refuse(*_: object) -> None:
        raise Image.DecompressionBombError

    monkeypatch.setattr(decode, "WebPImageFile", refuse)
    with pytest.raises(PhotoError, match=r"photo\.bin is too large"):
        read(tmp_path, file_of(noise(), "webp"))


@pytest.mark.parametrize("bad", ["half JPEG that is closed", "half WebP", "text"])
@pytest.mark.parametrize("first", [True, False])
def test_of_a_pair_the_bad_one_is_named(tmp_path, capfd, bad, first) -> None:
    """Both are read at once, and what libjpeg says on stderr does not say of which file."""
    names = ("bad.jpg", "good.jpg")
    for name, data in zip(names, (BAD_FILES[bad][0], file_of(noise(), "jpeg")), strict=True):
        (tmp_path / name).write_bytes(data)
    off, on = (tmp_path / name for name in (names if first else names[::-1]))
    with pytest.raises(PhotoError, match=r"bad\.jpg"):
        read_pair(off, on)
    assert capfd.readouterr() == ("", "")


def test_a_pair_is_its_two_photos(tmp_path, capfd) -> None:
    """Also where a decoder has something to say of one of them."""
    whole = file_of(noise(), "jpeg")
    photos = [whole[:-2] + bytes(8) + whole[-2:], file_of(noise(100, 70), "jpeg")]
    paths = [tmp_path / "off.jpg", tmp_path / "on.jpg"]
    for path, data in zip(paths, photos, strict=True):
        path.write_bytes(data)
    for path, photo in zip(paths, read_pair(*paths), strict=True):
        assert (photo.path, photo.content_hash) == (path, read_photo(path).content_hash)
        assert np.array_equal(photo.encoded, read_photo(path).encoded)
    assert capfd.readouterr() == ("", "")
