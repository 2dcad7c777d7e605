"""Printed drawing sheets: four corner markers that say where the blank lies and how large it is.

A sheet carries ArUco markers (Garrido-Jurado and others, Automatic generation and detection of
highly reliable fiducial markers under occlusion, Pattern Recognition 47, 2014) of OpenCV's
4x4 dictionary of 50. A marker's id is 4 times the blank's place in SHEETS plus its corner: 0 top
left, 1 top right, 2 bottom right, 3 bottom left. They lie above and below the blank, flush with
its sides. All lengths in mm, in the blank's frame: origin its top left, y down.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.errors import UnreadableError
from geometry.limits import BLANKS, Blank
from geometry.paper_fit import refine_quad
from geometry.paper_lines import COARSE_PX, Overview

Grey = NDArray[Any]  # uint8
Floats = NDArray[np.float64]

# The order is part of the printed sheets: add at the end, never change. Ten more fit.
SHEETS: Final = ("6x6in", "4x4in", "2.5x3.5in", "8x8in", "5x7in", "a5")
MARKER_MM: Final = 12.0
GAP_MM: Final = 3.0  # from the blank to the markers' near edges
MODULES: Final = 6  # a marker is 4 x 4 bits in a black border one module wide
FRAME_MM: Final = 0.35  # the frame's stroke; its inner edge is the blank's edge
LINE_MM: Final = 0.2  # the margin line's stroke, its middle on the margin
RIM_MM: Final = 0.8  # how much inside the frame is not looked at

CORNERS: Final = ("top left", "top right", "bottom right", "bottom left")
_LOOKS_PX: Final = (COARSE_PX, 1800)  # longest side: first; and again where some are seen
_LEAST_SIDE_PX: Final = 9.0  # of a marker on the coarse picture
_ROUGH_PX: Final = 2.5  # how far a corner on the coarse picture may be off
_FIT_MM: Final = 0.5  # how far the markers may be from where the sheet has them
_LINE_REACH_MM: Final = 0.45  # how far the margin line may be from its place
_PALE: Final = 0.5  # the printed lines are paler than this share of the paper's grey


@dataclass(frozen=True)
class Sheet:
    """A drawing sheet seen in a picture. corners_px: the blank's (4, 2) TL TR BR BL, of `grey`."""

    blank: Blank
    corners_px: Floats


def marker_id(blank_code: str, corner: int) -> int:
    """Return the id of a marker: corner 0 top left, 1 top right, 2 bottom right, 3 bottom left."""
    return 4 * SHEETS.index(blank_code) + corner


def marker_boxes_mm(blank: Blank) -> list[tuple[float, float]]:
    """Return the top left corners of the four markers, in the order of their ids."""
    right, above = blank.width_mm - MARKER_MM, -GAP_MM - MARKER_MM
    below = blank.height_mm + GAP_MM
    return [(0.0, above), (right, above), (right, below), (0.0, below)]


def marker_modules(number: int) -> NDArray[np.bool_]:
    """Return which modules (6, 6) of a marker are black, its border included."""
    picture = cv2.aruco.generateImageMarker(_dictionary(), number, MODULES, borderBits=1)
    return np.asarray(picture) < 128


def find_sheet(overview: Overview) -> Sheet | None:
    """Return the drawing sheet in the picture of an overview, or None where there is none.

    All four markers of one blank, in their places within 0.5 mm, are asked for, so that nothing
    drawn passes for them. Raises UnreadableError("no-page") where just one of the four is missing.
    """
    grey = overview.grey
    if min(grey.shape) < 60:
        return None
    for longest_px in _LOOKS_PX:
        coarse, scale = overview.shrunk(longest_px)
        seen = _detected(coarse)
        best = max(range(len(SHEETS)), key=lambda slot: len(_of_slot(seen, slot)))
        mine = {k: (quad + 0.5) * scale - 0.5 for k, quad in _of_slot(seen, best).items()}
        if not mine or (len(mine) == 4 or coarse.size == grey.size):
            break
    blank = BLANKS[SHEETS[best]]
    rough_px = _ROUGH_PX * float(scale.max())
    if len(mine) < 3 or _sheet_from(blank, mine, rough_px) is None:
        return None
    exact = {k: refine_quad(grey, quad, dark_inside=True) for k, quad in mine.items()}
    found = _sheet_from(blank, exact)
    if found is not None and len(mine) == 3:
        raise _one_missing(found, ({0, 1, 2, 3} - set(mine)).pop(), grey.shape)
    return found


def clear_printed_lines(grey: Grey, px_per_mm: float, blank: Blank) -> Grey:
    """Return a straightened sheet (h, w) without its printed margin line.

    Along the line's place what is thin and pale across it is lifted to the paper around it; the
    artist's ink is darker, wider, or crosses it, and stays.
    """
    margin, size = blank.margin_mm, blank.size_mm
    out = grey.copy()
    for axis, (across_mm, along_mm) in enumerate((size[::-1], size)):
        for middle_mm in (margin, across_mm - margin):
            along = (margin - 1.0, along_mm - margin + 1.0)
            view = out if axis == 0 else out.T
            _clear_line(view, middle_mm * px_per_mm, [end * px_per_mm for end in along], px_per_mm)
    return out


def _clear_line(grey: Grey, row: float, columns: list[float], px_per_mm: float) -> None:
    """Lift a pale level line, thin and at about that row, in place; darker ink stays."""
    reach, context = _LINE_REACH_MM * px_per_mm, math.ceil(2 * px_per_mm)
    top, bottom = max(0, round(row - reach)), round(row + reach) + 1
    left, right = max(0, round(columns[0])), round(columns[1])
    start = max(0, top - context)
    part = np.ascontiguousarray(grey[start : bottom + context, left:right])
    if not part.size:
        return
    length = 2 * math.ceil((LINE_MM + 0.35) * px_per_mm / 2) + 1
    closed = cv2.morphologyEx(part, cv2.MORPH_CLOSE, np.ones((length, 1), np.uint8))
    closed = np.maximum(part, cv2.medianBlur(closed, 3))
    paper = cv2.blur(closed, (1 + 2 * context, 1)).astype(np.float32)
    ink = (part < _PALE * paper).astype(np.uint8)
    wide = 2 * math.ceil(0.25 * px_per_mm) + 1
    ink = cv2.dilate(ink, np.ones((wide, wide), np.uint8))
    band = slice(top - start, bottom - start)
    grey[top:bottom, left:right] = np.where(ink[band] > 0, part[band], closed[band])


def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


def _detected(coarse: Grey) -> dict[int, Floats]:
    """Return the corners (4, 2) of every marker seen once, by id, from its own top left on."""
    rules = cv2.aruco.DetectorParameters()
    rules.adaptiveThreshWinSizeMin = rules.adaptiveThreshWinSizeMax = 15
    rules.minMarkerPerimeterRate = 4 * _LEAST_SIDE_PX / max(coarse.shape)
    rules.maxMarkerPerimeterRate = 1.2
    rules.errorCorrectionRate = 0.0
    corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), rules).detectMarkers(coarse)
    if numbers is None:
        return {}
    seen: dict[int, list[Floats]] = {}
    for quad, number in zip(corners, np.ravel(numbers), strict=True):
        seen.setdefault(int(number), []).append(np.asarray(quad, float).reshape(4, 2))
    return {number: quads[0] for number, quads in seen.items() if len(quads) == 1}


def _of_slot(seen: dict[int, Floats], slot: int) -> dict[int, Floats]:
    """Return the markers of one blank by corner."""
    return {k: seen[4 * slot + k] for k in range(4) if 4 * slot + k in seen}


def _sheet_from(blank: Blank, quads: dict[int, Floats], rough_px: float = 0.0) -> Sheet | None:
    """Return the sheet whose markers these are, or None where they are not in their places.

    Each corner may be _FIT_MM off, or `rough_px` where it was only seen roughly.
    """
    square = MARKER_MM * np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)
    boxes = marker_boxes_mm(blank)
    true = np.concatenate([square + boxes[k] for k in quads])
    seen = np.concatenate(list(quads.values()))
    to_mm, _ = cv2.findHomography(seen, true, 0)
    if to_mm is None or not np.isfinite(to_mm).all() or abs(np.linalg.det(to_mm)) < 1e-12:
        return None
    off_mm = np.linalg.norm(cv2.perspectiveTransform(seen[None], to_mm)[0] - true, axis=1)
    sides = np.linalg.norm(
        np.roll(seen.reshape(-1, 4, 2), -1, axis=1).reshape(-1, 2) - seen, axis=1
    )
    if off_mm.max() > max(_FIT_MM, rough_px * MARKER_MM / max(float(sides.mean()), 1e-6)):
        return None
    width, height = blank.size_mm
    frame = np.array([[(0, 0), (width, 0), (width, height), (0, height)]], float)
    return Sheet(blank, cv2.perspectiveTransform(frame, np.linalg.inv(to_mm))[0])


def _one_missing(sheet: Sheet, corner: int, shape: tuple[int, ...]) -> UnreadableError:
    """Return the error of a sheet with three markers only."""
    width, height = sheet.blank.size_mm
    frame = np.array([(0, 0), (width, 0), (width, height), (0, height)], np.float32)
    to_px = cv2.getPerspectiveTransform(frame, sheet.corners_px.astype(np.float32))
    square = MARKER_MM * np.array([[(0, 0), (1, 0), (1, 1), (0, 1)]], float)
    at = cv2.perspectiveTransform(square + marker_boxes_mm(sheet.blank)[corner], to_px)[0]
    inside = (at >= 1).all() and (at <= np.array(shape[::-1]) - 2).all()
    why = "is covered or blurred" if inside else "is out of the picture"
    return UnreadableError(
        "no-page",
        f"The {CORNERS[corner]} corner mark of the drawing sheet {why}. Take the picture again "
        "with all four corner marks clear in view.",
    )
