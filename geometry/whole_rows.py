"""Whether every row of a picture came with its file, or some were left as memory was made.

A PNG or TIFF may hold fewer rows than its head says, and a JPEG may end early with its end mark in
place. Decoders take that for a picture: rows that never came stay black (0), or, in a JPEG, the
middle grey of blocks without a coefficient (128; ITU-T T.81, A.3.1). Black would be cut.

Runs in the child processes of decode.py and of photographs only.
"""

from collections.abc import Callable
from typing import Any

_SENTENCE = (
    "A part of this picture is missing: its file ends before its last row. "
    "Save it again, or take the photo again, and send that."
)
_FILLED_FIRST = ("PNG", "TIFF")  # the other decoders refuse a short file, but for JPEG
_UNLIKELY, _OTHER = 91, 164
_BLOCK_ROWS = 4  # of the last blocks of a JPEG; the row above them may blend into these
_MIDDLE = 128


class NotWholeError(ValueError):
    """A part of the picture is not in its file; the text is a sentence for the page."""


def load_whole(open_image: Callable[[], Any]) -> Any:
    """Return an image that is opened and then loaded, with every row of it from its file.

    open_image: gives the file as a Pillow image that is not loaded yet, each time it is called.
    PNG and TIFF are unpacked over an unlikely grey; where that is left at the edge they are
    unpacked once more over another. Raises NotWholeError where a row is missing.
    """
    image = open_image()
    if image.format not in _FILLED_FIRST:
        image.load()
        if image.format in ("JPEG", "MPO") and _ends_in_middle_grey(image):
            raise NotWholeError(_SENTENCE)
        return image
    _load_over(image, _UNLIKELY)
    if _may_be_short(image):
        again = open_image()
        _load_over(again, _OTHER)
        if _edge(again) != _edge(image):
            raise NotWholeError(_SENTENCE)
    return image


def _load_over(image: Any, grey: int) -> None:
    """Load an image over a grey of 0-255; over black or white where it has only these."""
    from PIL import Image

    if image.mode == "1":
        grey = 255 * (grey == _OTHER)
    count = len(image.getbands())
    # A TIFF is turned after it was unpacked: its memory has the size as stored.
    size = getattr(image, "_tile_size", image.size)
    image.im = Image.new(image.mode, size, grey if count == 1 else (grey,) * count).im
    image.load()


def _edge(image: Any) -> list[bytes]:
    """Return the outermost rows and columns: what comes last in a file ends in one of them."""
    width, height = image.size
    boxes = (
        (0, 0, width, 1),
        (0, height - 1, width, height),
        (0, 0, 1, height),
        (width - 1, 0, width, height),
    )
    return [image.crop(box).tobytes() for box in boxes]


def _may_be_short(image: Any) -> bool:
    """Return whether a corner, or any of the edge of an interlaced PNG, is as memory was made."""
    left = 0 if image.mode == "1" else _UNLIKELY
    if image.info.get("interlace"):
        return any(left in row for row in _edge(image))
    width, height = image.size
    corners = [(0, 0), (width - 1, 0), (0, height - 1), (width - 1, height - 1)]
    return any(left in image.crop((x, y, x + 1, y + 1)).tobytes() for x, y in corners)


def _ends_in_middle_grey(image: Any) -> bool:
    """Return whether the last blocks of a JPEG are nothing but middle grey, and the first are not.

    A drawing on a plain ground of that grey has it above as well.
    """
    if image.mode not in ("L", "RGB"):
        return False
    return _is_middle_grey(image, image.height - _BLOCK_ROWS) and not _is_middle_grey(image, 0)


def _is_middle_grey(image: Any, row: int) -> bool:
    found = image.crop((0, max(0, row), image.width, row + _BLOCK_ROWS)).getextrema()
    bands = found if image.mode == "RGB" else (found,)
    return all(band == (_MIDDLE, _MIDDLE) for band in bands)
