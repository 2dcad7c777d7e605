"""The compiled inner loops on pixels: the signed ink field, strokes in it, smoothed outlines.

All pictures are (rows, columns). Points are (x, y) in pixels, pixel centres at integers, y down.
The compiled code is kept beside the sources.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.tracing import is_ink

UNIT = 4096
"""Steps of the int16 ink field between full ink and bare paper."""


@njit(cache=True)
def _between(count: int, cells: int, cell_px: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return, for each of `count` pixels, the cell before it and its share of the way to the next.

    Pixels beyond the middle of the first or last cell have no share.
    """
    before = np.empty(count, np.int64)
    share = np.empty(count, np.float32)
    for pixel in range(count):
        place = min(max((pixel + 0.5) / cell_px - 0.5, 0.0), cells - 1.0)
        before[pixel] = min(int(place), max(cells - 2, 0))
        share[pixel] = place - before[pixel]
    return before, share


@njit(cache=True, fastmath=True)
def _fill_row(
    grey: NDArray[np.uint8],
    upper: NDArray[np.float32],
    lower: NDArray[np.float32],
    share: np.float32,
    offset: np.float32,
    row: NDArray[np.int16],
) -> None:
    """Fill one row of the field; upper and lower: what a grey is multiplied by above and below."""
    most = np.float32(32000.0)
    for x in range(len(row)):
        value = offset + np.float32(grey[x]) * (upper[x] + share * (lower[x] - upper[x]))
        row[x] = np.int16(min(max(value, -most), most))


@njit(cache=True)
def fill_field(
    grey: NDArray[np.uint8],
    inverse_paper: NDArray[np.float32],
    cell_px: int,
    contrast: float,
    edge_darkness: float,
    field: NDArray[np.int16],
) -> None:
    """Fill `field` with UNIT * (edge_darkness - darkness); darkness 0 is paper, 1 is ink.

    inverse_paper holds 1 / grey of the paper on cells of cell_px pixels, between whose centres it
    is interpolated.
    """
    height, width = grey.shape
    rows, columns = inverse_paper.shape
    gain = np.float32(UNIT / contrast)
    offset = np.float32(UNIT * edge_darkness - UNIT / contrast)
    left, share_x = _between(width, columns, cell_px)
    gains = np.empty((rows, width), np.float32)
    for row in range(rows):
        for x in range(width):
            one = inverse_paper[row, left[x]]
            other = inverse_paper[row, min(left[x] + 1, columns - 1)]
            gains[row, x] = gain * (one + share_x[x] * (other - one))
    above, share_y = _between(height, rows, cell_px)
    for y in range(height):
        lower = gains[min(above[y] + 1, rows - 1)]
        _fill_row(grey[y], gains[above[y]], lower, share_y[y], offset, field[y])


@njit(cache=True)
def darkness_histogram(
    grey: NDArray[np.uint8], inverse_paper: NDArray[np.float32], cell_px: int, step: int
) -> NDArray[np.int64]:
    """Return counts (2, 256) of 1 - grey / paper from 0 to 1, of every step-th pixel.

    The second row counts only pixels that are as dark two pixels away on all four sides: the solid
    inside of a line, where no blur reaches.
    """
    counts = np.zeros((2, 256), np.int64)
    height, width = grey.shape
    rows, columns = inverse_paper.shape
    for y in range(step // 2, height, step):
        row = min(y // cell_px, rows - 1)
        for x in range(step // 2, width, step):
            inverse = inverse_paper[row, min(x // cell_px, columns - 1)]
            here = grey[y, x]
            dark = min(max(int((1.0 - here * inverse) * 256), 0), 255)
            counts[0, dark] += 1
            if dark >= 48 and 2 <= y < height - 2 and 2 <= x < width - 2:
                palest = max(
                    max(grey[y - 2, x], grey[y + 2, x]), max(grey[y, x - 2], grey[y, x + 2])
                )
                if (palest - np.float32(here)) * inverse < 0.1:
                    counts[1, dark] += 1
    return counts


@njit(cache=True)
def smooth_loops(
    points: NDArray[np.float32],
    starts: NDArray[np.int64],
    passes: int,
    farthest: tuple[float, float],
) -> NDArray[np.float64]:
    """Return closed lines (n, 2), one after the other, after passes of the weights 1 2 1 over 4.

    starts: (m + 1). Points on the picture's border, -0.5 or `farthest`, stay where they are, as do
    lines of at most 12 points.
    """
    smooth = np.empty(points.shape)
    for loop in range(len(starts) - 1):
        first, count = starts[loop], starts[loop + 1] - starts[loop]
        now = np.empty((count, 2))
        after = np.empty((count, 2))
        for index in range(count):
            now[index, 0] = points[first + index, 0]
            now[index, 1] = points[first + index, 1]
        for _ in range(passes if count > 12 else 0):
            for index in range(count):
                left = index - 1 if index > 0 else count - 1
                right = index + 1 if index + 1 < count else 0
                for axis in range(2):
                    after[index, axis] = (
                        now[left, axis] + 2 * now[index, axis] + now[right, axis]
                    ) / 4
            now, after = after, now
        for index in range(count):
            x, y = points[first + index, 0], points[first + index, 1]
            if x == -0.5 or y == -0.5 or x == farthest[0] or y == farthest[1]:
                smooth[first + index, 0], smooth[first + index, 1] = x, y
            else:
                smooth[first + index] = now[index]
    return smooth


@njit(cache=True)
def simplify_loops(
    points: NDArray[np.float64], starts: NDArray[np.int64], tolerance: float
) -> NDArray[np.bool_]:
    """Return which points (n) of closed lines stay, none left out lying off by more than that."""
    keep = np.empty(len(points), np.bool_)
    for loop in range(len(starts) - 1):
        first, stop = starts[loop], starts[loop + 1]
        keep[first:stop] = simplify_loop(points[first:stop], tolerance)
    return keep


@njit(cache=True)
def simplify_loop(points: NDArray[np.float64], tolerance: float) -> NDArray[np.bool_]:
    """Return which points (n) of a closed line stay, none left out lying off by more.

    Douglas and Peucker (1973), from point 0 and the point farthest from it.
    """
    count = points.shape[0]
    keep = np.zeros(count, np.bool_)
    keep[0] = True
    if count < 4:
        keep[:] = True
        return keep
    far, best = 0, -1.0
    for index in range(count):
        away = (points[index, 0] - points[0, 0]) ** 2 + (points[index, 1] - points[0, 1]) ** 2
        if away > best:
            far, best = index, away
    keep[far] = True
    stack = np.empty((count + 2, 2), np.int64)
    stack[0, 0], stack[0, 1] = 0, far
    stack[1, 0], stack[1, 1] = far, count
    depth = 2
    while depth > 0:
        depth -= 1
        first, last = stack[depth, 0], stack[depth, 1]
        end = last if last < count else 0
        along_x, along_y = points[end, 0] - points[first, 0], points[end, 1] - points[first, 1]
        length2 = along_x * along_x + along_y * along_y
        worst, split = tolerance * tolerance, -1
        for index in range(first + 1, last):
            off_x, off_y = points[index, 0] - points[first, 0], points[index, 1] - points[first, 1]
            share = 0.0
            if length2 > 0:
                share = min(max((off_x * along_x + off_y * along_y) / length2, 0.0), 1.0)
            off = (off_x - share * along_x) ** 2 + (off_y - share * along_y) ** 2
            if off > worst:
                worst, split = off, index
        if split >= 0:
            keep[split] = True
            stack[depth, 0], stack[depth, 1] = first, split
            stack[depth + 1, 0], stack[depth + 1, 1] = split, last
            depth += 2
    return keep


@njit(cache=True)
def erase_ink(
    field: NDArray[np.int16], seeds: NDArray[np.int32], value: int, most: int
) -> NDArray[np.int32]:
    """Set the 8-connected ink at each seed (n, 2) x, y to a positive value, `most` pixels at most.

    Returns the least value that was erased at each; 0 where there was no ink any more.
    """
    least = np.zeros(len(seeds), np.int32)
    stack = np.empty((most + 8, 2), np.int32)
    for index in range(len(seeds)):
        x, y = seeds[index]
        if field[y, x] >= 0:
            continue
        stack[0, 0], stack[0, 1] = x, y
        least[index] = field[y, x]
        field[y, x] = value
        depth, erased = 1, 1
        while depth > 0:
            depth -= 1
            at_x, at_y = stack[depth, 0], stack[depth, 1]
            for near_y in range(at_y - 1, at_y + 2):
                for near_x in range(at_x - 1, at_x + 2):
                    if erased < most and is_ink(field, near_x, near_y):
                        least[index] = min(least[index], field[near_y, near_x])
                        field[near_y, near_x] = value
                        stack[depth, 0], stack[depth, 1] = near_x, near_y
                        depth += 1
                        erased += 1
    return least


@njit(cache=True)
def draw_capsule(
    field: NDArray[np.int16],
    segment: NDArray[np.float64],
    radius: float,
    is_ink: bool,
    level: float,
    slope: float,
) -> None:
    """Draw a round-ended line (x0 y0 x1 y1, px) into the field, exact to a fraction of a pixel.

    The drawn field rises by `slope` a pixel through 0 at the radius, up to `level` either way.
    """
    x0, y0, x1, y1 = segment
    reach = radius + level / slope + 1
    along_x, along_y = x1 - x0, y1 - y0
    length2 = along_x * along_x + along_y * along_y
    top = max(int(np.floor(min(y0, y1) - reach)), 0)
    bottom = min(int(np.ceil(max(y0, y1) + reach)) + 1, field.shape[0])
    left = max(int(np.floor(min(x0, x1) - reach)), 0)
    right = min(int(np.ceil(max(x0, x1) + reach)) + 1, field.shape[1])
    for y in range(top, bottom):
        for x in range(left, right):
            share = 0.0
            if length2 > 0:
                share = ((x - x0) * along_x + (y - y0) * along_y) / length2
                share = min(max(share, 0.0), 1.0)
            away = np.hypot(x - x0 - share * along_x, y - y0 - share * along_y)
            value = min(max((away - radius) * slope, -level), level)
            if is_ink:
                field[y, x] = min(field[y, x], int(np.floor(value)))
            else:
                field[y, x] = max(field[y, x], int(np.ceil(-value)))
