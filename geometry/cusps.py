"""Necks between two cusps: where two pointed tips of film face each other across ink, or of ink
across film, as between two discs that just overlap or just do not.

A point thinner than the picture's pixels is closed by their blur, so that such a neck looks much
wider than it is. But a ridge of paler ink (or darker film) goes on from each tip, and the paleness
summed across it is the true width of what is there: it is followed to where it ends.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.caliper import _ray, _value
from geometry.ink import Ink, Loops
from geometry.kernels import UNIT

Points = NDArray[np.float64]

TIP_MM = 0.5
"""A tip is judged over so much of both its sides, in points of the edge (9 at least)."""
BLUNTEST = 1.3
"""Sides that are so many times the tip's length apart where it is judged, 66 degrees, make none."""
FARTHEST_MM = 3.0
"""Tips of one neck look at most this far apart."""
FACING = 0.8
"""Least cosine between a tip's direction and the way to the other. Judgement; 37 degrees."""
LEAST_RIDGE_PX = 0.15
"""A ridge ends where the width summed across it is less: three times its noise at a usual scan."""
PINHOLE_MM2 = 0.02


@dataclass(frozen=True)
class Neck:
    """A neck in px of the field: (2, 2) the tips' true ends x, y, and the width between them.

    is_link: the two ridges are one, so what looks like a neck is none: the tips are joined by a web
    (in ink) or line (in film) of `width_px`, finer than the picture can show.
    """

    ends_px: Points
    width_px: float
    is_link: bool

    @property
    def middle_px(self) -> Points:
        """Half way between the ends (2)."""
        return np.asarray(self.ends_px.mean(axis=0))


def find_necks(ink: Ink, widest_px: float, *, is_ink: bool) -> list[Neck]:
    """Return the necks of ink (or film) between two cusps that are narrower than `widest_px`."""
    reach = max(round(TIP_MM * ink.px_per_mm), 9)
    loops = ink.loops
    tips = _tips(ink.f, loops.points, loops.starts, reach, 1 if is_ink else -1)
    if len(tips) < 2:
        return []
    pairs = cKDTree(tips[:, :2]).query_pairs(FARTHEST_MM * ink.px_per_mm, output_type="ndarray")
    pairs = pairs[_facing(tips, pairs)]
    paper = ink.level * UNIT if is_ink else (1 - ink.level) * UNIT
    sign = -1 if is_ink else 1
    necks = []
    for one, other in pairs:
        neck = _neck(ink.f, tips[one], tips[other], sign, paper)
        if neck is not None and neck.width_px < widest_px:
            necks.append(neck)
    return _nearest_only(necks)


def _facing(tips: Points, pairs: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Return which pairs (n, 2) of tips point at each other."""
    one, other = tips[pairs[:, 0]], tips[pairs[:, 1]]
    way = other[:, :2] - one[:, :2]
    length = np.maximum(np.hypot(*way.T), 1e-9)
    ahead = (one[:, 2:] * way).sum(axis=1) / length
    back = -(other[:, 2:] * way).sum(axis=1) / length
    # Where noise breaks a fine web, the tips lie side by side as much as one before the other.
    broken = (length < 4) & ((one[:, 2:] * other[:, 2:]).sum(axis=1) < -FACING)
    return np.asarray((ahead > FACING) & (back > FACING) | broken)


def _neck(
    field: NDArray[np.int16], one: Points, other: Points, sign: int, base: float
) -> Neck | None:
    """Return the neck between two tips, or None where there is none."""
    ends = np.empty((2, 2))
    thinnest = np.inf
    is_link = False
    for index, (tip, towards) in enumerate(((one, other), (other, one))):
        x, y, least, joined = _follow_ridge(field, tip, towards[:2], -sign, base)
        ends[index] = x, y
        thinnest = min(thinnest, least)
        is_link = is_link or joined
    if is_link:
        return Neck(np.stack([one[:2], other[:2]]), float(thinnest), True)
    width = float(np.hypot(*(ends[1] - ends[0])))
    if np.dot(ends[1] - ends[0], other[:2] - one[:2]) <= 0:
        return None
    if not opens_both_ways(field, ends, sign):
        return None
    return Neck(ends, width, False)


def _nearest_only(necks: Sequence[Neck]) -> list[Neck]:
    """Return the narrowest of the necks that lie at one place."""
    kept: list[Neck] = []
    for neck in sorted(necks, key=lambda neck: (not neck.is_link, neck.width_px)):
        apart = (np.hypot(*(neck.middle_px - other.middle_px)) for other in kept)
        if all(away > max(neck.width_px, 6.0) for away in apart):
            kept.append(neck)
    return kept


@njit(cache=True)
def _tips(
    field: NDArray[np.int16],
    points: NDArray[np.float32],
    starts: NDArray[np.int64],
    reach: int,
    sign: int,
) -> Points:
    """Return (n, 4) per tip with sign * field > 0 inside: x, y, and the way it points, x, y."""
    found = np.empty((len(points) // reach + 1, 4))
    tip = np.empty(4)
    count = 0
    for loop in range(len(starts) - 1):
        first, size = starts[loop], starts[loop + 1] - starts[loop]
        if size < 3 * reach:
            continue
        best, at, gone = BLUNTEST * BLUNTEST, -1, 0
        for step in range(size + reach):
            here = step if step < size else step - size
            before = first + (here - reach if here >= reach else here - reach + size)
            after = first + (here + reach if here + reach < size else here + reach - size)
            x, y = points[first + here]
            x0, y0 = points[before]
            x1, y1 = points[after]
            middle_x, middle_y = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
            way_x, way_y = x - middle_x, y - middle_y
            # Squares, as roots would take most of the time.
            length2 = way_x * way_x + way_y * way_y
            apart2 = (x0 - x1) * (x0 - x1) + (y0 - y1) * (y0 - y1)
            if 4 * length2 > reach * reach and apart2 < best * length2:
                inside = sign * _value(field, 0.5 * (x + middle_x), 0.5 * (y + middle_y)) > 0
                if inside:
                    best, at, gone = min(best, apart2 / length2), here, 0
                    length = np.sqrt(length2)
                    tip[0], tip[1] = x, y
                    tip[2], tip[3] = way_x / length, way_y / length
                    continue
            gone += 1
            if at < 0 or (gone < reach and step < size + reach - 1):
                continue
            if count < len(found):
                found[count] = tip
                count += 1
            best, at = BLUNTEST * BLUNTEST, -1
    return found[:count]


@njit(cache=True)
def _across(
    field: NDArray[np.int16], x: float, y: float, way: tuple[float, float], sign: int, base: float
) -> float:
    """Return the width of a ridge across `way` at a point, px: its darkness or paleness summed
    over 7 px, less what lies just beyond on both sides."""
    normal_x, normal_y = -way[1], way[0]
    total = 0.0
    left = right = 0.0
    for step in range(-9, 10):
        t = 0.5 * step
        value = (sign * _value(field, x + t * normal_x, y + t * normal_y) + base) / UNIT
        if step < -7:
            left += value / 2
        elif step > 7:
            right += value / 2
        else:
            total += 0.5 * value
    beside = min(max(0.5 * (left + right), 0.0), 1.0)
    return float(total - 7.5 * beside)


@njit(cache=True)
def _follow_ridge(
    field: NDArray[np.int16], tip: Points, goal: Points, sign: int, base: float
) -> tuple[float, float, float, bool]:
    """Return (x, y, least width, whether it reaches `goal`) of the ridge that goes on from a tip.

    sign * field + base is 0 beside the ridge and UNIT on something wide. Where it ends, the last
    fall of its width is drawn out to nothing.
    """
    x, y = tip[0], tip[1]
    way_x, way_y = tip[2], tip[3]
    least = np.inf
    widths = np.zeros(7)
    known = 0
    for _ in range(400):
        to_x, to_y = goal[0] - x, goal[1] - y
        away = np.hypot(to_x, to_y)
        width = _across(field, x, y, (way_x, way_y), sign, base)
        least = min(least, width)
        if away < 1.5 and width >= LEAST_RIDGE_PX:
            return x, y, least, True
        widths[:-1] = widths[1:].copy()
        widths[-1] = width
        known += 1
        if width < LEAST_RIDGE_PX:
            break
        way_x, way_y = 0.9 * way_x + 0.1 * to_x / away, 0.9 * way_y + 0.1 * to_y / away
        length = np.hypot(way_x, way_y)
        way_x, way_y = way_x / length, way_y / length
        x, y = x + 0.5 * way_x, y + 0.5 * way_y
    span = min(known, 7) - 1
    if span >= 2:
        fall = (widths[6 - span] - widths[6]) / (0.5 * span)
        if fall > 0.02:
            more = min(max(widths[6], 0.0) / fall, 2.0)
            x, y = x + more * way_x, y + more * way_y
    return x, y, least, False


@njit(cache=True)
def opens_both_ways(field: NDArray[np.int16], ends: Points, sign: int) -> bool:
    """Tell whether the way between both ends stays inside and what it crosses widens to both
    sides: else it is no neck but the middle of a star of thin arms."""
    across_x, across_y = ends[1, 0] - ends[0, 0], ends[1, 1] - ends[0, 1]
    width = np.hypot(across_x, across_y)
    if width < 0.5:
        return True
    steps = int(2 * width) + 2
    for step in range(1, steps):
        share = step / steps
        if 0.2 < share < 0.8 and (
            sign * _value(field, ends[0, 0] + share * across_x, ends[0, 1] + share * across_y) <= 0
        ):
            return False
    middle_x, middle_y = 0.5 * (ends[0, 0] + ends[1, 0]), 0.5 * (ends[0, 1] + ends[1, 1])
    normal_x, normal_y = -across_y / width, across_x / width
    for side in (-1.0, 1.0):
        widest = 0.0
        way = (side * normal_x, side * normal_y)
        clear = _ray(field, middle_x, middle_y, way, sign, 2.4 * width + 13)
        for step in range(1, 9):
            out = side * step * (0.3 * width + 1.5)
            x, y = middle_x + out * normal_x, middle_y + out * normal_y
            if abs(out) >= clear:
                break
            radius = np.inf
            for turn in range(16):
                way = (np.cos(turn * np.pi / 8), np.sin(turn * np.pi / 8))
                radius = min(radius, _ray(field, x, y, way, sign, 2 * width + 6))
            widest = max(widest, radius)
        if widest < 0.65 * width + 1.0:
            return False
    return True


def without_pinholes(ink: Ink) -> NDArray[np.int16]:
    """Return the field with holes below 0.02 mm2 filled: beads of film that noise cuts off the tip
    of a cusp, and gaps in a marker's ink. What lies beside them is no line."""
    loops: Loops = ink.loops
    small = loops.is_hole & (loops.area_px2 < PINHOLE_MM2 * ink.px_per_mm**2)
    if not small.any():
        return ink.f
    field = ink.f.copy()
    _fill(field, loops.first_ink[small], int(4 * PINHOLE_MM2 * ink.px_per_mm**2) + 16)
    return field


@njit(cache=True)
def _fill(field: NDArray[np.int16], beside: NDArray[np.int32], most: int) -> None:
    """Make ink of the 4-connected film right of each pixel (n, 2) x, y, `most` pixels at most."""
    stack = np.empty((4 * most + 8, 2), np.int32)
    for index in range(len(beside)):
        stack[0, 0], stack[0, 1] = beside[index, 0] + 1, beside[index, 1]
        depth, filled = 1, 0
        while depth > 0 and filled < most:
            depth -= 1
            x, y = stack[depth]
            if x < 0 or y < 0 or x >= field.shape[1] or y >= field.shape[0] or field[y, x] < 0:
                continue
            field[y, x] = -UNIT // 4
            filled += 1
            for step_x, step_y in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                stack[depth, 0], stack[depth, 1] = x + step_x, y + step_y
                depth += 1
