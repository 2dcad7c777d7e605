"""The child process that redraws one photograph; photos.py starts it and can kill it.

Reads the file from standard input and writes one line of JSON and then the JPEG to standard output.
Memory, processor time and files are limited before the first byte is read.
"""

import json
import os
import sys
import warnings
from io import BytesIO
from typing import Any

UNREADABLE = "This file is not a photo that can be read. Send JPEG, PNG, WebP or HEIC."


def redraw(data: bytes, limits: dict[str, int]) -> bytes:
    """Return a photograph as a JPEG turned upright, made smaller, with nothing but its pixels.

    Raises ValueError with a sentence for the page.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    from geometry.whole_rows import load_whole

    Image.MAX_IMAGE_PIXELS = limits["most_pixels"]
    longest = limits["longest_px"]

    def opened() -> Any:
        image = _open(data)
        if image.width * image.height > limits["most_pixels"]:
            raise Image.DecompressionBombError
        if image.format in ("JPEG", "MPO"):
            image.draft("RGB", (longest, longest))
        return image

    try:
        image = load_whole(opened)
        is_heic = image.format == "HEIF"
        # HEIC arrives turned already; for the rest the camera's tag says how it was held.
        upright = image if is_heic else ImageOps.exif_transpose(image)
        upright.thumbnail((longest, longest))
        return _as_jpeg(upright)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning, MemoryError) as error:
        most = limits["most_pixels"] // 1_000_000
        raise ValueError(f"This photo has more than {most} million pixels. Save it smaller.") from (
            error
        )
    except (UnidentifiedImageError, OSError, SyntaxError) as error:
        raise ValueError(UNREADABLE) from error


def _open(data: bytes) -> Any:
    """Return a Pillow image, opened as the kind that its first bytes say and no other."""
    from PIL import Image

    from geometry.decode import kind_of

    kind = kind_of(data[:4096])
    if kind == "HEIC":
        import pillow_heif

        pillow_heif.register_heif_opener()
    formats = {"JPEG": ["JPEG", "MPO"], "PNG": ["PNG"], "WEBP": ["WEBP"], "HEIC": ["HEIF"]}
    if kind not in formats:
        raise ValueError(UNREADABLE)
    return Image.open(BytesIO(data), formats=formats[kind])


def _as_jpeg(image: Any) -> bytes:
    """Encode on white, from a fresh picture: no tag, profile or thumbnail comes along."""
    from PIL import Image

    clear = image.convert("RGBA")
    plain = Image.new("RGB", clear.size, "white")
    plain.paste(clear, mask=clear.getchannel("A"))
    out = BytesIO()
    plain.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()


def _limit(limits: dict[str, int]) -> None:
    """Bound memory (bytes), processor time (s) and file size (none) of this process."""
    import resource

    for name, value in (
        ("RLIMIT_AS", limits["memory_bytes"]),
        ("RLIMIT_CPU", limits["processor_seconds"]),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CORE", 0),
    ):
        try:
            resource.setrlimit(getattr(resource, name), (value, value + (name == "RLIMIT_CPU")))
        except (AttributeError, ValueError, OSError):
            continue  # this system does not know that limit; the wall clock still holds


def main() -> None:
    """Redraw standard input to standard output with the limits and paths given as JSON."""
    given = json.loads(sys.argv[1])
    _limit(given["limits"])
    sys.path[:] = given["path"]
    from geometry.child_guard import Guard

    Guard().close()  # no network, no new program or file from here on
    warnings.simplefilter("ignore")
    out = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # no library may write between the bytes
    try:
        with os.fdopen(0, "rb", closefd=False) as file:
            photo = redraw(file.read(), given["limits"])
        header: dict[str, object] = {"bytes": len(photo)}
    except ValueError as error:
        header, photo = {"error": str(error)}, b""
    except Exception:  # whatever a decoder makes of hostile bytes, the file is at fault
        header = {"error": "This photo is cut short or broken. Take or send it again."}
        photo = b""
    with os.fdopen(out, "wb") as stream:
        stream.write(json.dumps(header).encode() + b"\n" + photo)


if __name__ == "__main__":
    main()
    os._exit(0)  # skip the tear-down of libraries: nothing is left to save
