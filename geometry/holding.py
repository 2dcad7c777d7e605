"""Holding: whether the loss of thin webs would free a part of the film."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.ink import Loops

Points = NDArray[np.float64]

_CELL_PX = 4.0
_FRAME = -1
_INSIDE_PX = 0.7


def holds_film(loops: Loops, calipers: Points, *, least_area_px: float) -> NDArray[np.bool_]:
    """Return, per web, whether film joined to the frame would be freed if all the webs were lost.

    calipers: (n, 5) width, middle x, y and direction of the chord across each web, px of the field.
    All are cut across at once, so two thin bridges of one part both hold it, and a thin one beside
    a good one does not. A part counts from `least_area_px` (px2) on, openings in it included.

    Each chord joins two places on edges. Along the edges and over the chords, the outlines of the
    parts are walked, film always on one side: a part that is freed is gone round the way a hole is,
    the frame the other way. A chord that crosses one before it is judged as that.
    """
    if not len(calipers):
        return np.zeros(0, np.bool_)
    half = calipers[:, :1] / 2 * calipers[:, 3:5]
    judged_as = _first_crossed(calipers[:, 1:3] - half, calipers[:, 1:3] + half)
    used = np.flatnonzero(judged_as == np.arange(len(calipers)))
    middle, half = calipers[used, 1:3], half[used]
    ends = np.concatenate([middle - half, middle + half])
    # From a bit inside, so that of a hair of ink the near side is found.
    inside = np.minimum(calipers[used, :1] / 2, _INSIDE_PX) * calipers[used, 3:5]
    loop, place = _on_edges(loops, ends + np.concatenate([inside, -inside]))
    around = np.where(loops.is_hole[loop], loop, loops.parent[loop])
    known = (around == _FRAME) & (loop >= 0)
    freed = _walked_areas(loops, ends, loop, place, known) >= 2 * least_area_px
    held = np.zeros(len(calipers), np.bool_)
    held[used] = freed[: len(used)] | freed[len(used) :]
    return np.asarray(held[judged_as])


def _first_crossed(one: Points, other: Points) -> NDArray[np.intp]:
    """Return, per chord between two ends (n, 2), the first chord before it that it crosses and that
    crosses none itself; else its own number."""
    way = other - one

    def sides(ends: Points) -> Points:
        off = ends[None, :] - one[:, None]
        return np.asarray(way[:, None, 0] * off[..., 1] - way[:, None, 1] * off[..., 0])

    parted = sides(one) * sides(other) < 0
    crosses = parted & parted.T
    judged_as = np.arange(len(one))
    for chord in np.flatnonzero(crosses.any(axis=1)):
        before = np.flatnonzero(crosses[chord, :chord])
        before = before[judged_as[before] == before]
        if before.size:
            judged_as[chord] = before[0]
    return judged_as


def _on_edges(loops: Loops, ends: Points) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the edge on which each end (n, 2) lies and the number of its nearest point; -1: none.

    Only edge points in the cells about an end are looked through.
    """
    around = loops.around_px.reshape(2, 2) / _CELL_PX
    low = np.floor(np.minimum(ends.min(axis=0) / _CELL_PX, around[0])) - 1
    cells = np.floor(ends / _CELL_PX).astype(np.int64) - low.astype(np.int64)
    most = np.floor(around[1]).astype(np.int64) - low.astype(np.int64)
    marked = np.zeros(np.maximum(cells.max(axis=0), most)[::-1] + 2, np.bool_)
    for step_y in (-1, 0, 1):
        for step_x in (-1, 0, 1):
            marked[cells[:, 1] + step_y, cells[:, 0] + step_x] = True
    at = (loops.points / np.float32(_CELL_PX) - low.astype(np.float32)).astype(np.int32)
    near = np.flatnonzero(marked[at[:, 1], at[:, 0]])
    loop = np.full(len(ends), -1)
    place = np.full(len(ends), -1)
    if near.size:
        away, nearest = cKDTree(loops.points[near]).query(ends)
        found = away < _CELL_PX
        place[found] = near[nearest[found]]
        loop[found] = np.searchsorted(loops.starts, place[found], side="right") - 1
    return loop, place


def _walked_areas(
    loops: Loops,
    ends: Points,
    loop: NDArray[np.int64],
    place: NDArray[np.int64],
    known: NDArray[np.bool_],
) -> Points:
    """Return, per end of a chord, twice the area of the part that its edge goes on along, px2.

    Negative for the frame. known: which ends lie on edges of the frame's film;
    the others have 0.
    """
    count = len(ends) // 2
    is_known = known & np.roll(known, count)  # both ends of a chord
    order = np.lexsort((place, loop))
    order = order[is_known[order]]
    if not order.size:
        return np.zeros(len(ends))
    after: dict[int, tuple[int, float]] = {}
    starts = np.flatnonzero(np.diff(loop[order], prepend=-2))
    for first, stop in zip(starts, [*starts[1:], len(order)], strict=True):
        group = order[first:stop]
        points = loops.points_of(int(loop[group[0]]))
        offset = int(loops.starts[loop[group[0]]])
        sums = np.concatenate([[0.0], np.cumsum(_cross(points, np.roll(points, -1, axis=0)))])
        for end, to in zip(group.tolist(), np.roll(group, -1).tolist(), strict=True):
            one, other = int(place[end]) - offset, int(place[to]) - offset
            along = float(sums[other] - sums[one])
            if other < one or end == to:
                along += float(sums[-1])
            after[end] = to, along + _leap(ends[end], points[one]) + _leap(points[other], ends[to])
    areas = np.zeros(len(ends))
    left = set(after)
    while left:
        walk, total = [], 0.0
        end = next(iter(left))
        while end in left:
            left.remove(end)
            walk.append(end)
            to, along = after[end]
            end = (to + count) % len(ends)
            total += along + _leap(ends[to], ends[end])
        areas[walk] = total
    # Ink has an outer edge of one sign, a hole in it the other: a hole's is that of film.
    outer = int(np.argmax(loops.area_px2))
    points = loops.points_of(outer)
    sign = np.sign(_cross(points, np.roll(points, -1, axis=0)).sum())
    return areas * (sign if loops.is_hole[outer] else -sign)


def _cross(one: Points, other: Points) -> Points:
    """Return the cross products (n) of points (n, 2)."""
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


def _leap(one: Points, other: Points) -> float:
    """Return the cross product of two points."""
    return float(one[0] * other[1] - one[1] * other[0])
