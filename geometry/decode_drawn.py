"""Pictures that are drawn from a description: SVG and the first page of a PDF.

Runs in the child process of decode.py only. An SVG may refer to nothing outside itself, and
holds no live text, so that the same file gives the same picture on every machine.
"""

import base64
import math
import re
from io import BytesIO
from typing import Any

from geometry.decode import Decoded, decode_raster, kind_of, to_grey
from geometry.errors import UnreadableError

DRAWN_DPI = 600.0
UNSIZED_PX = 3600  # longest side of an SVG that gives no real size

_SVG = "{http://www.w3.org/2000/svg}"
_LENGTH = re.compile(r"\s*([0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*([a-z%]*)\s*", re.ASCII)
# Absolute units of CSS Values and Units Level 3, section 5.2, in inches.
_UNIT_INCHES = {"mm": 1 / 25.4, "cm": 1 / 2.54, "in": 1.0, "pt": 1 / 72, "pc": 1 / 6}
_OUTSIDE_URL = re.compile(r"url\(\s*[\"']?\s*(?!#)|@import|image-set\(", re.IGNORECASE)
_INNER_IMAGE = re.compile(r"\s*data:image/(png|jpe?g|gif|webp)\s*;\s*base64\s*,", re.IGNORECASE)
_ESCAPED = re.compile("%([0-9A-Fa-f]{2})")  # RFC 3986, 2.1
_INNER_KINDS = ("PNG", "JPEG", "GIF", "WEBP")
_INNER_BROKEN = (
    "A picture inside this SVG file is broken, so a part of the drawing is missing. "
    "Put it in again and save, or send a PNG."
)
_DROPPED = ("script", "foreignObject", "metadata", "title", "desc")
_OUTSIDE = (
    "This SVG file reaches for something outside itself. "
    "Embed its pictures and save it as a plain SVG, or send a PNG."
)


def decode_svg(data: bytes, limits: dict[str, int]) -> Decoded:
    """Return an SVG drawn on white, at 600 dpi where it has a real size. Raises UnreadableError."""
    import resvg_py
    from lxml import etree
    from PIL import Image

    if len(data) > limits["most_svg_bytes"]:
        megabytes = limits["most_svg_bytes"] / 1e6
        raise UnreadableError(
            "too-large", f"This SVG file has more than {megabytes:g} MB. Send it as a PNG or PDF."
        )
    root = _parsed(data)
    _make_safe(root)
    _check_inner_pictures(root, limits)
    size_px, dpi = _svg_size(root, limits["drawn_pixels"])
    root.set("width", str(size_px[0]))
    root.set("height", str(size_px[1]))
    try:
        png = resvg_py.svg_to_bytes(
            svg_string=etree.tostring(root, encoding="unicode"),
            background="#ffffff",
            skip_system_fonts=True,
            dpi=96.0,
        )
    except ValueError as error:
        raise UnreadableError(
            "damaged", "This SVG file cannot be drawn. Save it as a plain SVG, or send a PNG."
        ) from error
    grey = to_grey(Image.open(BytesIO(png), formats=["PNG"]).convert("RGB"))
    return Decoded(grey, dpi, grey.size, drawn=dpi is not None)


def decode_pdf(data: bytes, limits: dict[str, int]) -> Decoded:
    """Return the first page of a PDF drawn on white, at 600 dpi or as near as is kept."""
    import pypdfium2
    from PIL import Image

    try:
        document = pypdfium2.PdfDocument(data)
    except pypdfium2.PdfiumError as error:
        if "password" in str(error).lower() or "security" in str(error).lower():
            raise UnreadableError(
                "encrypted",
                "This PDF is locked with a password. Save it without one and send it again.",
            ) from error
        raise UnreadableError(
            "damaged", "This PDF is broken and cannot be opened. Save or send it again."
        ) from error
    page = document[0]
    width_pt, height_pt = page.get_size()
    if not (1 <= width_pt <= 1e5 and 1 <= height_pt <= 1e5):
        raise UnreadableError("damaged", "The first page of this PDF has no usable size.")
    scale = min(DRAWN_DPI / 72, math.sqrt(limits["drawn_pixels"] / (width_pt * height_pt)))
    bitmap = page.render(scale=scale, fill_color=(255, 255, 255, 255))
    image = bitmap.to_pil().convert("RGB")
    grey = to_grey(image) if isinstance(image, Image.Image) else image
    dpi = (grey.width / width_pt * 72, grey.height / height_pt * 72)
    return Decoded(grey, dpi, grey.size, drawn=True)


def _parsed(data: bytes) -> Any:
    """Return the root of an SVG; nothing is fetched and no entity is expanded."""
    from lxml import etree

    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
    )
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise UnreadableError(
            "damaged", "This SVG file is not well formed. Save it as a plain SVG, or send a PNG."
        ) from error
    document_type = root.getroottree().docinfo.internalDTD
    if document_type is not None and any(True for _ in document_type.iterentities()):
        raise UnreadableError(
            "unsafe",
            "This SVG file defines entities of its own, which are not read. "
            "Save it as a plain SVG, or send a PNG.",
        )
    if root.tag not in (f"{_SVG}svg", "svg"):
        raise UnreadableError(
            "unsupported", "This XML file is no SVG picture. Send an SVG, PNG, JPEG or PDF."
        )
    return root


def _make_safe(root: Any) -> None:
    """Drop what draws nothing; refuse what reaches outside the file or depends on fonts."""
    from lxml import etree

    sibling = root.getprevious()
    while sibling is not None:
        if sibling.tag is etree.ProcessingInstruction and sibling.target == "xml-stylesheet":
            raise UnreadableError("unsafe", _OUTSIDE)
        sibling = sibling.getprevious()
    for node in list(root.iter()):
        if not isinstance(node.tag, str):
            _drop(node)
            continue
        name = etree.QName(node).localname
        if name in _DROPPED:
            _drop(node)
        elif name == "text" and "".join(node.itertext()).strip():
            raise UnreadableError(
                "unsupported",
                "This SVG file holds live text, which looks different on every machine. "
                "Turn the text into outlines (paths) and save it again.",
            )
        elif name == "style" and _OUTSIDE_URL.search("".join(node.itertext())):
            raise UnreadableError("unsafe", _OUTSIDE)
        else:
            _check_attributes(node, name)


def _check_attributes(node: Any, name: str) -> None:
    """Drop links and handlers of one element; refuse references that leave the file."""
    from lxml import etree

    for key, value in list(node.attrib.items()):
        local = etree.QName(key).localname
        if local.startswith("on") or local == "base":
            del node.attrib[key]
        elif local in ("href", "src"):
            if value.strip().startswith("#"):
                continue
            if name in ("image", "feImage") and _INNER_IMAGE.match(value):
                continue
            if name != "a":
                raise UnreadableError("unsafe", _OUTSIDE)
            del node.attrib[key]
        elif _OUTSIDE_URL.search(value):
            raise UnreadableError("unsafe", _OUTSIDE)


def _check_inner_pictures(root: Any, limits: dict[str, int]) -> None:
    """Refuse a drawing with a broken picture in it: that would be left out without a word."""
    from lxml import etree

    seen: set[str] = set()
    for node in root.iter():
        for key, value in node.attrib.items():
            found = _INNER_IMAGE.match(value) if etree.QName(key).localname == "href" else None
            if found is None or value in seen:
                continue
            seen.add(value)
            try:
                data = _ESCAPED.sub(lambda one: chr(int(one[1], 16)), value[found.end() :])
                inner = base64.b64decode(data)
                kind = kind_of(inner[:4096])
                if kind not in _INNER_KINDS:
                    raise ValueError
                decode_raster(inner, kind, limits)
            except UnreadableError as error:
                if error.code == "bomb":
                    raise
                raise UnreadableError("damaged", _INNER_BROKEN) from error
            except (ValueError, OSError, SyntaxError, EOFError) as error:
                raise UnreadableError("damaged", _INNER_BROKEN) from error


def _drop(node: Any) -> None:
    """Take a node out of its tree and keep the text after it."""
    parent = node.getparent()
    if parent is None:
        return
    if node.tail:
        before = node.getprevious()
        if before is not None:
            before.tail = (before.tail or "") + node.tail
        else:
            parent.text = (parent.text or "") + node.tail
    parent.remove(node)


def _svg_size(root: Any, most_pixels: int) -> tuple[tuple[int, int], tuple[float, float] | None]:
    """Return ((w, h) px to draw, dpi or None); fills in the viewBox so that the drawing scales."""
    box = _view_box(root)
    lengths = [_LENGTH.fullmatch(root.get(key, "100%")) for key in ("width", "height")]
    units = [match[2] if match else "%" for match in lengths]
    values = [float(match[1]) if match else 100.0 for match in lengths]
    if box is None:
        if "%" in units or min(values) <= 0:
            raise UnreadableError(
                "no-page",
                "This SVG file gives no size. Save it with the width and height of the paper.",
            )
        user = [v * 96 * _UNIT_INCHES.get(u, 1 / 96) for v, u in zip(values, units, strict=True)]
        root.set("viewBox", f"0 0 {user[0]:.9g} {user[1]:.9g}")
        box = (user[0], user[1])
    if all(unit in _UNIT_INCHES for unit in units) and min(values) > 0:
        inches = [v * _UNIT_INCHES[u] for v, u in zip(values, units, strict=True)]
        dpi = min(DRAWN_DPI, math.sqrt(most_pixels / (inches[0] * inches[1])))
        size = tuple(max(1, round(side * dpi)) for side in inches)
        return (size[0], size[1]), (size[0] / inches[0], size[1] / inches[1])
    shape = box if "%" in units or min(values) <= 0 else (values[0], values[1])
    scale = min(UNSIZED_PX / max(shape), math.sqrt(most_pixels / (shape[0] * shape[1])))
    return (max(1, round(shape[0] * scale)), max(1, round(shape[1] * scale))), None


def _view_box(root: Any) -> tuple[float, float] | None:
    """Return the (width, height) of the viewBox, or None where there is no usable one."""
    try:
        numbers = [float(word) for word in re.split(r"[\s,]+", root.get("viewBox", "").strip())]
    except ValueError:
        return None
    usable = len(numbers) == 4 and all(map(math.isfinite, numbers)) and min(numbers[2:]) > 0
    return (numbers[2], numbers[3]) if usable else None
