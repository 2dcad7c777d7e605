"""Bad files get one clear sentence and a code, within seconds, and nothing else happens."""

import os
import socket
import time
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from geometry.errors import UnreadableError
from geometry.picture import ReadLimits, read_picture

SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
SVG += 'width="50mm" height="50mm" viewBox="0 0 50 50">{}</svg>'


def code_of(path: Path, limits: ReadLimits | None = None) -> str:
    """The error code of a file; its sentence is checked on the way."""
    with pytest.raises(UnreadableError) as caught:
        read_picture(path, limits=limits)
    message = caught.value.message
    assert message.endswith(".")
    assert len(message) < 250
    assert not any(word in message for word in ("Traceback", "Error", str(path.parent)))
    return caught.value.code


def noise(size: int) -> Image.Image:
    """A picture that does not compress."""
    grain = np.random.default_rng(3).integers(0, 256, (size, size), dtype=np.uint8)
    return Image.fromarray(grain)


def test_an_empty_file(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    assert code_of(tmp_path / "a.png") == "empty"


def test_a_file_that_is_not_there_and_things_that_are_no_files(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.png")
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(tmp_path / "socket.png"))
    try:
        for name in ("none.png", "pipe.png", "socket.png", ".", "a\0b.png"):
            assert code_of(tmp_path / name) == "missing"
    finally:
        listening.close()


def test_a_file_over_60_mb_is_not_even_opened_for_reading(tmp_path: Path) -> None:
    path = tmp_path / "sparse.png"
    with path.open("wb") as file:
        file.truncate(60_000_001)
    started = time.monotonic()
    assert code_of(path) == "too-large"
    assert time.monotonic() - started < 1


@pytest.mark.parametrize(
    "data",
    [
        b"just some words",
        b"PK\x03\x04" + bytes(100),
        b"\x7fELF" + bytes(100),
        b"<html><body>no</body></html>",
        b"<?xml version='1.0'?><note/>",
        b"\0" * 5000,
        b"MZ" + bytes(200),
        b"BM" + bytes(200),
    ],
)
def test_other_kinds_of_files_are_unsupported(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(data)
    assert code_of(path) == "unsupported"


@pytest.mark.parametrize("ending", ["png", "jpg", "webp", "tif", "gif", "pdf"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.9])
def test_a_file_cut_short_is_damaged(tmp_path: Path, ending: str, share: float) -> None:
    path = tmp_path / f"a.{ending}"
    noise(120).convert("RGB").save(path)
    data = path.read_bytes()
    path.write_bytes(data[: max(12, int(len(data) * share))])
    assert code_of(path) == "damaged"


@pytest.mark.parametrize("start", [b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0"])
def test_rubbish_behind_a_good_beginning_is_damaged(tmp_path: Path, start: bytes) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(start + np.random.default_rng(1).bytes(3000))
    assert code_of(path) == "damaged"


@pytest.mark.parametrize("ending", ["png", "gif", "tif"])
def test_a_picture_of_too_many_pixels_is_a_bomb(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"a.{ending}"
    packed = {"compression": "tiff_deflate"} if ending == "tif" else {}
    Image.new("L", (12_000, 10_000)).save(path, **packed)
    assert code_of(path) == "bomb"


def test_more_memory_than_is_given_is_a_bomb(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.new("RGB", (6000, 6000)).save(path)
    assert code_of(path, ReadLimits(memory_bytes=150_000_000)) == "bomb"


def test_a_child_that_hangs_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    noise(3000).save(path)
    started = time.monotonic()
    assert code_of(path, ReadLimits(wall_seconds=0.01)) == "bomb"
    assert time.monotonic() - started < 2


def test_a_child_out_of_processor_time_is_ended(tmp_path: Path) -> None:
    path = tmp_path / "slow.svg"
    blur = '<filter id="f"><feTurbulence numOctaves="9" baseFrequency="9"/></filter>'
    path.write_text(SVG.format(blur + '<rect width="50" height="50" filter="url(#f)"/>' * 400))
    started = time.monotonic()
    assert code_of(path, ReadLimits(processor_seconds=1)) == "bomb"
    assert time.monotonic() - started < 8


def test_a_locked_pdf(tmp_path: Path) -> None:
    """Locked by reportlab's standard encryption, an independent writer."""
    from reportlab.lib import pdfencrypt
    from reportlab.pdfgen.canvas import Canvas

    path = tmp_path / "a.pdf"
    canvas = Canvas(str(path), encrypt=pdfencrypt.StandardEncryption("open", canPrint=0))
    canvas.rect(10, 10, 100, 100, fill=1)
    canvas.save()
    assert code_of(path) == "encrypted"


def test_a_pdf_without_pages_is_damaged(tmp_path: Path) -> None:
    document = pypdfium2.PdfDocument.new()
    document.save(tmp_path / "a.pdf")
    document.close()
    assert code_of(tmp_path / "a.pdf") == "damaged"


@pytest.mark.parametrize(
    "inside",
    [
        '<image xlink:href="file:///etc/hostname" width="9" height="9"/>',
        '<image href="http://127.0.0.1:9/a.png" width="9" height="9"/>',
        '<image href="../other.png" width="9" height="9"/>',
        '<image href="data:image/svg+xml;base64,AAAA" width="9" height="9"/>',
        '<use xlink:href="other.svg#a"/>',
        "<style>@import url(http://127.0.0.1:9/a.css);</style>",
        "<style>rect { fill: url('http://127.0.0.1:9/a') }</style>",
        '<rect width="9" height="9" style="fill:url(http://127.0.0.1:9/a)"/>',
        '<rect width="9" height="9" filter="url(other.svg#f)"/>',
    ],
)
def test_an_svg_that_reaches_outside_is_unsafe(tmp_path: Path, inside: str) -> None:
    (tmp_path / "a.svg").write_text(SVG.format(inside))
    assert code_of(tmp_path / "a.svg") == "unsafe"


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/hostname">]>',
        '<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
        '<!DOCTYPE svg [<!ENTITY % p SYSTEM "http://127.0.0.1:9/a.dtd"> %p;]>',
        '<?xml-stylesheet href="http://127.0.0.1:9/a.css"?>',
    ],
)
def test_an_svg_with_entities_is_unsafe(tmp_path: Path, declaration: str) -> None:
    (tmp_path / "a.svg").write_text(declaration + SVG.format('<rect width="9" height="9"/>'))
    assert code_of(tmp_path / "a.svg") == "unsafe"


def test_scripts_are_dropped_and_a_plain_doctype_is_fine(tmp_path: Path) -> None:
    doctype = '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://127.0.0.1:9/svg11.dtd">'
    inside = '<script>alert(1)</script><a xlink:href="http://127.0.0.1:9/"><rect onload="x()" '
    (tmp_path / "a.svg").write_text(doctype + SVG.format(inside + 'width="25" height="50"/></a>'))
    grey = read_picture(tmp_path / "a.svg").grey
    assert abs(float((grey < 128).mean()) - 0.5) < 0.01


def test_live_text_in_an_svg_is_refused_since_it_depends_on_the_machine(tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text(SVG.format('<text x="5" y="20">OPEN</text>'))
    assert code_of(tmp_path / "a.svg") == "unsupported"


def test_an_svg_over_2_mb_is_too_large(tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text(SVG.format("<g>" + " " * 2_000_000 + "</g>"))
    assert code_of(tmp_path / "a.svg") == "too-large"


def test_elements_that_multiply_do_not_hang(tmp_path: Path) -> None:
    layers = '<g id="g0"><rect width="1" height="1"/></g>' + "".join(
        f'<g id="g{n}">' + f'<use xlink:href="#g{n - 1}"/>' * 10 + "</g>" for n in range(1, 12)
    )
    (tmp_path / "a.svg").write_text(SVG.format(layers))
    started = time.monotonic()
    assert code_of(tmp_path / "a.svg") in ("damaged", "bomb")
    assert time.monotonic() - started < 25


@pytest.mark.parametrize(
    "name",
    [
        "-rf.png",
        "a;b $(touch owned).png",
        "..\\..\\a.png",
        "new\nline.png",
        "bi\u202edi.png",
        "quote'\".png",
        "\u00e4\U0001f980.png",
        b"not-utf8-\xff\xfe.png",
        "x" * 250 + ".png",
    ],
)
def test_hostile_names_are_names_only(tmp_path: Path, name: str | bytes) -> None:
    path = os.path.join(os.fsencode(tmp_path), os.fsencode(name))
    with open(path, "wb") as file:
        Image.new("L", (20, 20), 255).save(file, "PNG")
    assert read_picture(os.fsdecode(path)).size_px == (20, 20)
    assert len(os.listdir(tmp_path)) == 1
