"""The QR code of a printed proof: where it stands on the sheet, and what it says in a picture.

Its place hangs on the blank alone, so that the corner marks of the sheet lead to it: only that
small patch is straightened and read, never the whole picture. The code is ISO/IEC 18004.
"""

import contextlib
from collections.abc import Iterator
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.limits import Blank
from geometry.markers import GAP_MM

Grey = NDArray[Any]  # uint8
Floats = NDArray[np.float64]

CODE_MM: Final = 20.0  # the dark squares, without the quiet zone
QUIET_MM: Final = 3.0  # white round it; four modules are less for any address that is printed
MOST_LETTERS: Final = 300
MOST_MODULES: Final = 57  # version 10; finer than 0.35 mm is not printed
_PATCH_PX_PER_MM: Final = 16.0
_CLEAN_PX: Final = 6  # a module of the code drawn anew
_CLEAN_QUIET_PX: Final = 4 * _CLEAN_PX


def code_corner_mm(blank: Blank) -> tuple[float, float]:
    """Return the top left corner of the code's dark squares, in the blank's frame.

    It stands below the blank in its middle, between the two lower corner marks.
    """
    return (blank.width_mm - CODE_MM) / 2, blank.height_mm + GAP_MM + 1.0


def read_printed_code(grey: Grey, corners_px: Floats, blank: Blank) -> str | None:
    """Return what the code below a printed blank says, or None where there is none to be read.

    grey: (h, w) uint8 picture. corners_px: (4, 2) x, y of the blank's TL TR BR BL in it, pixel
    centres at integers. Whatever it says is only text; nothing is made of it here.
    """
    if grey.ndim != 2 or np.shape(corners_px) != (4, 2):
        raise ValueError("read_printed_code needs a grey picture (h, w) and four corners (4, 2)")
    patch = _patch(grey, np.asarray(corners_px, float), blank)
    detector = cv2.QRCodeDetector()
    clean = _drawn_clean(patch)
    # A damaged code may be found and not told, or hold bytes that are no text.
    if clean is not None:
        with contextlib.suppress(cv2.error, UnicodeError, ValueError):
            # its corners are known: the detector's own search misses some that are clear
            left, right = _CLEAN_QUIET_PX, clean.shape[0] - _CLEAN_QUIET_PX
            corners = np.array(
                [[(left, left), (right, left), (right, right), (left, right)]], np.float32
            )
            text, _ = detector.decode(clean, corners)
            if text:
                return str(text)[:MOST_LETTERS]
    for look in _looks(patch):
        with contextlib.suppress(cv2.error, UnicodeError, ValueError):
            text, _, _ = detector.detectAndDecode(look)
            if text:
                return str(text)[:MOST_LETTERS]
    return None


def _patch(grey: Grey, corners_px: Floats, blank: Blank) -> Grey:
    """Return the code's place with its quiet zone, straightened."""
    left, top = code_corner_mm(blank)
    side_mm = CODE_MM + 2 * QUIET_MM
    side_px = round(side_mm * _PATCH_PX_PER_MM)
    width, height = blank.size_mm
    frame = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    to_px = cv2.getPerspectiveTransform(frame, corners_px.astype(np.float32))
    step = 1 / _PATCH_PX_PER_MM
    to_mm = np.array(
        [
            [step, 0, left - QUIET_MM + step / 2],
            [0, step, top - QUIET_MM + step / 2],
            [0, 0, 1],
        ]
    )
    return cv2.warpPerspective(
        grey,
        to_px @ to_mm,
        (side_px, side_px),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=255,
    )


def _looks(patch: Grey) -> Iterator[Grey]:
    """Yield the patch as it is, then evened out and sharpened in ways that help a faint code."""
    yield patch
    soft = cv2.GaussianBlur(patch, (0, 0), 2.0)
    yield cv2.threshold(soft, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1]
    sharp = cv2.addWeighted(patch, 2.2, cv2.GaussianBlur(patch, (0, 0), 4.0), -1.2, 0)
    yield sharp
    yield cv2.threshold(sharp, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)[1]
    yield cv2.adaptiveThreshold(soft, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, 121, 4)
    for size in (0.5, 0.75, 1.5):
        yield cv2.resize(patch, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)


def _drawn_clean(patch: Grey) -> Grey | None:
    """Return the code drawn anew from the middles of its modules, None where it has no such grid.

    Its place is known, so only the number of modules is looked for: that at which the timing
    patterns alternate (ISO/IEC 18004, 6.3.5).
    """
    soft = cv2.GaussianBlur(patch, (0, 0), 1.5)
    # halfway between the lightest and the darkest nearby: a shadow may lie across it
    near = np.ones((65, 65), np.uint8)
    level = cv2.addWeighted(cv2.dilate(soft, near), 0.5, cv2.erode(soft, near), 0.5, 0)
    is_light = soft > cv2.GaussianBlur(level, (0, 0), 12)
    for count in range(21, MOST_MODULES + 1, 4):
        places = (np.arange(count) + 0.5) * CODE_MM / count + QUIET_MM
        at = np.rint(places * _PATCH_PX_PER_MM - 0.5).astype(int)
        light = is_light[np.ix_(at, at)]
        timing = np.concatenate([light[6, 8 : count - 8], light[8 : count - 8, 6]])
        expected = np.tile(np.arange(8, count - 8) % 2 == 1, 2)
        if np.mean(timing == expected) > 0.9:
            square = np.ones((_CLEAN_PX, _CLEAN_PX), np.uint8)
            drawn = np.kron(np.where(light, 255, 0).astype(np.uint8), square)
            return np.pad(drawn, _CLEAN_QUIET_PX, constant_values=255)
    return None
