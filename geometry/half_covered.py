"""Half-covered places: white correction pen over black ink that is still grey inside."""

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.kernels import UNIT


@njit(cache=True)
def _cell_range(
    field: NDArray[np.int16], cell_px: int
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """Return the least and the greatest value in each whole cell of cell_px pixels."""
    rows, columns = field.shape[0] // cell_px, field.shape[1] // cell_px
    least = np.empty((rows, columns), np.int16)
    greatest = np.empty((rows, columns), np.int16)
    for row in range(rows):
        for column in range(columns):
            low, high = np.int16(32767), np.int16(-32768)
            for y in range(row * cell_px, (row + 1) * cell_px):
                for x in range(column * cell_px, (column + 1) * cell_px):
                    value = field[y, x]
                    low, high = min(low, value), max(high, value)
            least[row, column], greatest[row, column] = low, high
    return least, greatest


def find_half_covered(
    field: NDArray[np.int16], px_per_mm: float, level: float
) -> tuple[tuple[float, float, float], ...]:
    """Return (x_mm, y_mm, area_mm2) of even grey patches that lie against ink, in paper mm.

    A patch is evenly grey (25 to 75 % of the ink's darkness), 0.3 mm2 or larger and at least 0.3 mm
    across, and a quarter of what surrounds it is full ink: a pen stroke of white over black whose
    black shows through. Pencil beside a line, and the blur of an edge, are not.
    """
    cell_px = max(round(px_per_mm / 6), 2)
    least, greatest = _cell_range(field, cell_px)
    if least.size == 0:
        return ()
    dark = (1 - level) - np.array([0.75, 0.25]) * 1.0
    low, high = dark * UNIT
    grey = (least > low) & (greatest < high)
    grey &= greatest.astype(np.int32) - least < 0.35 * UNIT
    patch = cv2.morphologyEx(grey.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, label, stats, centre = cv2.connectedComponentsWithStats(patch, connectivity=4)
    ink = greatest < (1 - level - 0.8) * UNIT
    cell_mm = cell_px / px_per_mm
    found = []
    for index in range(1, count):
        area_mm2 = float(stats[index, cv2.CC_STAT_AREA]) * cell_mm**2
        if area_mm2 < 0.3:
            continue
        x, y, w, h = stats[index, :4]
        window = np.s_[max(y - 4, 0) : y + h + 4, max(x - 4, 0) : x + w + 4]
        inside = (label[window] == index).astype(np.uint8)
        around = cv2.dilate(inside, np.ones((7, 7), np.uint8)) - cv2.dilate(
            inside, np.ones((5, 5), np.uint8)
        )
        if (ink[window] & (around > 0)).sum() >= 0.25 * (around > 0).sum():
            x_mm, y_mm = (centre[index] + 0.5) * cell_mm
            found.append((float(x_mm), float(y_mm), area_mm2))
    return tuple(found)
