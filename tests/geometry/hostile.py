"""Malformed and hostile files of every kind, made by code: what each is, and what must come of it.

`FILES` maps a name to (bytes, what may come): error codes, or READ where the file is odd but a
picture all the same. The ideas are those of the OWASP File Upload Cheat Sheet and of the formats'
own specifications (PNG and its chunks, TIFF 6.0, GIF89a, RFC 9649, ISO 32000, SVG 1.1).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
from PIL import Image

READ = "read"
FIRST_OBJECT = b"/%s 1 0 R" % b"Root"  # where a PDF begins (ISO 32000-1, 7.5.5)
DAMAGED, BOMB, UNSAFE = frozenset({"damaged"}), frozenset({"bomb"}), frozenset({"unsafe"})
UNSUPPORTED, EMPTY, ENCRYPTED = frozenset({"unsupported"}), frozenset({"empty"}), {"encrypted"}
BROKEN = frozenset({"damaged", "bomb"})
ODD = frozenset(
    {READ, "damaged", "bomb", "unsupported", "no-page"}
)  # either is well: it ends, and cleanly
File = tuple[bytes, frozenset[str]]
FILES: dict[str, File] = {}


def grain(width: int, height: int, mode: str = "RGB") -> Image.Image:
    """A picture that does not compress, so that half of the file is half of the picture."""
    bands = np.random.default_rng(8).integers(0, 256, (height, width, 3), dtype=np.uint8)
    return Image.fromarray(bands).convert(mode)


def packed(image: Image.Image, kind: str, **how: Any) -> bytes:
    out = io.BytesIO()
    if kind == "HEIF":
        from pillow_heif import from_pillow

        from_pillow(image).save(out)
    else:
        image.save(out, kind, **how)
    return out.getvalue()


def add(name: str, data: bytes, come: frozenset[str] | set[str] = DAMAGED) -> None:
    assert name not in FILES, name
    FILES[name] = (data, frozenset(come))


# --- PNG
def chunk(kind: bytes, data: bytes, *, length: int | None = None, crc: int | None = None) -> bytes:
    size = len(data) if length is None else length
    sum_ = zlib.crc32(kind + data) if crc is None else crc
    return struct.pack(">I", size) + kind + data + struct.pack(">I", sum_)


def png(width: int, height: int, *, depth: int = 8, colour: int = 0, **parts: Any) -> bytes:
    """A PNG from its parts: `rows` raw, `before` chunks in front of the picture's data."""
    head = struct.pack(">IIBBBBB", width, height, depth, colour, *parts.get("ways", (0, 0, 0)))
    rows = parts.get("rows", (b"\0" + b"\x80" * min(width, 64)) * min(height, 64))
    body = chunk(b"IDAT", zlib.compress(rows)) if rows is not None else b""
    end = parts.get("end", chunk(b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + parts.get("before", b"") + body + end


def _pngs() -> None:
    add("png-no-width.png", png(0, 10))
    add("png-no-height.png", png(10, 0))
    add("png-0x0.png", png(0, 0))
    add("png-size-of-a-continent.png", png(0x7FFFFFFF, 0x7FFFFFFF), BROKEN)
    add("png-negative-size.png", png(0x80000001, 16), BROKEN)
    add("png-one-row-of-a-hundred-million.png", png(109_000_000, 1, rows=b"\0"), BROKEN)
    add("png-more-rows-told-than-there-are.png", png(16, 5000, rows=(b"\0" + b"\x80" * 16) * 3))
    add("png-no-data.png", png(16, 16, rows=None))
    add("png-unknown-depth.png", png(16, 16, depth=7))
    add("png-unknown-colour.png", png(16, 16, colour=5))
    add("png-palette-missing.png", png(16, 16, colour=3), ODD)
    add("png-palette-of-four-bytes.png", png(16, 16, colour=3, before=chunk(b"PLTE", b"abcd")), ODD)
    add("png-unknown-filter.png", png(8, 8, rows=(b"\x09" + b"\x80" * 8) * 8), ODD)
    add("png-unknown-packing.png", png(8, 8, ways=(9, 0, 0)), ODD)
    add("png-unknown-lacing.png", png(8, 8, ways=(0, 0, 7)), ODD)
    wrong = chunk(b"tEXt", b"a\0b", crc=5)
    add("png-wrong-sum.png", png(8, 8, before=wrong), ODD)
    add(
        "png-chunk-longer-than-the-file.png", png(8, 8, before=chunk(b"tEXt", b"a", length=1 << 30))
    )
    add(
        "png-chunk-of-negative-length.png", png(8, 8, before=chunk(b"tEXt", b"a", length=2**32 - 1))
    )
    text = chunk(b"zTXt", b"a\0\0" + zlib.compress(b"a" * 50_000_000))
    add("png-text-bomb.png", png(8, 8, before=text), ODD)
    profile = chunk(b"iCCP", b"a\0\0" + zlib.compress(b"\0" * 50_000_000))
    add("png-profile-bomb.png", png(8, 8, before=profile), ODD)
    add(
        "png-a-hundred-thousand-chunks.png",
        png(8, 8, before=chunk(b"tEXt", b"a\0b") * 100_000),
        ODD,
    )
    add("png-dpi-of-nothing.png", png(8, 8, before=chunk(b"pHYs", bytes(9))), {READ})
    endless = struct.pack(">IIB", 2**32 - 1, 2**32 - 1, 1)
    add("png-dpi-of-an-atom.png", png(8, 8, before=chunk(b"pHYs", endless)), {READ})
    frames = chunk(b"acTL", struct.pack(">II", 2**31 - 1, 0))
    add("png-two-thousand-million-frames.png", png(8, 8, before=frames), ODD)
    add("png-and-a-page-behind-it.png", png(8, 8) + b"<html><script>x()</script>", {READ})
    add("png-and-an-archive-behind-it.png", png(8, 8) + b"PK\x03\x04" + bytes(400), {READ})
    big = packed(Image.new("1", (20_000, 6_000)), "PNG")
    add("png-of-120-million-points.png", big, BOMB)
    add(
        "png-sixteen-bits.png",
        packed(Image.fromarray(np.full((9, 9), 60000, np.uint16)), "PNG"),
        {READ},
    )
    add("png-one-point.png", packed(Image.new("L", (1, 1)), "PNG"), {READ})
    add("png-one-row.png", packed(Image.new("L", (4000, 1)), "PNG"), {READ})
    add("png-one-column.png", packed(Image.new("L", (1, 4000)), "PNG"), {READ})
    add("png-wholly-clear.png", packed(Image.new("RGBA", (30, 30)), "PNG"), {READ})


# --- JPEG
def _jpegs() -> None:
    good = packed(grain(64, 64), "JPEG")
    start = good.index(b"\xff\xc0")
    add("jpg-only-its-beginning.jpg", b"\xff\xd8\xff")
    add("jpg-beginning-and-end.jpg", b"\xff\xd8\xff\xd9")
    add("jpg-no-size.jpg", good[: start + 5] + bytes(4) + good[start + 9 :])
    add("jpg-largest-size.jpg", good[: start + 5] + b"\xff" * 4 + good[start + 9 :], BROKEN)
    add("jpg-wide-and-flat.jpg", good[: start + 5] + b"\0\1\xff\xff" + good[start + 9 :], ODD)
    add("jpg-no-colours.jpg", good[: start + 9] + b"\0" + good[start + 10 :])
    add("jpg-many-colours.jpg", good[: start + 9] + b"\xff" + good[start + 10 :])
    add("jpg-depth-of-99.jpg", good[: start + 4] + b"\x63" + good[start + 5 :])
    add("jpg-no-tables.jpg", good.replace(b"\xff\xdb", b"\xff\xfe"))
    add("jpg-no-codes.jpg", good.replace(b"\xff\xc4", b"\xff\xfe"), ODD)
    add("jpg-a-marker-of-no-length.jpg", good[:2] + b"\xff\xe0\0\0" + good[2:], ODD)
    add("jpg-a-marker-past-the-end.jpg", good[:2] + b"\xff\xe1\xff\xff" + good[2:200])
    add("jpg-cmyk.jpg", packed(grain(40, 40, "CMYK"), "JPEG"), {READ})
    add("jpg-in-steps.jpg", packed(grain(40, 40), "JPEG", progressive=True)[:-400])
    add("jpg-a-thousand-scans.jpg", _many_scans(), ODD)
    for name, exif in {
        "pointing-at-itself": b"Exif\0\0II*\0\x08\0\0\0\x01\0\x69\x87\4\0\1\0\0\0\x08\0\0\0"
        + bytes(4),
        "past-the-end": b"Exif\0\0II*\0\xff\xff\xff\x7f",
        "sixty-thousand-tags": b"Exif\0\0II*\0\x08\0\0\0\xff\xff"
        + b"\x12\1\3\0\1\0\0\0\6\0\0\0" * 40,
        "turned-by-77": b"Exif\0\0II*\0\x08\0\0\0\1\0\x12\1\3\0\1\0\0\0\x4d\0\0\0" + bytes(4),
        "a-turn-in-words": b"Exif\0\0II*\0\x08\0\0\0\1\0\x12\1\2\0\4\0\0\0abc\0" + bytes(4),
        "of-nothing": b"Exif\0\0",
        "count-of-all": b"Exif\0\0MM\0*\0\0\0\x08\0\1\1\x12\0\3\xff\xff\xff\xff\0\6\0\0" + bytes(4),
    }.items():
        marker = b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif
        add(f"jpg-tags-{name}.jpg", good[:2] + marker + good[2:], {READ})
    add("jpg-and-a-page.jpg", good + b"<script>alert(1)</script>", {READ})
    note = b"<?php system($_GET[0]); ?>"
    add("jpg-a-program-in-a-note.jpg", packed(grain(9, 9), "JPEG", comment=note), {READ})
    for share in (0.1, 0.3, 0.7, 0.97):
        add(f"jpg-cut-at-{share:.0%}.jpg", good[: int(len(good) * share)])


def _many_scans() -> bytes:
    """A progressive picture whose last scan comes a thousand times."""
    data = packed(grain(64, 64), "JPEG", progressive=True)
    last = data.rindex(b"\xff\xda")
    return data[:-2] + data[last:-2] * 1000 + b"\xff\xd9"


# --- TIFF
def tiff(*tags: tuple[int, int, int, int], tail: bytes = b"", first: int = 8) -> bytes:
    """A little-endian TIFF of one list of (tag, type, count, value), by TIFF 6.0."""
    rows = b"".join(struct.pack("<HHII", *tag) for tag in sorted(tags))
    return b"II*\0" + struct.pack("<IH", first, len(tags)) + rows + bytes(4) + tail


def plain(width: int, height: int, **change: tuple[int, int, int]) -> bytes:
    """A grey TIFF; `t259=(3, 1, 7)` sets tag 259 to type 3, count 1, value 7."""
    tags = {256: (4, 1, width), 257: (4, 1, height), 258: (3, 1, 8), 259: (3, 1, 1)}
    tags |= {262: (3, 1, 1), 273: (4, 1, 8), 277: (3, 1, 1), 278: (4, 1, height)}
    tags |= {279: (4, 1, width * height & 0xFFFFFFFF)}
    tags |= {int(name[1:]): value for name, value in change.items()}
    return tiff(*((tag, *value) for tag, value in tags.items()), tail=bytes(600))


def _tiffs() -> None:
    add("tif-no-list.tif", b"II*\0\0\0\0\0")
    add("tif-list-past-the-end.tif", b"II*\0\xff\xff\xff\x7f" + bytes(30))
    add("tif-list-of-nothing.tif", tiff())
    add("tif-0x0.tif", plain(0, 0))
    add("tif-size-of-a-continent.tif", plain(2**31 - 1, 2**31 - 1), BROKEN)
    add("tif-1-by-all.tif", plain(1, 2**31 - 1), BROKEN)
    add("tif-strip-past-the-end.tif", plain(16, 16, t273=(4, 1, 2**31)))
    add("tif-strip-of-all-bytes.tif", plain(16, 16, t279=(4, 1, 2**32 - 1)), ODD)
    add("tif-a-thousand-million-strips.tif", plain(16, 16, t273=(4, 10**9, 8)), BROKEN)
    add("tif-unknown-packing.tif", plain(16, 16, t259=(3, 1, 31337)))
    add("tif-fax-of-rubbish.tif", plain(16, 16, t259=(3, 1, 4), t258=(3, 1, 1)), ODD)
    add("tif-lzw-of-rubbish.tif", plain(16, 16, t259=(3, 1, 5)), ODD)
    add("tif-deflate-of-rubbish.tif", plain(16, 16, t259=(3, 1, 8)), ODD)
    add("tif-depth-of-77.tif", plain(16, 16, t258=(3, 1, 77)))
    add("tif-many-samples.tif", plain(16, 16, t277=(3, 1, 65535)), BROKEN)
    add("tif-size-in-words.tif", plain(16, 16, t256=(2, 4, 0x616161)))
    add("tif-type-of-99.tif", plain(16, 16, t262=(99, 1, 1)), ODD)
    loop = tiff((256, 4, 1, 9), (257, 4, 1, 9))
    add("tif-pages-in-a-ring.tif", loop[:-4] + struct.pack("<I", 8))
    floats = np.full((8, 8), np.nan, np.float32)
    add("tif-of-no-numbers.tif", packed(Image.fromarray(floats), "TIFF"), ODD)
    endless = np.full((8, 8), np.inf, np.float32)
    add("tif-of-endless-numbers.tif", packed(Image.fromarray(endless), "TIFF"), ODD)
    add("tif-cmyk.tif", packed(grain(20, 20, "CMYK"), "TIFF"), {READ})
    add(
        "tif-sixteen-bits.tif",
        packed(Image.fromarray(np.full((9, 9), 500, np.uint16)), "TIFF"),
        {READ},
    )
    add("tif-lab.tif", packed(grain(20, 20, "LAB"), "TIFF"), {READ})
    pages = [Image.new("1", (8, 8))] * 300
    many = packed(pages[0], "TIFF", save_all=True, append_images=pages)
    add("tif-of-three-hundred-pages.tif", many, {READ})
    bomb = packed(Image.new("1", (30_000, 5_000)), "TIFF", compression="group4")
    add("tif-fax-bomb.tif", bomb, BOMB)
    add("tif-big-of-rubbish.tif", b"II+\0\x08\0\0\0" + b"\xff" * 64)


# --- GIF, WebP, HEIC
def _animated() -> None:
    head = b"GIF89a" + struct.pack("<HHBBB", 8, 8, 0x80, 0, 0) + bytes(6)
    frame = b"," + struct.pack("<HHHHB", 0, 0, 8, 8, 0) + b"\x02\x02\x84\x51\0"
    add("gif-no-frame.gif", head + b";")
    add("gif-0x0.gif", b"GIF89a" + bytes(7) + b";")
    add(
        "gif-frame-beyond-its-edge.gif",
        head + frame.replace(b"\0\0\0\0\x08", b"\xff\xff\xff\xff\x08") + b";",
        ODD,
    )
    add("gif-frame-of-all.gif", head + b"," + b"\xff" * 9 + b"\x02\x02\x84\x51\0;", ODD)
    add(
        "gif-code-of-99.gif",
        head + b"," + struct.pack("<HHHHB", 0, 0, 8, 8, 0) + b"\x63\1\0\0;",
        ODD,
    )
    add("gif-blocks-without-end.gif", head + frame[:-1] + b"\xff" * 3000, ODD)
    add("gif-ten-thousand-frames.gif", head + frame * 10_000 + b";", ODD)
    add("gif-and-a-script.gif", b"GIF89a/*" + head[8:] + frame + b";*/=1;alert(1)", ODD)
    good = packed(grain(64, 64), "WEBP", lossless=True)
    add("webp-no-picture.webp", b"RIFF\x04\0\0\0WEBP")
    add("webp-lying-length.webp", good[:4] + b"\xff\xff\xff\xff" + good[8:], ODD)
    add("webp-inner-lying-length.webp", good[:16] + b"\xff\xff\xff\x7f" + good[20:])
    add("webp-cut-at-half.webp", good[: len(good) // 2])
    size = b"VP8X" + struct.pack("<I", 10) + b"\x02\0\0\0" + b"\xff" * 6
    add("webp-16-million-square.webp", b"RIFF" + struct.pack("<I", 22) + b"WEBP" + size, BROKEN)
    stills = [grain(16, 16) for _ in range(40)]
    film = packed(stills[0], "WEBP", save_all=True, append_images=stills[1:])
    add("webp-moving.webp", film, {READ})
    add("webp-moving-cut.webp", film[: len(film) // 2], ODD)
    heic = packed(grain(64, 64), "HEIF")
    add("heic-only-its-beginning.heic", heic[:24])
    add("heic-cut-at-half.heic", heic[: len(heic) // 2])
    add("heic-boxes-of-all.heic", heic[:24] + b"\xff\xff\xff\xff" + heic[28:], ODD)
    at = heic.index(b"ispe")
    add("heic-lying-size.heic", heic[: at + 8] + b"\x7f\xff\xff\xff" * 2 + heic[at + 16 :], ODD)
    add("heic-rubbish-inside.heic", heic[:-2000] + bytes(range(250)) * 8, ODD)
    nested = b""
    for _ in range(3000):
        nested = struct.pack(">I", len(nested) + 8) + b"meta" + nested
    add("heic-nested-three-thousand-deep.heic", heic[:24] + nested, BROKEN)


# --- SVG
def svg(inside: str, more: str = 'width="50mm" height="50mm" viewBox="0 0 50 50"') -> bytes:
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f"<svg {names} {more}>{inside}</svg>".encode()


def _svgs() -> None:
    rect = '<rect width="9" height="9"/>'
    levels = "".join(f'<!ENTITY e{n} "' + f"&e{n - 1};" * 10 + '">' for n in range(1, 12))
    laughs = f'<!DOCTYPE svg [<!ENTITY e0 "ha">{levels}]>'.encode()
    add("svg-a-thousand-million-laughs.svg", laughs + svg("<title>&e11;</title>"), UNSAFE | DAMAGED)
    swollen = b'<!DOCTYPE svg [<!ENTITY a "' + b"a" * 90_000 + b'">]>'
    add(
        "svg-swollen-entity.svg",
        swollen + svg("<title>" + "&a;" * 9000 + "</title>"),
        UNSAFE | UNSUPPORTED,
    )
    local = b'<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    add("svg-a-file-of-this-machine.svg", local + svg("<desc>&a;</desc>"), UNSAFE)
    outside = b'<!DOCTYPE svg [<!ENTITY % a SYSTEM "http://127.0.0.1:9/"> %a;]>'
    add("svg-a-list-from-elsewhere.svg", outside + svg(rect), UNSAFE)
    for name, inside in {
        "a-picture-from-elsewhere": '<image href="//127.0.0.1:9/a" width="9" height="9"/>',
        "a-picture-of-this-machine": '<image href="/etc/passwd" width="9" height="9"/>',
        "a-picture-by-a-share": '<image href="\\\\host\\a.png" width="9" height="9"/>',
        "an-svg-in-an-svg": '<image href="data:image/svg+xml,%3Csvg/%3E" width="9" height="9"/>',
        "a-filter-that-fetches": '<filter id="f"><feImage href="http://127.0.0.1:9/"/></filter>',
        "a-font-from-elsewhere": "<style>@font-face{src:url(http://127.0.0.1:9/)}</style>",
        "a-tracked-use": '<use href="http://127.0.0.1:9/a.svg#a"/>',
    }.items():
        add(f"svg-{name}.svg", svg(inside + rect), UNSAFE)
    for name, inside in {
        "a-script": "<script>fetch('http://127.0.0.1:9/')</script>",
        "a-page-inside": "<foreignObject><iframe src='http://127.0.0.1:9/'/></foreignObject>",
        "a-press": "<rect onclick='x()' width='1' height='1'/>",
        "an-included-file": '<x:include xmlns:x="http://www.w3.org/2001/XInclude" href="/etc/a"/>',
        "a-link-that-runs": '<a href="javascript:alert(1)"><circle r="4"/></a>',
        "a-pattern-of-itself": '<pattern id="p" width="9" height="9"><rect fill="url(#p)" width="9"'
        ' height="9"/></pattern><rect fill="url(#p)" width="9" height="9"/>',
        "a-clip-of-itself": '<clipPath id="c" clip-path="url(#c)"><circle r="3"/></clipPath>'
        '<g clip-path="url(#c)"><circle r="4"/></g>',
        "a-use-of-itself": '<g id="g"><use href="#g"/></g>',
        "a-ring-of-uses": '<g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g>',
        "no-numbers": '<path d="M NaN NaN L Infinity 1e999 Z" transform="scale(NaN 1e400)"/>',
        "endless-numbers": '<rect width="1e308" height="1e308" transform="scale(1e300)"/>',
        "a-stroke-of-a-mile": '<path d="M0 0 L9 9" stroke="#000" stroke-width="1e30"/>',
        "ten-million-dashes": '<path d="M0 0 L1e7 9" stroke="#000" stroke-dasharray="0.0001"/>',
        "a-blur-of-a-mile": '<filter id="f"><feGaussianBlur stdDeviation="1e9"/></filter>'
        '<rect filter="url(#f)" width="9" height="9"/>',
    }.items():
        add(f"svg-{name}.svg", svg(inside + rect), ODD | UNSAFE)
    deep = "<g>" * 30_000 + rect + "</g>" * 30_000
    add("svg-thirty-thousand-deep.svg", svg(deep), ODD)
    names = " ".join(f"a{number}='1'" for number in range(60_000))
    add("svg-sixty-thousand-attributes.svg", svg(f"<g {names}/>{rect}"), ODD)
    add("svg-0x0.svg", svg(rect, 'width="0" height="0"'), ODD)
    add("svg-a-mile-wide.svg", svg(rect, 'width="1e9mm" height="1e9mm"'), ODD | UNSAFE)
    add("svg-less-than-nothing.svg", svg(rect, 'width="-5mm" height="-5mm"'), ODD)
    add("svg-size-of-no-number.svg", svg(rect, 'width="NaN" height="NaN"'), ODD)
    add("svg-not-closed.svg", svg(rect)[:-6])
    add(
        "svg-in-another-tongue.svg",
        b'<?xml version="1.0" encoding="utf-7"?>' + svg(rect),
        ODD,
    )
    add("svg-sixteen-bit-letters.svg", b"\xff\xfe" + svg(rect).decode().encode("utf-16-le"), ODD)
    add("svg-null-inside.svg", svg(rect).replace(b"<rect", b"\0<rect"), ODD)
    add("svg-packed.svgz", b"\x1f\x8b\x08" + bytes(60), UNSUPPORTED)


# --- PDF
def pdf(
    *objects: bytes,
    page: str = "/MediaBox [0 0 99 99]",
    stream: bytes = b"0 0 9 9 re f",
    start: int | None = None,
) -> bytes:
    """A PDF of one page by ISO 32000; `page` adds to the page's entries."""
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /Contents 4 0 R {page} >>".encode(),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stream), stream),
        *objects,
    ]
    out, places = b"%PDF-1.7\n", []
    for number, part in enumerate(parts, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, part)
    table = len(out) if start is None else start
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(parts) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    end = b"trailer << /Size %d %s >>\nstartxref\n%d\n%%%%EOF"
    return out + end % (len(parts) + 1, FIRST_OBJECT, table)


def _pdfs() -> None:
    good = pdf()
    add("pdf-only-its-name.pdf", b"%PDF-1.7\n")
    add("pdf-of-rubbish.pdf", b"%PDF-1.7\n" + bytes(range(256)) * 20)
    add("pdf-cut-at-half.pdf", good[: len(good) // 2], ODD)
    add("pdf-table-past-the-end.pdf", pdf(start=10**9), ODD)
    add(
        "pdf-table-at-itself.pdf",
        good.replace(FIRST_OBJECT, b"%s /Prev %d" % (FIRST_OBJECT, good.index(b"xref"))),
        ODD,
    )
    add("pdf-pages-in-a-ring.pdf", good.replace(b"/Kids [3 0 R]", b"/Kids [2 0 R]"), ODD)
    add("pdf-a-page-count-of-all.pdf", good.replace(b"/Count 1", b"/Count 2147483647"), ODD)
    add("pdf-page-of-no-size.pdf", pdf(page="/MediaBox [0 0 0 0]"), ODD)
    add("pdf-page-of-a-mile.pdf", pdf(page="/MediaBox [0 0 1e9 1e9]"), ODD)
    add("pdf-page-of-no-number.pdf", pdf(page="/MediaBox [nan nan inf inf]"), ODD)
    add("pdf-page-inside-out.pdf", pdf(page="/MediaBox [99 99 -99 -99]"), ODD)
    add("pdf-unit-of-a-mile.pdf", pdf(page="/MediaBox [0 0 99 99] /UserUnit 1e8"), ODD)
    bomb = zlib.compress(b"0 0 9 9 re f\n" * 4_000_000)
    filtered = pdf(stream=b"").replace(
        b"<< /Length 0 >>\nstream\n",
        b"<< /Length %d /Filter /FlateDecode >>\nstream\n%s" % (len(bomb), bomb),
    )
    add("pdf-stream-bomb.pdf", filtered, ODD)
    twice = zlib.compress(bomb)
    nested = filtered.replace(bomb, twice).replace(b"/FlateDecode", b"[/FlateDecode /FlateDecode]")
    add("pdf-packed-twice.pdf", nested, ODD)
    add(
        "pdf-fifty-filters.pdf",
        filtered.replace(b"/FlateDecode", b"[" + b"/FlateDecode " * 50 + b"]"),
        ODD,
    )
    form = (
        b"<< /Type /XObject /Subtype /Form /BBox [0 0 9 9] /Resources << /XObject << /F 5 0 R >> >>"
        b" /Length 5 >>\nstream\n/F Do\nendstream"
    )
    page = "/MediaBox [0 0 99 99] /Resources << /XObject << /F 5 0 R >> >>"
    add("pdf-a-form-of-itself.pdf", pdf(form, page=page, stream=b"/F Do"), ODD)
    image = (
        b"<< /Type /XObject /Subtype /Image /Width 2000000000 /Height 2000000000 "
        b"/ColorSpace /DeviceGray /BitsPerComponent 8 /Length 1 >>\nstream\n\0\nendstream"
    )
    add("pdf-a-picture-of-all.pdf", pdf(image, page=page, stream=b"99 0 0 99 0 0 cm /F Do"), ODD)
    script = "/MediaBox [0 0 99 99] /AA << /O << /S /JavaScript /JS (app.alert(1)) >> >>"
    add("pdf-with-a-script.pdf", pdf(page=script), {READ})
    launch = "/MediaBox [0 0 99 99] /AA << /O << /S /Launch /F (/bin/sh) >> >>"
    add("pdf-that-starts-a-program.pdf", pdf(page=launch), {READ})
    fetch = (
        b"<< /Type /XObject /Subtype /Image /Width 9 /Height 9 /F (http://127.0.0.1:9/) "
        b"/Length 0 >>\nstream\n\nendstream"
    )
    add("pdf-that-fetches.pdf", pdf(fetch, page=page, stream=b"/F Do"), ODD)
    add(
        "pdf-and-an-archive.pdf",
        good + b"PK\x03\x04" + bytes(300) + b"PK\x05\x06" + bytes(18),
        {READ},
    )
    add("pdf-behind-a-page.pdf", b"<html><!--" + good, {READ})
    add("pdf-saved-states-without-end.pdf", pdf(stream=b"q " * 400_000), ODD)
    add("pdf-nested-lists.pdf", pdf(stream=b"[" * 200_000), ODD)


# --- what is no picture at all
def _others() -> None:
    add("nothing.png", b"", EMPTY)
    add("one-byte.png", b"\xff", UNSUPPORTED)
    add("zeros.jpg", bytes(70_000), UNSUPPORTED)
    add("bitmap.bmp", packed(grain(9, 9), "BMP"), UNSUPPORTED)
    add("icon.ico", packed(grain(16, 16), "ICO"), UNSUPPORTED)
    add(
        "postscript.eps",
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(/etc/passwd) run",
        UNSUPPORTED,
    )
    add("archive.zip", b"PK\x03\x04" + bytes(200), UNSUPPORTED)
    add("program.png", b"\x7fELF" + bytes(400), UNSUPPORTED)
    add("page.svg", b"<!DOCTYPE html><html><script>alert(1)</script></html>", ODD | UNSAFE)
    add("commands.png", b"push graphic-context\nfill 'url(https://127.0.0.1:9/)'\n", UNSUPPORTED)
    add("shell.png", b"#!/bin/sh\nrm -rf /\n", UNSUPPORTED)
    add("portable.pgm", b"P5\n999999 999999\n255\n", UNSUPPORTED)
    add("layers.psd", b"8BPS\0\1" + bytes(20) + b"\xff" * 30, UNSUPPORTED)
    add("film.mp4", b"\0\0\0\x18ftypisom" + bytes(300), UNSUPPORTED)
    add("sound.webp", b"RIFF\x24\0\0\0WAVEfmt " + bytes(40), UNSUPPORTED)
    add("old-words.tif", "naïve – “words”".encode("utf-16"), UNSUPPORTED)


MAKERS: list[Callable[[], None]] = [_pngs, _jpegs, _tiffs, _animated, _svgs, _pdfs, _others]
for make in MAKERS:
    make()
