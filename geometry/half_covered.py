"""Half-covered places: white correction pen over black ink that is still grey inside."""

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.kernels import UNIT


@njit(cache=True)
def _widen(least: NDArray[np.int16], greatest: NDArray[np.int16], line: NDArray[np.int16]) -> None:
    """Widen ranges (n) by one more row of values."""
    for x in range(len(line)):
        least[x] = min(least[x], line[x])
        greatest[x] = max(greatest[x], line[x])


@njit(cache=True)
def _sorts_of_cells(
    field: NDArray[np.int16], cell_px: int, low: float, high: float, evenness: float, dark: float
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return which whole cells of cell_px pixels are evenly grey, and which are full ink.

    Grey ones lie between low and high and differ by less than `evenness`, all of ink is below dark.
    """
    rows, columns = field.shape[0] // cell_px, field.shape[1] // cell_px
    grey = np.zeros((rows, columns), np.uint8)
    ink = np.zeros((rows, columns), np.uint8)
    for row in range(rows):
        least = field[row * cell_px, : columns * cell_px].copy()
        greatest = least.copy()
        for y in range(row * cell_px + 1, (row + 1) * cell_px):
            _widen(least, greatest, field[y, : columns * cell_px])
        for column in range(columns):
            first = column * cell_px
            lowest, highest = least[first], greatest[first]
            if lowest >= high:
                continue
            for x in range(first + 1, first + cell_px):
                lowest, highest = min(lowest, least[x]), max(highest, greatest[x])
            ink[row, column] = highest < dark
            grey[row, column] = lowest > low and highest < high and highest - lowest < evenness
    return grey, ink


@njit(cache=True)
def _patches(grey: NDArray[np.uint8], least_cells: int) -> NDArray[np.int64]:
    """Return (n, 7) per 4-connected patch of at least so many cells: one of its cells x, y, its
    box x, y, w, h, and its cells. The patches are set to 2."""
    height, width = grey.shape
    found = np.empty((64, 7), np.int64)
    stack = np.empty((height * width, 2), np.int32)
    count = 0
    for y in range(height):
        for x in range(width):
            if grey[y, x] != 1:
                continue
            stack[0, 0], stack[0, 1] = x, y
            grey[y, x] = 2
            depth, cells = 1, 0
            x0, y0, x1, y1 = x, y, x, y
            while depth > 0:
                depth -= 1
                at_x, at_y = stack[depth]
                cells += 1
                x0, x1 = min(x0, at_x), max(x1, at_x)
                y0, y1 = min(y0, at_y), max(y1, at_y)
                for step_x, step_y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                    near_x, near_y = at_x + step_x, at_y + step_y
                    if not (0 <= near_x < width and 0 <= near_y < height):
                        continue
                    if grey[near_y, near_x] == 1:
                        grey[near_y, near_x] = 2
                        stack[depth, 0], stack[depth, 1] = near_x, near_y
                        depth += 1
            if cells < least_cells:
                continue
            if count == len(found):
                more = np.empty((2 * count, 7), np.int64)
                more[:count] = found
                found = more
            found[count] = (x, y, x0, y0, x1 - x0 + 1, y1 - y0 + 1, cells)
            count += 1
    return found[:count]


def find_half_covered(
    field: NDArray[np.int16], px_per_mm: float, level: float
) -> tuple[tuple[float, float, float], ...]:
    """Return (x_mm, y_mm, area_mm2) of even grey patches that lie against ink, in paper mm.

    A patch is evenly grey (25 to 75 % of the ink's darkness), 0.3 mm2 or larger and at least 0.3 mm
    across, and a quarter of what surrounds it is full ink: a pen stroke of white over black whose
    black shows through. Pencil beside a line, and the blur of an edge, are not.
    """
    cell_px = max(round(px_per_mm / 6), 2)
    if min(field.shape) < cell_px:
        return ()
    grey, ink = _sorts_of_cells(
        field,
        cell_px,
        (1 - level - 0.75) * UNIT,
        (1 - level - 0.25) * UNIT,
        0.35 * UNIT,
        (1 - level - 0.8) * UNIT,
    )
    patch = np.asarray(cv2.morphologyEx(grey, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)), np.uint8)
    cell_mm = cell_px / px_per_mm
    found = []
    for first_x, first_y, x, y, w, h, cells in _patches(patch, int(np.ceil(0.3 / cell_mm**2))):
        left, top = max(x - 4, 0), max(y - 4, 0)
        window = np.s_[top : y + h + 4, left : x + w + 4]
        inside = np.minimum(patch[window], 1)
        cv2.floodFill(inside, None, (int(first_x - left), int(first_y - top)), 2, flags=4)
        inside = (inside == 2).astype(np.uint8)
        around = cv2.dilate(inside, np.ones((7, 7), np.uint8)) - cv2.dilate(
            inside, np.ones((5, 5), np.uint8)
        )
        if ((ink[window] > 0) & (around > 0)).sum() >= 0.25 * (around > 0).sum():
            rows, columns = np.nonzero(inside)
            x_mm = (left + float(columns.mean()) + 0.5) * cell_mm
            y_mm = (top + float(rows.mean()) + 0.5) * cell_mm
            found.append((x_mm, y_mm, float(cells) * cell_mm**2))
    return tuple(found)
