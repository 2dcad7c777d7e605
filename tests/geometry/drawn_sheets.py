"""Printed drawing sheets with a drawing on them, as a scanner or a camera sees them."""

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry import markers
from geometry.limits import BLANKS, Blank
from tests.geometry import drawings

Grey = NDArray[np.uint8]
PAPER_LEVEL = 245


def sheet(
    blank: Blank,
    px_per_mm: float,
    *,
    drawing: drawings.Drawing | None = None,
    page_mm: tuple[float, float] = (215.9, 279.4),
    top_mm: float = 40.0,
    frame: bool = True,
) -> tuple[Grey, tuple[float, float]]:
    """Return (the page (h, w), where the blank's top left lies on it, mm).

    Laid out here anew from what docs/geometry.md says of the marks, drawn 4 times finer.
    """
    fine = 4
    scale = px_per_mm * fine
    at = ((page_mm[0] - blank.width_mm) / 2, top_mm)
    page = np.full(
        [round(side * px_per_mm) * fine for side in page_mm[::-1]], PAPER_LEVEL, np.uint8
    )
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    first = 4 * ("6x6in", "4x4in", "2.5x3.5in", "8x8in", "5x7in", "a5").index(blank.code)
    right, bottom = at[0] + blank.width_mm, at[1] + blank.height_mm
    places = [(at[0], at[1] - 15), (right - 12, at[1] - 15), (right - 12, bottom + 3)]
    for corner, (x, y) in enumerate([*places, (at[0], bottom + 3)]):
        low = (np.array([y, x]) * scale).round().astype(int)
        high = (np.array([y + 12, x + 12]) * scale).round().astype(int)
        mark = cv2.aruco.generateImageMarker(dictionary, first + corner, 600)
        size = (int(high[1] - low[1]), int(high[0] - low[0]))
        mark = cv2.resize(mark, size, interpolation=cv2.INTER_NEAREST)
        page[low[0] : high[0], low[1] : high[1]] = np.where(mark < 128, 30, PAPER_LEVEL)
    if frame:
        _frame(page, at, blank, scale)
    page = cv2.resize(page, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    if drawing is not None:
        x, y = (round(value * px_per_mm) for value in at)
        part = drawings.paint(drawings.shifted(drawing, (at[0] - x / px_per_mm, 0)), px_per_mm)
        over = page[y : y + part.shape[0], x : x + part.shape[1]]
        np.minimum(over, part, out=over)
    return page, at


def _frame(page: Grey, at: tuple[float, float], blank: Blank, scale: float) -> None:
    """Draw the frame just outside the blank and the pale dashed line at its margin."""

    def bar(left: float, top: float, right: float, bottom: float, value: int) -> None:
        x0, y0, x1, y1 = (round(side * scale) for side in (left, top, right, bottom))
        page[y0:y1, x0:x1] = value

    (left, top), thick = at, markers.FRAME_MM
    right, bottom = left + blank.width_mm, top + blank.height_mm
    bar(left - thick, top - thick, right + thick, top, 35)
    bar(left - thick, bottom, right + thick, bottom + thick, 35)
    bar(left - thick, top, left, bottom, 35)
    bar(right, top, right + thick, bottom, 35)
    margin, half = blank.margin_mm, markers.LINE_MM / 2
    for start in np.arange(margin, blank.width_mm - margin, 3.5):
        for y in (top + margin, bottom - margin):
            bar(left + start, y - half, left + start + 2, y + half, 174)
    for start in np.arange(margin, blank.height_mm - margin, 3.5):
        for x in (left + margin, right - margin):
            bar(x - half, top + start, x + half, top + start + 2, 174)


def blank_corners_px(
    at_mm: tuple[float, float], blank: Blank, px_per_mm: float
) -> NDArray[np.float64]:
    """Return the blank's true corners (4, 2) on the flat page in pixels, centres at integers."""
    unit = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)
    return (np.array(at_mm) + unit * blank.size_mm) * px_per_mm - 0.5


SIX = BLANKS["6x6in"]
