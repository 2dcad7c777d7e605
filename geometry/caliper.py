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


@njit(cache=True)
def _ray(
    field: NDArray[np.int16],
    x: float,
    y: float,
    way: tuple[float, float],
    sign: int,
    longest: float,
) -> float:
    """Return the way from inside (sign * field > 0) to the edge, px, or `longest` if farther."""
    before = sign * _value(field, x, y)
    at = 0.0
    while at < longest:
        at += 1.0
        now = sign * _value(field, x + at * way[0], y + at * way[1])
        if now <= 0:
            return at - 1.0 + before / (before - now)
        before = now
    return longest


@njit(cache=True)
def _chord(
    field: NDArray[np.int16], x: float, y: float, angle: float, sign: int, longest: float
) -> tuple[float, float]:
    """Return the two parts of the chord through a point at an angle, forward and back, px."""
    way = (np.cos(angle), np.sin(angle))
    ahead = _ray(field, x, y, way, sign, longest)
    back = _ray(field, x, y, (-way[0], -way[1]), sign, longest - ahead + 1)
    return ahead, back


@njit(cache=True)
def measure(
    field: NDArray[np.int16], points: NDArray[np.float64], sign: int, longest: float, slack: int
) -> NDArray[np.float64]:
    """Return (n, 5) per point x, y (px): width, middle x, y, and the chord's direction x, y.

    sign: -1 in ink, 1 in film. A point just outside moves to the deepest pixel within `slack`. The
    width is -1 if there is none, or if the point is not near the middle of its shortest chord.
    Chords are tried at 16 angles, then halved in on the shortest to 0.7 degrees; a ray ends at
    `longest`.
    """
    found = np.full((len(points), 5), -1.0)
    for index in range(len(points)):
        x, y = points[index]
        if sign * _value(field, x, y) <= 0:
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
        for step in range(16):
            ahead, back = _chord(field, x, y, step * np.pi / 16, sign, min(longest, least))
            if ahead + back < least:
                least, angle = ahead + back, step * np.pi / 16
        turn = np.pi / 32
        for _ in range(4):
            for side in (-1, 1):
                ahead, back = _chord(field, x, y, angle + side * turn, sign, least + 1)
                if ahead + back < least:
                    least, angle = ahead + back, angle + side * turn
                    break
            turn /= 2
        ahead, back = _chord(field, x, y, angle, sign, longest)
        way_x, way_y = np.cos(angle), np.sin(angle)
        shift = (ahead - back) / 2
        if abs(shift) > 0.25 * (ahead + back) + 1.0:
            continue
        found[index, 0] = ahead + back
        found[index, 1], found[index, 2] = x + shift * way_x, y + shift * way_y
        found[index, 3], found[index, 4] = way_x, way_y
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
