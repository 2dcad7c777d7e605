"""What unpacks one picture, in a child process that decode_child.py starts and can kill.

Reads the file from standard input and writes, to standard output, one line of JSON and then the
picture as a PGM (netpbm, binary grey). Rooms of memory, processor time and files are limited
before the first byte is read. Imports are light on purpose: start-up is part of an answer.
"""

import importlib
import json
import math
import os
import signal
import sys
import warnings
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geometry.child_guard import Guard

_USUAL_MODULES = (
    "geometry.errors",
    "geometry.whole_rows",
    "resource",
    "PIL.ImageChops",
    "PIL.MpoImagePlugin",
    "PIL.TiffImagePlugin",
    "PIL.WebPImagePlugin",
)

PICTURE_KINDS = "PNG, JPEG, WebP, TIFF, GIF, HEIC, SVG or PDF"


@dataclass(frozen=True)
class Decoded:
    """An unpacked picture: a Pillow image of mode L, white paper is 255.

    dpi: pixels per inch along x and y as displayed, or None. full_size: (w, h) px as displayed
    before it was reduced. drawn: True where the size comes from a page description.
    """

    image: Any
    dpi: tuple[float, float] | None
    full_size: tuple[int, int]
    drawn: bool = False


def kind_of(head: bytes) -> str | None:
    """Return the kind of a file by its first bytes (4096 are enough), or None if it is not read."""
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head[:6] in (b"GIF87a", b"GIF89a"):
        return "GIF"
    brands = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
    if head[4:8] == b"ftyp" and head[8:12] in brands:
        return "HEIC"
    if b"%PDF-" in head[:1024]:
        return "PDF"
    text = head.replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    if text.startswith(b"<") and (b"<svg" in text or b":svg" in text or text.startswith(b"<?xml")):
        return "SVG"
    return None


def decode(data: bytes, limits: dict[str, int]) -> tuple[str, Decoded]:
    """Return (kind, picture) of a file's bytes. Raises geometry.errors.UnreadableError."""
    from geometry.errors import UnreadableError

    kind = kind_of(data[:4096])
    if kind is None:
        raise UnreadableError(
            "unsupported", f"This file is not a picture that can be read. Send {PICTURE_KINDS}."
        )
    if kind == "SVG":
        from geometry.decode_drawn import decode_svg

        return kind, decode_svg(data, limits)
    if kind == "PDF":
        from geometry.decode_drawn import decode_pdf

        return kind, decode_pdf(data, limits)
    return kind, decode_raster(data, kind, limits)


def decode_raster(data: bytes, kind: str, limits: dict[str, int]) -> Decoded:
    """Return the first picture of a raster file, upright, grey, no larger than is kept."""
    from PIL import Image, UnidentifiedImageError

    from geometry.errors import UnreadableError
    from geometry.whole_rows import NotWholeError, load_whole

    Image.MAX_IMAGE_PIXELS = limits["most_pixels"]
    sizes = []

    def opened() -> Any:
        image = _open(data, kind)
        if image.width * image.height > limits["most_pixels"]:
            raise Image.DecompressionBombError
        sizes.append(image.size)
        if kind == "TIFF" and image.tag_v2.get(0x0112) in (5, 6, 7, 8) and "dpi" in image.info:
            # Pillow turns a TIFF while loading it, but its resolution stays as stored.
            image.info["dpi"] = image.info["dpi"][::-1]
        if kind == "JPEG" and image.width * image.height > limits["kept_pixels"]:
            image.draft(None, (image.width // 2, image.height // 2))
        return image

    try:
        image = load_whole(opened)
    except NotWholeError as error:
        raise UnreadableError("damaged", str(error)) from error
    except (Image.DecompressionBombError, Image.DecompressionBombWarning, MemoryError) as error:
        most = limits["most_pixels"] // 1_000_000
        raise UnreadableError(
            "bomb",
            f"This picture has more than {most} million pixels when unpacked. "
            "Save it smaller; 300 dots per inch are plenty.",
        ) from error
    except UnidentifiedImageError as error:
        raise UnreadableError(
            "damaged", f"This {kind} file is broken and cannot be opened. Save or send it again."
        ) from error
    return _upright(image, kind, sizes[0], limits)


def _open(data: bytes, kind: str) -> Any:
    """Return a Pillow image, opened as the kind that its first bytes say and no other."""
    from PIL import Image

    if kind == "HEIC":
        import pillow_heif

        pillow_heif.register_heif_opener()
        return Image.open(BytesIO(data), formats=["HEIF"])
    return Image.open(BytesIO(data), formats=["JPEG", "MPO"] if kind == "JPEG" else [kind])


def _upright(image: Any, kind: str, size: tuple[int, int], limits: dict[str, int]) -> Decoded:
    """Return a loaded image as grey, reduced to what is kept and turned the way it is shown."""
    from PIL import Image

    dpi, turn = _tags(image)
    grey = to_grey(image)
    while grey.width * grey.height > limits["kept_pixels"]:
        grey = grey.reduce(2)
    if dpi is not None:
        dpi = (dpi[0] * grey.width / size[0], dpi[1] * grey.height / size[1])
    turns = Image.Transpose
    method = {
        2: turns.FLIP_LEFT_RIGHT,
        3: turns.ROTATE_180,
        4: turns.FLIP_TOP_BOTTOM,
        5: turns.TRANSPOSE,
        6: turns.ROTATE_270,
        7: turns.TRANSVERSE,
        8: turns.ROTATE_90,
    }.get(1 if kind == "HEIC" else turn)
    if method is not None:
        grey = grey.transpose(method)
        if turn >= 5:
            size, dpi = size[::-1], dpi and dpi[::-1]
    return Decoded(grey, dpi, size)


def to_grey(image: Any) -> Any:
    """Return an image of mode L: half luma, half the darkest channel, on white paper.

    Luma alone loses a yellow pen, the darkest channel alone doubles the noise of a dim photograph.
    """
    from PIL import Image, ImageChops

    if image.mode.startswith("I;16"):
        image = image.convert("I")
    if image.mode == "I":
        return image.point(lambda value: value * (1 / 257) + 0).convert("L")
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        clear = image.convert("RGBA")
        image = Image.new("RGB", clear.size, "white")
        image.paste(clear, mask=clear.getchannel("A"))
    if image.mode == "L":
        return image
    if image.mode == "1":
        return image.convert("L")
    colour = image if image.mode == "RGB" else image.convert("RGB")
    red, green, blue = colour.split()
    darkest = ImageChops.darker(ImageChops.darker(red, green), blue)
    return Image.blend(darkest, colour.convert("L"), 0.5)


def _tags(image: Any) -> tuple[tuple[float, float] | None, int]:
    """Return (dpi or None, EXIF orientation 1-8) of a loaded image; broken tags count as none."""
    dpi = _dpi(image.info.get("dpi"))
    try:
        exif = image.getexif()
        turn = int(exif.get(0x0112, 1))
        camera = exif.get_ifd(0x8769)
    except Exception:  # a broken tag must not cost the picture
        return dpi, 1
    # A camera's dpi tag says nothing of the paper: exposure time and f-number mark a photograph.
    if 0x829A in camera or 0x829D in camera:
        dpi = None
    return dpi, turn if 1 <= turn <= 8 else 1


def _dpi(tag: Any) -> tuple[float, float] | None:
    """Return a dpi tag as two sane floats or None."""
    try:
        x, y = float(tag[0]), float(tag[1])
    except (TypeError, ValueError, IndexError, ZeroDivisionError):
        return None
    if not all(math.isfinite(value) and 20 <= value <= 10_000 for value in (x, y)):
        return None
    return x, y


def preload() -> None:
    """Import what the usual kinds need, so that a child forked afterwards begins at once.

    HEIC, SVG and PDF stay out: their libraries are large, and are loaded by the child.
    """
    for module in _USUAL_MODULES:
        importlib.import_module(module)
    from PIL import Image

    Image.preinit()  # GIF, JPEG, PNG, and PPM to answer with


def _limit(limits: dict[str, Any]) -> None:
    """Bound memory (bytes), processor time (s), the clock and file size (none) of this process."""
    import resource

    for name, value in (
        ("RLIMIT_AS", limits["memory_bytes"]),
        ("RLIMIT_CPU", limits["processor_seconds"]),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CORE", 0),
    ):
        try:
            # A second between soft and hard: the first ends the process by a signal of its own.
            hard = value + (name == "RLIMIT_CPU")
            resource.setrlimit(getattr(resource, name), (value, hard))
        except (AttributeError, ValueError, OSError):
            continue  # this system does not know that limit; the wall clock still holds
    # The reader kills sooner; this is for a child whose reader is gone.
    signal.alarm(math.ceil(limits["wall_seconds"]) + 1)


def _answer(data: bytes, limits: dict[str, int]) -> tuple[dict[str, Any], Any]:
    """Return (header, image or None): the picture, or the error in words."""
    from geometry.errors import UnreadableError

    try:
        kind, found = decode(data, limits)
    except UnreadableError as error:
        return {"error": [error.code, error.message]}, None
    except MemoryError:
        message = "This picture takes too much memory to unpack. Save it smaller."
        return {"error": ["bomb", message]}, None
    except Exception:  # whatever a decoder makes of hostile bytes, the file is at fault
        message = "This file is cut short or broken. Save or send it again."
        return {"error": ["damaged", message]}, None
    header = {
        "kind": kind,
        "size": found.image.size,
        "full_size": found.full_size,
        "dpi": found.dpi,
        "drawn": found.drawn,
    }
    return header, found.image


def answer(limits: dict[str, Any], guard: "Guard") -> None:
    """Decode standard input to standard output within limits (those of picture.ReadLimits).

    With "try_door" among the limits nothing is read: the child says whether the door is shut.
    """
    _limit(limits)
    guard.close()
    warnings.simplefilter("ignore")
    out = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # no library may write between the bytes
    if limits.get("try_door"):
        from geometry.child_guard import try_door

        os.write(out, json.dumps({"closed": try_door()}).encode() + b"\n")
        return
    os.lseek(0, 0, os.SEEK_SET)  # a child that died may have read from it before
    size = min(os.fstat(0).st_size, limits["most_bytes"])
    with os.fdopen(0, "rb", closefd=False) as file:
        data = file.read(size)  # no more than the size, as room is made for all that is asked for
    header, image = _answer(data, limits)
    with os.fdopen(out, "wb") as stream:
        stream.write(json.dumps(header).encode() + b"\n")
        if image is not None:
            image.save(stream, "PPM")  # grey, so PGM: written from the image's own memory


def main() -> None:
    """Answer once, with the limits and paths given as JSON."""
    given = json.loads(sys.argv[1])
    sys.path[:] = given["path"]
    from geometry.child_guard import Guard

    answer(given["limits"], Guard())


if __name__ == "__main__":
    main()
    os._exit(0)  # skip the tear-down of libraries: nothing is left to save
