"""Compiled searches for places of bridges: ways across the ink, and the line's run beside one."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.caliper import _chord, _ray, _value

SAME, OTHER = 0, 1
_FAN = 9
_FAN_STEP = np.pi / 24
_TURNS = 6


@njit(cache=True, inline="always")
def _part_at(parts: NDArray[np.uint16], x: float, y: float) -> int:
    """Return the part at a point, 0 for none and outside of the picture."""
    column, row = int(np.floor(x + 0.5)), int(np.floor(y + 0.5))
    if row < 0 or column < 0 or row >= parts.shape[0] or column >= parts.shape[1]:
        return 0
    return int(parts[row, column])


@njit(cache=True)
def _landing(
    parts: NDArray[np.uint16], x: float, y: float, way: tuple[float, float], ahead: float
) -> int:
    """Return the part just beyond the end of a ray, 0 for none."""
    for beyond in (0.8, 1.6):
        part = _part_at(parts, x + (ahead + beyond) * way[0], y + (ahead + beyond) * way[1])
        if part:
            return part
    return 0


@njit(cache=True)
def cross_ink(
    field: NDArray[np.int16],
    parts: NDArray[np.uint16],
    points: NDArray[np.float64],
    inward: NDArray[np.float64],
    longest: float,
) -> NDArray[np.float64]:
    """Return (n, 2, 6): the shortest way across the ink to the same part and to another one.

    points (n, 2) x, y px on edges of film; inward: unit vectors into the ink. parts (h, w): a
    number per part of the film, 0 in ink. Per way: its two ends x, y (on edges), the parts there;
    the first part is 0 where there is no way up to `longest`. Ways are sought in a fan of 60
    degrees to both sides, then turned about their middle to the shortest.
    """
    found = np.zeros((len(points), 2, 6))
    for index in range(len(points)):
        out_x, out_y = inward[index]
        own = _landing(parts, points[index, 0], points[index, 1], (-out_x, -out_y), 0.0)
        x, y = points[index, 0] + 0.8 * out_x, points[index, 1] + 0.8 * out_y
        if own == 0 or _value(field, x, y) >= 0:
            continue
        least = np.full(2, longest)
        for step in range(-(_FAN - 1), _FAN):
            cos, sin = np.cos(step * _FAN_STEP * 0.9), np.sin(step * _FAN_STEP * 0.9)
            way = (cos * out_x - sin * out_y, sin * out_x + cos * out_y)
            ahead = _ray(field, x, y, way, -1, max(least[SAME], least[OTHER]))
            if ahead >= least[SAME] and ahead >= least[OTHER]:
                continue
            part = _landing(parts, x, y, way, ahead)
            if part == 0:
                continue
            kind = SAME if part == own else OTHER
            if ahead < least[kind]:
                least[kind] = ahead
                found[index, kind, 0], found[index, kind, 1] = points[index]
                found[index, kind, 2] = x + ahead * way[0]
                found[index, kind, 3] = y + ahead * way[1]
                found[index, kind, 4], found[index, kind, 5] = own, part
        for kind in range(2):
            if found[index, kind, 4] > 0:
                _straighten(field, parts, found[index, kind])
    return found


@njit(cache=True)
def _straighten(
    field: NDArray[np.int16], parts: NDArray[np.uint16], way_across: NDArray[np.float64]
) -> None:
    """Turn a way across the ink about its middle to the shortest between the same two parts."""
    turn = np.pi / 24
    for _ in range(_TURNS):
        x, y = (way_across[0] + way_across[2]) / 2, (way_across[1] + way_across[3]) / 2
        along_x, along_y = way_across[2] - way_across[0], way_across[3] - way_across[1]
        length = np.hypot(along_x, along_y)
        if length < 1.0 or _value(field, x, y) >= 0:
            return
        along_x, along_y = along_x / length, along_y / length
        least = length
        for side in (-1, 0, 1):
            cos, sin = np.cos(side * turn), np.sin(side * turn)
            way = (cos * along_x - sin * along_y, sin * along_x + cos * along_y)
            ahead, back = _chord(field, x, y, way, -1, length, 0.0)
            if ahead + back >= least - 1e-3:
                continue
            if _landing(parts, x, y, way, ahead) != int(way_across[5]):
                continue
            if _landing(parts, x, y, (-way[0], -way[1]), back) != int(way_across[4]):
                continue
            least = ahead + back
            way_across[0], way_across[1] = x - back * way[0], y - back * way[1]
            way_across[2], way_across[3] = x + ahead * way[0], y + ahead * way[1]
        if least >= length - 1e-3:
            turn /= 2


@njit(cache=True)
def look_beside(
    field: NDArray[np.int16], ends: NDArray[np.float64], half_width: float, need: float
) -> NDArray[np.float64]:
    """Return (n, 6) per way across a line (n, 4: x, y of both ends, px), what a bridge there meets.

    0, 1: how far the line runs on to both sides, at most `need`, before it ends or meets another;
    2: the turn of the line over that run, radians; 3, 4: how far beyond its ends the bridge's two
    sides (half_width off) still have ink; 5: the least depth of film beyond an end.
    """
    found = np.zeros((len(ends), 6))
    for index in range(len(ends)):
        x, y = (ends[index, 0] + ends[index, 2]) / 2, (ends[index, 1] + ends[index, 3]) / 2
        along_x, along_y = ends[index, 2] - ends[index, 0], ends[index, 3] - ends[index, 1]
        length = max(np.hypot(along_x, along_y), 1e-6)
        way = (along_x / length, along_y / length)
        for side in range(2):
            sign = 1.0 if side == 0 else -1.0
            heading = (-sign * way[1], sign * way[0])
            run, turn = _run_on(field, x, y, heading, length, need)
            found[index, side] = run
            found[index, 2] += turn
        back = (-way[0], -way[1])
        for sign in (-1.0, -0.5, 0.5, 1.0):
            off_x, off_y = -sign * half_width * way[1], sign * half_width * way[0]
            for end in range(2):
                outward = back if end == 0 else way
                at_x, at_y = ends[index, 2 * end] + off_x, ends[index, 2 * end + 1] + off_y
                more = _ray(field, at_x, at_y, outward, -1, 4 * half_width)
                found[index, 3 + end] = max(found[index, 3 + end], more)
        found[index, 5] = 1e9
        for end in range(2):
            outward = back if end == 0 else way
            at_x = ends[index, 2 * end] + 0.7 * outward[0]
            at_y = ends[index, 2 * end + 1] + 0.7 * outward[1]
            depth = _ray(field, at_x, at_y, outward, 1, 8 * half_width)
            found[index, 5] = min(found[index, 5], depth)
    return found


@njit(cache=True)
def _run_on(
    field: NDArray[np.int16],
    x: float,
    y: float,
    heading: tuple[float, float],
    width: float,
    need: float,
) -> tuple[float, float]:
    """Return how far a line runs on from its middle at about its width, and how much it turns."""
    step = max(need / 12, 1.0)
    run = 0.0
    turned = 0.0
    while run < need:
        next_x, next_y = x + step * heading[0], y + step * heading[1]
        if _value(field, next_x, next_y) >= 0:
            break
        across = (-heading[1], heading[0])
        ahead, back = _chord(field, next_x, next_y, across, -1, 2 * width, 0.0)
        if ahead + back > 1.5 * width + 1.5 or ahead + back < 0.6 * width - 1.0:
            break
        shift = min(max((ahead - back) / 2, -0.7 * step), 0.7 * step)
        next_x, next_y = next_x + shift * across[0], next_y + shift * across[1]
        way_x, way_y = next_x - x, next_y - y
        length = max(np.hypot(way_x, way_y), 1e-6)
        way_x, way_y = way_x / length, way_y / length
        dot = min(max(way_x * heading[0] + way_y * heading[1], -1.0), 1.0)
        turned += np.arccos(dot)
        heading = (way_x, way_y)
        x, y = next_x, next_y
        run += step
    return min(run, need), turned
