"""The compiled inner loops of ordering cuts; `geometry.cut_path` says what they do and why.

A way visits `order`, contour by contour, each at its own point (n, 2) of `points`, from `start` on;
it does not come back. Only moves that put a contour next to one of its near neighbours are tried,
so that a sweep costs contours times neighbours. The compiled code is kept beside the sources.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]
Indices = NDArray[np.int64]

LEAST_GAIN_MM = 1e-6
"""A gain below this is rounding, not travel."""
LONGEST_MOVED = 3
"""So many contours in a row are taken out and cut elsewhere, at most."""


@njit(cache=True, inline="always")
def _gap(points: Points, one: int, other: int, start: Points) -> float:
    """Return the way between two contours; -1 is the start and -2 nothing, which costs no way."""
    if one == -2 or other == -2:
        return 0.0
    x0, y0 = (start[0], start[1]) if one == -1 else (points[one, 0], points[one, 1])
    x1, y1 = (start[0], start[1]) if other == -1 else (points[other, 0], points[other, 1])
    return float(np.hypot(x1 - x0, y1 - y0))


@njit(cache=True, inline="always")
def _at(order: Indices, place: int) -> int:
    """Return the contour at a place of the way; -1 before the first and -2 after the last."""
    if place < 0:
        return -1
    return int(order[place]) if place < len(order) else -2


@njit(cache=True)
def turn_limits(order: Indices, places: Indices, parents: Indices) -> Indices:
    """Return for each place the last one up to which no contour comes with its container."""
    limits = np.full(len(order), len(order) - 1)
    for child in range(len(parents)):
        if parents[child] >= 0:
            limits[places[child]] = places[parents[child]] - 1
    for place in range(len(order) - 2, -1, -1):
        limits[place] = min(limits[place], limits[place + 1])
    return limits


@njit(cache=True)
def _reverse(order: Indices, places: Indices, first: int, last: int) -> None:
    """Turn a stretch of the way round, in place."""
    while first < last:
        order[first], order[last] = order[last], order[first]
        places[order[first]], places[order[last]] = first, last
        first += 1
        last -= 1
    if first == last:
        places[order[first]] = first


@njit(cache=True)
def two_opt(
    order: Indices, points: Points, start: Points, parents: Indices, near: Indices, sweeps: int
) -> bool:
    """Turn round stretches of `order`, in place, while that shortens the way; tell if any was.

    near: (n, k) the nearest other contours of each. No contour comes to be cut after its container.
    """
    count = len(order)
    places = np.empty(count, np.int64)
    for place in range(count):
        places[order[place]] = place
    limits = turn_limits(order, places, parents)
    turned = False
    for _ in range(sweeps):
        better = False
        for last in range(1, count):
            end, after = order[last], _at(order, last + 1)
            gain = _gap(points, -1, order[0], start) + _gap(points, end, after, start)
            gain -= _gap(points, -1, end, start) + _gap(points, order[0], after, start)
            if gain > LEAST_GAIN_MM and last <= limits[0]:
                _reverse(order, places, 0, last)
                limits = turn_limits(order, places, parents)
                better = turned = True
        for contour in range(count):
            for side in range(2):
                here = places[contour]
                # The stretch begins after `contour` (side 0) or ends before it (side 1).
                beside = _at(order, here + 1 if side == 0 else here - 1)
                old = _gap(points, contour, beside, start)
                for k in range(near.shape[1]):
                    other = near[contour, k]
                    if _gap(points, contour, other, start) >= old and beside >= -1:
                        break
                    there = places[other]
                    if side == 0:
                        first, last = min(here, there) + 1, max(here, there)
                    else:
                        first, last = min(here, there), max(here, there) - 1
                    if first >= last or last > limits[first]:
                        continue
                    before, after = _at(order, first - 1), _at(order, last + 1)
                    one, end = order[first], order[last]
                    gain = _gap(points, before, one, start) + _gap(points, end, after, start)
                    gain -= _gap(points, before, end, start) + _gap(points, one, after, start)
                    if gain > LEAST_GAIN_MM:
                        _reverse(order, places, first, last)
                        limits = turn_limits(order, places, parents)
                        better = turned = True
                        break
        if not better:
            break
    return turned


@njit(cache=True)
def _best_place(
    order: Indices, points: Points, start: Points, near: Indices, places: Indices, i: int, size: int
) -> tuple[float, int, bool]:
    """Return (gain, before which place, backwards) of the best move of `size` contours from i."""
    first, last = order[i], order[i + size - 1]
    before, after = _at(order, i - 1), _at(order, i + size)
    out = _gap(points, before, first, start) + _gap(points, last, after, start)
    out -= _gap(points, before, after, start) if before != -2 else 0.0
    best, to, backwards = LEAST_GAIN_MM, -1, False
    for end in range(2):
        contour = first if end == 0 else last
        for k in range(near.shape[1] + 1):
            # The last one tried is the very beginning of the way.
            there = places[near[contour, k]] if k < near.shape[1] else 0
            for place in range(there, there + 2):
                if i <= place <= i + size:
                    continue
                left, right = _at(order, place - 1), _at(order, place)
                edge = _gap(points, left, right, start)
                for back in range(2):
                    head, tail = (last, first) if back else (first, last)
                    new = _gap(points, left, head, start) + _gap(points, tail, right, start)
                    if out + edge - new > best:
                        best, to, backwards = out + edge - new, place, back == 1
    return best, to, backwards


@njit(cache=True)
def or_opt(
    order: Indices,
    points: Points,
    start: Points,
    held: NDArray[np.bool_],
    near: Indices,
    sweeps: int,
) -> bool:
    """Move one to three contours elsewhere in `order`, in place, while that shortens the way.

    held: contours that stay where they are, because they lie in another or hold one. Tells whether
    any was moved.
    """
    count = len(order)
    places = np.empty(count, np.int64)
    for place in range(count):
        places[order[place]] = place
    shifted = False
    for _ in range(sweeps):
        better = False
        for size in range(LONGEST_MOVED, 0, -1):
            for i in range(count - size + 1):
                is_held = False
                for place in range(i, i + size):
                    is_held = is_held or held[order[place]]
                if is_held:
                    continue
                _, to, backwards = _best_place(order, points, start, near, places, i, size)
                if to < 0:
                    continue
                if backwards:
                    _reverse(order, places, i, i + size - 1)
                # A stretch moves along by turning round both parts and then the whole.
                if to > i:
                    _reverse(order, places, i, i + size - 1)
                    _reverse(order, places, i + size, to - 1)
                    _reverse(order, places, i, to - 1)
                else:
                    _reverse(order, places, to, i - 1)
                    _reverse(order, places, i, i + size - 1)
                    _reverse(order, places, to, i + size - 1)
                better = shifted = True
        if not better:
            break
    return shifted
