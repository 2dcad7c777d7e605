"""A file that holds fewer rows than it says is refused; one that looks as if it did is read.

Rows and their order: PNG (ISO/IEC 15948, 8 and 10), TIFF 6.0 (strips), JPEG (ITU-T T.81, B.1.1.3:
the end mark). What is missing would otherwise be black, and black is cut.
"""

import base64
import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from geometry.errors import UnreadableError
from geometry.picture import Picture, read_picture
from tests.geometry.hostile import chunk, grain, packed

WIDTH, HEIGHT = 60, 40
MISSING = "A part of this picture is missing"
CUT_SHORT = "cut short or broken"  # found by the decoder itself


def read(data: bytes, tmp_path: Path) -> Picture:
    path = tmp_path / "drawing"
    path.write_bytes(data)
    return read_picture(path)


def png(rows: bytes, *, interlaced: bool = False, ends: bool = True) -> bytes:
    """A grey PNG of WIDTH x HEIGHT by its raw rows, each with its filter byte in front."""
    head = struct.pack(">IIBBBBB", WIDTH, HEIGHT, 8, 0, 0, 0, int(interlaced))
    data = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows))
    return b"\x89PNG\r\n\x1a\n" + data + (chunk(b"IEND", b"") if ends else b"")


def adam7(value: int) -> bytes:
    """All passes of an interlaced grey PNG of one value (PNG, 8.2)."""
    passes = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2))
    rows = b""
    for left, top, across, down in (*passes, (0, 1, 1, 2)):
        wide, high = len(range(left, WIDTH, across)), len(range(top, HEIGHT, down))
        rows += (b"\0" + bytes([value]) * wide) * high
    return rows


def strips(tall: int) -> bytes:
    """An unpacked TIFF in strips of a few rows that says it is `tall` rows high (tag 257)."""
    data = bytearray(packed(Image.new("L", (WIDTH, HEIGHT), 255), "TIFF", strip_size=WIDTH * 8))
    at = struct.unpack_from("<I", data, 4)[0]
    for entry in range(struct.unpack_from("<H", data, at)[0]):
        place = at + 2 + 12 * entry
        tag, kind = struct.unpack_from("<HH", data, place)
        if tag == 257:
            struct.pack_into("<H" if kind == 3 else "<I", data, place + 8, tall)
    return bytes(data)


def ended_early(**how: object) -> bytes:
    """A JPEG whose data stops half way, with its end mark behind it."""
    data = packed(grain(256, 256, "L"), "JPEG", **how)
    return data[: len(data) // 2] + b"\xff\xd9"


ROW = b"\0" + b"\xff" * WIDTH


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(png(ROW * (HEIGHT - 1)), id="png-one-row-less"),
        pytest.param(png(ROW * (HEIGHT // 2)), id="png-half"),
        pytest.param(png(ROW * (HEIGHT // 2), ends=False), id="png-half-without-end"),
        pytest.param(png(adam7(255)[:100], interlaced=True), id="png-interlaced-first-passes"),
        pytest.param(png(adam7(255)[:-9], interlaced=True), id="png-interlaced-all-but-a-bit"),
        pytest.param(strips(HEIGHT * 2), id="tiff-too-few-strips"),
        pytest.param(ended_early(), id="jpeg"),
        pytest.param(ended_early(restart_marker_rows=1), id="jpeg-with-restarts"),
    ],
)
def test_a_picture_with_rows_missing_is_refused(data: bytes, tmp_path: Path) -> None:
    with pytest.raises(UnreadableError, match=f"{MISSING}|{CUT_SHORT}") as told:
        read(data, tmp_path)
    assert told.value.code == "damaged"


def svg_with(inner: bytes, kind: str = "png") -> bytes:
    """A line, and a picture inside (SVG 1.1, 5.7, by a data URL of RFC 2397)."""
    data = f"data:image/{kind};base64,{base64.b64encode(inner).decode()}"
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50">'
        '<path d="M5 5h40" stroke="#000"/>'
        f'<image y="10" width="50" height="40" href="{data}"/></svg>'
    ).encode()


def test_a_broken_picture_in_a_drawing_is_not_left_out_without_a_word(tmp_path: Path) -> None:
    whole, half = png(ROW * HEIGHT), png(ROW * (HEIGHT // 2))
    assert read(svg_with(whole), tmp_path).format == "SVG"
    for broken in (half, whole[:60], b"", b"nothing of the kind", b"<svg/>"):
        with pytest.raises(UnreadableError, match="A picture inside this SVG file is broken"):
            read(svg_with(broken), tmp_path)
    huge = struct.pack(">IIBBBBB", 20_000, 20_000, 8, 0, 0, 0, 0)
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", huge) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")
    with pytest.raises(UnreadableError) as told:
        read(svg_with(bomb), tmp_path)
    assert told.value.code == "bomb"


@pytest.mark.parametrize("value", [0, 91, 164, 255])
def test_whole_pictures_of_one_grey_are_read(value: int, tmp_path: Path) -> None:
    """Also the very greys that memory is filled with, in every way a PNG or TIFF holds them."""
    for mode in ("L", "RGB", "RGBA", "1", "P", "I;16"):
        colour = value if len(Image.new(mode, (1, 1)).getbands()) == 1 else (value, value, value)
        image = Image.new(mode, (WIDTH, HEIGHT), colour)
        expected = np.asarray(image.convert("L")) if mode != "I;16" else None
        for kind in ("PNG", "TIFF"):
            grey = read(packed(image, kind), tmp_path).grey
            assert grey.shape == (HEIGHT, WIDTH)
            if expected is not None:
                assert np.abs(grey.astype(int) - expected).max() <= 1
    for whole in (
        png((b"\0" + bytes([value]) * WIDTH) * HEIGHT),
        png(adam7(value), interlaced=True),
    ):
        assert (read(whole, tmp_path).grey == value).all()


def test_a_turned_tiff_is_whole_and_one_with_rows_missing_is_not(tmp_path: Path) -> None:
    """Orientation 6 (TIFF 6.0, tag 274): the last row as stored is the left column as shown."""
    image = Image.new("L", (WIDTH, HEIGHT), 91)
    image.paste(200, (0, 0, WIDTH, 10))
    grey = read(packed(image, "TIFF", tiffinfo={274: 6}), tmp_path).grey
    assert grey.shape == (WIDTH, HEIGHT)
    assert (grey[:, -10:] == 200).all()
    assert (grey[:, :-10] == 91).all()


def test_a_jpeg_that_ends_in_grey_of_its_own_is_read(tmp_path: Path) -> None:
    """A bench or table below the paper is never one grey to the last dot."""
    image = np.full((64, 64), 128, np.uint8)
    image[-6:, ::2] = 131
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=95)
    assert read(out.getvalue(), tmp_path).grey.shape == (64, 64)


def test_a_jpeg_on_a_plain_ground_of_middle_grey_is_read(tmp_path: Path) -> None:
    """Drawn on a screen: all round it is the very grey that rows without data would be."""
    image = Image.new("RGB", (128, 128), (128, 128, 128))
    image.paste((0, 0, 0), (40, 40, 80, 80))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=95)
    grey = read(out.getvalue(), tmp_path).grey
    assert (grey[-4:] == 128).all()
    assert grey[60, 60] < 10
