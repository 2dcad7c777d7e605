"""The caliper: the shortest chord through a point between the two edges, on the full field."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.kernels import UNIT


@njit(cache=True, inline="always")
def _value(field: NDArray[np.int16], x: float, y: float) -> float:
    """Return the field between pixels, bilinear; beyond the picture its border goes on."""
    x = min(max(x, 0.0), field.shape[1] - 1.001)
    y = min(max(y, 0.0), field.shape[0] - 1.001)
    left, top = int(x), int(y)
    share_x, share_y = x - left, y - top
    right, low = min(left + 1, field.shape[1] - 1), min(top + 1, field.shape[0] - 1)
    upper = field[top, left] * (1 - share_x) + field[top, right] * share_x
    lower = field[low, left] * (1 - share_x) + field[low, right] * share_x
    return upper * (1 - share_y) + lower * share_y


@njit(cache=True, inline="always")
def _value_within(field: NDArray[np.int16], x: float, y: float) -> float:
    """Return the field between pixels, bilinear, where all four of them are in the picture."""
    left, top = int(x), int(y)
    share_x, share_y = x - left, y - top
    upper, lower = field[top], field[top + 1]
    above = upper[left] + (upper[left + 1] - upper[left]) * share_x
    below = lower[left] + (lower[left + 1] - lower[left]) * share_x
    return above + (below - above) * share_y


@njit(cache=True)
def _ray(
    field: NDArray[np.int16],
    x: float,
    y: float,
    way: tuple[float, float],
    sign: int,
    longest: float,
    clear: float = 0.0,
) -> float:
    """Return the way from inside (sign * field > 0) to the edge, px, or `longest` if farther.

    0 from a point outside. There is no edge nearer than `clear`, so the search begins there.
    """
    at = np.floor(clear)
    before = sign * _value(field, x + at * way[0], y + at * way[1])
    if before <= 0:
        at, before = 0.0, sign * _value(field, x, y)
    if before <= 0:
        return 0.0
    last_x, last_y = x + (longest + 1) * way[0], y + (longest + 1) * way[1]
    right, low = field.shape[1] - 1.001, field.shape[0] - 1.001
    is_within = min(x, last_x) >= 0 and max(x, last_x) < right
    is_within = is_within and min(y, last_y) >= 0 and max(y, last_y) < low
    while at < longest:
        at += 1.0
        if is_within:
            now = sign * _value_within(field, x + at * way[0], y + at * way[1])
        else:
            now = sign * _value(field, x + at * way[0], y + at * way[1])
        if now <= 0:
            return at - 1.0 + before / (before - now)
        before = now
    return longest


@njit(cache=True)
def _chord(
    field: NDArray[np.int16],
    x: float,
    y: float,
    way: tuple[float, float],
    sign: int,
    longest: float,
    clear: float,
) -> tuple[float, float]:
    """Return the two parts of the chord through a point, forward and back, px."""
    ahead = _ray(field, x, y, way, sign, longest, clear)
    back = _ray(field, x, y, (-way[0], -way[1]), sign, longest - ahead + 1, clear)
    return ahead, back


_ANGLES = 16
_COSINES = np.cos(np.arange(_ANGLES) * np.pi / _ANGLES)
_SINES = np.sin(np.arange(_ANGLES) * np.pi / _ANGLES)


@njit(cache=True)
def measure(
    field: NDArray[np.int16],
    points: NDArray[np.float64],
    sign: int,
    longest: float,
    slack: int,
    clear: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return (n, 5) per point x, y (px): width, middle x, y, and the chord's direction x, y.

    sign: -1 in ink, 1 in film. clear: (n) how far from each point no edge is looked for. A point
    just outside moves to the deepest pixel within `slack`. The width is -1 if there is none, or if
    the point is not near the middle of its shortest chord. Chords are tried at 16 angles, then
    halved in on the shortest to 0.7 degrees; a ray ends at `longest`.
    """
    found = np.full((len(points), 5), -1.0)
    for index in range(len(points)):
        x, y = points[index]
        free = clear[index]
        if sign * _value(field, x, y) <= 0:
            free = 0.0
            best = 0
            near_x, near_y = int(x + 0.5), int(y + 0.5)
            for at_y in range(max(near_y - slack, 0), min(near_y + slack + 1, field.shape[0])):
                for at_x in range(max(near_x - slack, 0), min(near_x + slack + 1, field.shape[1])):
                    if sign * field[at_y, at_x] > best:
                        best = sign * field[at_y, at_x]
                        x, y = float(at_x), float(at_y)
            if best == 0:
                continue
        least = 1e9
        angle = 0.0
        for step in range(_ANGLES):
            way = (_COSINES[step], _SINES[step])
            ahead, back = _chord(field, x, y, way, sign, min(longest, least), free)
            if ahead + back < least:
                least, angle = ahead + back, step * np.pi / _ANGLES
        turn = np.pi / _ANGLES / 2
        for _ in range(4):
            for side in (-1, 1):
                way = (np.cos(angle + side * turn), np.sin(angle + side * turn))
                ahead, back = _chord(field, x, y, way, sign, least + 1, free)
                if ahead + back < least:
                    least, angle = ahead + back, angle + side * turn
                    break
            turn /= 2
        way = (np.cos(angle), np.sin(angle))
        ahead, back = _chord(field, x, y, way, sign, longest, free)
        shift = (ahead - back) / 2
        if abs(shift) > 0.25 * (ahead + back) + 1.0:
            continue
        found[index, 0] = ahead + back
        found[index, 1], found[index, 2] = x + shift * way[0], y + shift * way[1]
        found[index, 3], found[index, 4] = way
    return found


@njit(cache=True)
def is_open_between(
    field: NDArray[np.int16], points: NDArray[np.float64], sign: int
) -> NDArray[np.bool_]:
    """Return, for each point but the last (n - 1), whether the way to the next stays inside.

    Two pixels that meet at a corner only pass, as they are joined though the field dips there.
    """
    inside = np.ones(max(len(points) - 1, 0), np.bool_)
    for index in range(len(points) - 1):
        x, y = points[index]
        step_x, step_y = points[index + 1, 0] - x, points[index + 1, 1] - y
        parts = int(2 * np.hypot(step_x, step_y)) + 2
        for part in range(1, parts):
            share = part / parts
            if sign * _value(field, x + share * step_x, y + share * step_y) < -0.08 * UNIT:
                inside[index] = False
                break
    return inside
