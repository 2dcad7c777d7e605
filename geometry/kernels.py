"""The compiled inner loops on pixels: the signed ink field, its outlines and their simplification.

All pictures are (rows, columns). Points are (x, y) in pixels, pixel centres at integers, y down.
The compiled code is kept beside the sources.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

UNIT = 4096
"""Steps of the int16 ink field between full ink and bare paper."""


@njit(cache=True, fastmath=True)
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
    gain = UNIT / contrast
    offset = UNIT * edge_darkness - gain
    line = np.empty(columns + 1, np.float32)
    for y in range(height):
        place = min(max((y + 0.5) / cell_px - 0.5, 0.0), rows - 1.0)
        upper = int(place)
        lower = min(upper + 1, rows - 1)
        share = place - upper
        for column in range(columns):
            line[column] = gain * (
                (1 - share) * inverse_paper[upper, column] + share * inverse_paper[lower, column]
            )
        line[columns] = line[columns - 1]
        half = cell_px // 2
        for column in range(-1, columns):
            start = max(column * cell_px + half, 0)
            stop = min((column + 1) * cell_px + half, width)
            if column == columns - 1:
                stop = width
            left = line[max(column, 0)]
            step = (line[min(column + 1, columns - 1)] - left) / cell_px
            first = column * cell_px + half
            for x in range(start, stop):
                value = offset + grey[y, x] * (left + step * (x - first + 0.5))
                field[y, x] = min(max(value, -32000.0), 32000.0)


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


@njit(cache=True, inline="always")
def _is_ink(field: NDArray[np.int16], x: int, y: int) -> bool:
    """Tell whether a pixel is ink; outside the picture is none."""
    return 0 <= x < field.shape[1] and 0 <= y < field.shape[0] and field[y, x] < 0


@njit(cache=True)
def _edges_by_row(
    field: NDArray[np.int16],
) -> tuple[NDArray[np.int64], NDArray[np.int32], int]:
    """Return (row starts, x of every left-right change, number of up-down changes)."""
    height, width = field.shape
    starts = np.zeros(height + 1, np.int64)
    vertical = 0
    for y in range(height):
        found = 0
        before = False
        for x in range(width):
            now = field[y, x] < 0
            found += now != before
            before = now
        found += before
        starts[y + 1] = starts[y] + found
        if y == 0:
            for x in range(width):
                vertical += field[0, x] < 0
        else:
            for x in range(width):
                vertical += (field[y, x] < 0) != (field[y - 1, x] < 0)
    for x in range(width):
        vertical += field[height - 1, x] < 0
    places = np.empty(starts[height], np.int32)
    for y in range(height):
        at = starts[y]
        if starts[y + 1] == at:
            continue
        before = False
        for x in range(width):
            now = field[y, x] < 0
            if now != before:
                places[at] = x
                at += 1
                before = now
        if before:
            places[at] = width
    return starts, places, vertical


@njit(cache=True)
def _find_edge(places: NDArray[np.int32], low: int, high: int, x: int) -> int:
    """Return the index in places[low:high] that holds x (it is there)."""
    while low < high:
        middle = (low + high) // 2
        if places[middle] < x:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True)
def _follow(
    field: NDArray[np.int16],
    starts: NDArray[np.int64],
    places: NDArray[np.int32],
    labels: NDArray[np.int32],
    label: int,
    pixel: tuple[int, int, int, int],
    points: NDArray[np.float32],
    count: int,
) -> int:
    """Walk once along an edge from (ink x, ink y, paper x, paper y); return the new point count."""
    ink_x, ink_y, paper_x, paper_y = pixel
    while True:
        normal_x, normal_y = paper_x - ink_x, paper_y - ink_y
        if 0 <= paper_x < field.shape[1] and 0 <= paper_y < field.shape[0]:
            inside, outside = float(field[ink_y, ink_x]), float(field[paper_y, paper_x])
            share = inside / (inside - outside)
        else:
            share = 0.5
        points[count, 0] = ink_x + normal_x * share
        points[count, 1] = ink_y + normal_y * share
        count += 1
        if normal_y == 0:
            edge = _find_edge(places, starts[ink_y], starts[ink_y + 1], max(ink_x, paper_x))
            labels[edge] = label
        step_x, step_y = -normal_y, normal_x
        if _is_ink(field, paper_x + step_x, paper_y + step_y):
            ink_x, ink_y = paper_x + step_x, paper_y + step_y
        elif _is_ink(field, ink_x + step_x, ink_y + step_y):
            ink_x, ink_y = ink_x + step_x, ink_y + step_y
            paper_x, paper_y = paper_x + step_x, paper_y + step_y
        else:
            paper_x, paper_y = ink_x + step_x, ink_y + step_y
        if ink_x == pixel[0] and ink_y == pixel[1] and paper_x == pixel[2] and paper_y == pixel[3]:
            return count


@njit(cache=True)
def trace_field(
    field: NDArray[np.int16],
) -> tuple[
    NDArray[np.float32],
    NDArray[np.int64],
    NDArray[np.bool_],
    NDArray[np.int32],
    NDArray[np.int32],
    NDArray[np.int64],
]:
    """Return every edge between ink (< 0, 8-connected) and paper (4-connected), with nesting.

    Returns points (n, 2) float32, where each edge between two pixels is crossed (linear, sub-pixel;
    half a pixel out at the picture's border); starts (m + 1); is_hole (m); parent (m), -1 at the
    top, a hole's is its outer edge and an outer edge's is the hole it lies in; first_ink (m, 2) the
    x, y of one ink pixel on the edge; changes (2) left-right and up-down. After the border
    following of Suzuki and Abe (1985), with one label per left-right change instead of a picture.
    """
    starts, places, vertical = _edges_by_row(field)
    labels = np.full(places.size, -1, np.int32)
    points = np.empty((places.size + vertical, 2), np.float32)
    most = places.size // 2 + 1
    loop_starts = np.zeros(most + 1, np.int64)
    is_hole = np.zeros(most, np.bool_)
    parent = np.full(most, -1, np.int32)
    first_ink = np.zeros((most, 2), np.int32)
    loops = 0
    count = 0
    for y in range(field.shape[0]):
        for edge in range(starts[y], starts[y + 1]):
            if labels[edge] >= 0:
                continue
            x = places[edge]
            hole = (edge - starts[y]) % 2 == 1
            is_hole[loops] = hole
            if edge > starts[y]:
                left = labels[edge - 1]
                parent[loops] = parent[left] if is_hole[left] == hole else left
            ink_x = x - 1 if hole else x
            paper_x = x if hole else x - 1
            first_ink[loops, 0], first_ink[loops, 1] = ink_x, y
            count = _follow(
                field, starts, places, labels, loops, (ink_x, y, paper_x, y), points, count
            )
            loops += 1
            loop_starts[loops] = count
    changes = np.array([places.size, vertical], np.int64)
    return (
        points[:count],
        loop_starts[: loops + 1].copy(),
        is_hole[:loops].copy(),
        parent[:loops].copy(),
        first_ink[:loops].copy(),
        changes,
    )


@njit(cache=True)
def loop_measures(points: NDArray[np.float32], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return (m, 5) per loop: area (positive, px2), least x, least y, greatest x, greatest y."""
    measures = np.zeros((starts.size - 1, 5))
    for loop in range(starts.size - 1):
        first, stop = starts[loop], starts[loop + 1]
        origin_x, origin_y = float(points[first, 0]), float(points[first, 1])
        least_x = greatest_x = origin_x
        least_y = greatest_y = origin_y
        twice = 0.0
        for index in range(first, stop):
            after = index + 1 if index + 1 < stop else first
            x, y = float(points[index, 0]), float(points[index, 1])
            x_after, y_after = float(points[after, 0]), float(points[after, 1])
            twice += (x - origin_x) * (y_after - origin_y) - (x_after - origin_x) * (y - origin_y)
            least_x, greatest_x = min(least_x, x), max(greatest_x, x)
            least_y, greatest_y = min(least_y, y), max(greatest_y, y)
        measures[loop, 0] = abs(twice) / 2
        measures[loop, 1], measures[loop, 2] = least_x, least_y
        measures[loop, 3], measures[loop, 4] = greatest_x, greatest_y
    return measures


@njit(cache=True)
def smooth_loop(points: NDArray[np.float64], passes: int) -> NDArray[np.float64]:
    """Return a closed line (n, 2) after that many passes of the weights 1 2 1 over 4."""
    count = points.shape[0]
    now = points.copy()
    after = np.empty_like(now)
    for _ in range(passes):
        for index in range(count):
            left, right = index - 1, index + 1 if index + 1 < count else 0
            for axis in range(2):
                after[index, axis] = (now[left, axis] + 2 * now[index, axis] + now[right, axis]) / 4
        now, after = after, now
    return now


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
                    if erased < most and _is_ink(field, near_x, near_y):
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
