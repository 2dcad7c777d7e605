"""Tracing: every edge of the signed ink field, with nesting.

All pictures are (rows, columns). Points are (x, y) in pixels, pixel centres at integers, y down.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, inline="always")
def is_ink(field: NDArray[np.int16], x: int, y: int) -> bool:
    """Tell whether a pixel is ink; outside the picture is none."""
    return 0 <= x < field.shape[1] and 0 <= y < field.shape[0] and field[y, x] < 0


@njit(cache=True)
def _count_flips(
    counts: NDArray[np.int16], one: NDArray[np.int16], other: NDArray[np.int16]
) -> None:
    """Count, for each column (n), where two rows lie on different sides of the edge."""
    for x in range(len(counts)):
        counts[x] = np.int16(counts[x] + np.int16(np.int16(one[x] ^ other[x]) < 0))


@njit(cache=True)
def _all_ink(line: NDArray[np.int16]) -> int:
    """Return 1 if all of some pixels are ink, 0 if none is, else -1."""
    least = greatest = line[0]
    for x in range(len(line)):  # written so that it is done in wide registers
        if line[x] < least:
            least = line[x]
        if line[x] > greatest:
            greatest = line[x]
    return 1 if greatest < 0 else 0 if least >= 0 else -1


@njit(cache=True)
def edges_by_row(
    field: NDArray[np.int16], first: int, last: int
) -> tuple[NDArray[np.int64], NDArray[np.int32], int]:
    """Return the edges in rows first to last - 1: row starts (last - first + 1), x of every
    left-right change, and the number of up-down changes above each row and below the last."""
    width = field.shape[1]
    starts = np.zeros(last - first + 1, np.int64)
    vertical = 0
    flips = np.zeros(width, np.int16)
    for x in range(width):
        vertical += (first == 0 and field[0, x] < 0) + (field[last - 1, x] < 0)
    places = np.empty(4096, np.int32)
    count = 0
    block = 64
    for y in range(first, last):
        line = field[y]
        if y > 0:
            _count_flips(flips, line, field[y - 1])
        if (y - first) % 32000 == 31999 or y == last - 1:
            vertical += flips.sum()
            flips[:] = 0
        if count + width + 1 > len(places):
            more = np.empty(2 * len(places) + width + 1, np.int32)
            more[:count] = places[:count]
            places = more
        before = False
        for start in range(0, width, block):
            stop = min(start + block, width)
            if _all_ink(line[start:stop]) == before:
                continue
            for x in range(start, stop):
                now = line[x] < 0
                if now != before:
                    places[count] = x
                    count += 1
                    before = now
        if before:
            places[count] = width
            count += 1
        starts[y - first + 1] = count
    return starts, places[:count].copy(), vertical


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
        if is_ink(field, paper_x + step_x, paper_y + step_y):
            ink_x, ink_y = paper_x + step_x, paper_y + step_y
        elif is_ink(field, ink_x + step_x, ink_y + step_y):
            ink_x, ink_y = ink_x + step_x, ink_y + step_y
            paper_x, paper_y = paper_x + step_x, paper_y + step_y
        else:
            paper_x, paper_y = ink_x + step_x, ink_y + step_y
        if ink_x == pixel[0] and ink_y == pixel[1] and paper_x == pixel[2] and paper_y == pixel[3]:
            return count


@njit(cache=True)
def trace_field(
    field: NDArray[np.int16],
    starts: NDArray[np.int64],
    places: NDArray[np.int32],
    vertical: int,
) -> tuple[
    NDArray[np.float32],
    NDArray[np.int64],
    NDArray[np.bool_],
    NDArray[np.int32],
    NDArray[np.int32],
    NDArray[np.int32],
]:
    """Return every edge between ink (< 0, 8-connected) and paper (4-connected), with nesting.

    starts, places: all rows as of edges_by_row; vertical: at least its number of up-down changes.
    Returns points (n, 2) float32, where each edge between two pixels is crossed (linear, sub-pixel;
    half a pixel out at the picture's border); starts (m + 1); is_hole (m); parent (m), -1 at the
    top, a hole's is its outer edge and an outer edge's is the hole it lies in, which comes before
    it; first_ink (m, 2) the x, y of one ink pixel on the edge; the edge of each place. After the
    border following of Suzuki and Abe (1985), with one label per left-right change instead of a
    picture.
    """
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
    return (
        points[:count],
        loop_starts[: loops + 1].copy(),
        is_hole[:loops].copy(),
        parent[:loops].copy(),
        first_ink[:loops].copy(),
        labels,
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
