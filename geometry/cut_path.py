"""Put the beam's contours in order: inner before outer, outlines last, little travel between.

Travel is shortened by nearest neighbour, then 2-opt (Croes 1958) and Or-opt (Or 1976), with the
start point of every closed contour moved to where the way past it is shortest. A contour is never
cut before one that lies inside it: once a part has come loose, nothing in it can be cut any more.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.kerf import Contour, PointMm

# Rounds of 2-opt and of moving start points; two bring nearly all of the gain.
ROUNDS = 3
MOST_SWEEPS = 30
# A gain below this is rounding, not travel.
LEAST_GAIN_MM = 1e-6

Points = NDArray[np.float64]


@dataclass(frozen=True)
class MachineProfile:
    """How fast one laser works, simply: cut / speed + travel / travel speed + starts x delay.

    The figures to begin with are judgement for thin PET on a small CO2 laser; the workshop sets its
    own from one timed run.
    """

    cut_mm_per_s: float = 20.0
    travel_mm_per_s: float = 200.0
    start_delay_s: float = 0.15


DEFAULT_MACHINE = MachineProfile()


@dataclass(frozen=True)
class CutPath:
    """Contours in the order and from the point in which they are cut.

    length_mm is cut, travel_mm is moved without cutting, from `start_mm` on.
    """

    contours: tuple[Contour, ...]
    length_mm: float
    travel_mm: float
    start_mm: PointMm = (0.0, 0.0)

    @property
    def end_mm(self) -> PointMm:
        """Where the beam stops."""
        if not self.contours:
            return self.start_mm
        x_mm, y_mm = _end(self.contours[-1])
        return float(x_mm), float(y_mm)

    def seconds(self, machine: MachineProfile = DEFAULT_MACHINE) -> float:
        """Return how long the machine takes by its profile."""
        return (
            self.length_mm / machine.cut_mm_per_s
            + self.travel_mm / machine.travel_mm_per_s
            + len(self.contours) * machine.start_delay_s
        )


def order_contours(contours: Sequence[Contour], start_mm: PointMm = (0.0, 0.0)) -> CutPath:
    """Return the contours in cutting order: marks, then inside, then outlines; see the module.

    Each role is a stage of its own and begins where the one before ended. Deterministic.
    """
    ordered: list[Contour] = []
    here = np.asarray(start_mm, dtype=np.float64)
    for role in ("mark", "inside", "outline"):
        stage = [contour for contour in contours if contour.role == role]
        ordered += _order_stage(stage, here)
        if ordered:
            here = _end(ordered[-1])
    return measured_path(ordered, start_mm)


def measured_path(contours: Sequence[Contour], start_mm: PointMm = (0.0, 0.0)) -> CutPath:
    """Return the path that cuts `contours` just as they come."""
    travel_mm = 0.0
    here = np.asarray(start_mm, dtype=np.float64)
    for contour in contours:
        travel_mm += float(np.hypot(*(contour.points_mm[0] - here)))
        here = _end(contour)
    length_mm = sum(contour.length_mm for contour in contours)
    return CutPath(tuple(contours), length_mm, travel_mm, start_mm)


def containers(contours: Sequence[Contour]) -> list[int]:
    """Return for each contour the index of the smallest one it lies inside, or -1."""
    closed = [index for index, contour in enumerate(contours) if contour.closed]
    shapes = [shapely.Polygon(contours[index].points_mm) for index in closed]
    inner_points = np.array([shape.representative_point() for shape in shapes], dtype=object)
    parents = [-1] * len(contours)
    parent_area = [np.inf] * len(contours)
    points, holders = shapely.STRtree(shapes).query(inner_points, predicate="within")
    for point, holder in zip(points, holders, strict=True):
        area = shapes[holder].area
        if holder != point and shapes[point].area < area < parent_area[closed[point]]:
            parents[closed[point]], parent_area[closed[point]] = closed[holder], area
    return parents


def _order_stage(contours: Sequence[Contour], start: Points) -> list[Contour]:
    """Nearest neighbour, then rounds of 2-opt, Or-opt and start points moved to the way."""
    if not contours:
        return []
    parents = containers(contours)
    order, first = _nearest_neighbour(contours, parents, start)
    # The points where the beam comes to and leaves each contour; one and the same on closed ones.
    starts = [contours[index].points_mm[at] for index, at in zip(order, first, strict=True)]
    if any(not contour.closed for contour in contours):
        return [_begin_at(contours[i], at) for i, at in zip(order, first, strict=True)]
    order_now, points = np.array(order), np.array(starts)
    for _ in range(ROUNDS):
        order_now, points, turned = _two_opt(order_now, points, start, parents)
        order_now, points, shifted = _or_opt(order_now, points, start, parents)
        moved = _move_starts([contours[index] for index in order_now], points, start)
        if not (turned or shifted or moved):
            break
    return [
        _begin_at(contours[index], int(np.argmin(_squared(contours[index].points_mm - point))))
        for index, point in zip(order_now, points, strict=True)
    ]


def _nearest_neighbour(
    contours: Sequence[Contour], parents: Sequence[int], start: Points
) -> tuple[list[int], list[int]]:
    """From where the beam is to the nearest point of a contour with nothing uncut inside."""
    uncut_inside = np.zeros(len(contours), dtype=int)
    for parent in parents:
        if parent >= 0:
            uncut_inside[parent] += 1
    # All points that the beam may come to in one table: of open contours only their ends.
    owners, ats = [], []
    for index, contour in enumerate(contours):
        count = len(contour.points_mm)
        at = np.arange(count) if contour.closed else np.array([0, count - 1])
        owners.append(np.full(len(at), index))
        ats.append(at)
    owner, at = np.concatenate(owners), np.concatenate(ats)
    table = np.vstack([contours[i].points_mm[a] for i, a in enumerate(ats)])
    blocked = uncut_inside[owner] > 0
    done = np.zeros(len(table), dtype=bool)
    order: list[int] = []
    first: list[int] = []
    here = start
    for _ in contours:
        distance = np.where(done | blocked, np.inf, _squared(table - here))
        row = int(np.argmin(distance))
        index = int(owner[row])
        order.append(index)
        first.append(int(at[row]))
        here = _end(_begin_at(contours[index], int(at[row])))
        done |= owner == index
        if parents[index] >= 0:
            uncut_inside[parents[index]] -= 1
            blocked = uncut_inside[owner] > 0
    return order, first


def _two_opt(
    order: NDArray[np.int64], points: Points, start: Points, parents: Sequence[int]
) -> tuple[NDArray[np.int64], Points, bool]:
    """Turn round stretches of the way while that shortens it and breaks no inner-before-outer."""
    count = len(order)
    turned = False
    limits = _turn_limits(order, parents)
    for _ in range(MOST_SWEEPS):
        better = False
        for i in range(count - 1):
            last = int(limits[i])
            if last <= i:
                continue
            before = points[i - 1] if i else start
            ends = points[i + 1 : last + 1]
            gain = np.hypot(*(points[i] - before)) - np.hypot(*(ends - before).T)
            after = points[i + 2 : last + 2]
            reach = len(after)  # the very last contour has no way onwards
            gain[:reach] += np.hypot(*(after - ends[:reach]).T) - np.hypot(*(after - points[i]).T)
            best = int(np.argmax(gain))
            if gain[best] > LEAST_GAIN_MM:
                stretch = slice(i, i + 2 + best)
                order[stretch], points[stretch] = order[stretch][::-1], points[stretch][::-1]
                limits = _turn_limits(order, parents)
                better = turned = True
        if not better:
            break
    return order, points, turned


def _or_opt(
    order: NDArray[np.int64], points: Points, start: Points, parents: Sequence[int]
) -> tuple[NDArray[np.int64], Points, bool]:
    """Take one to three contours out of the way and cut them elsewhere on it, where that shortens
    it. Contours that lie in another or hold one stay where they are."""
    held = {child for child, parent in enumerate(parents) if parent >= 0} | set(parents)
    shifted = False
    for _ in range(MOST_SWEEPS):
        better = False
        for length in (3, 2, 1):
            for i in range(len(order) - length + 1):
                if held.intersection(order[i : i + length].tolist()):
                    continue
                move = _best_shift(points, start, i, length)
                if move is None:
                    continue
                to, backwards = move
                step = -1 if backwards else 1
                taken = np.arange(i, i + length)[::step]
                rest = np.delete(np.arange(len(order)), np.arange(i, i + length))
                way = np.insert(rest, to, taken)
                order, points = order[way], points[way]
                better = shifted = True
        if not better:
            break
    return order, points, shifted


def _best_shift(points: Points, start: Points, i: int, length: int) -> tuple[int, bool] | None:
    """Where among the others the stretch from i is best cut, and if backwards; None for here."""
    first, last = points[i], points[i + length - 1]
    rest = np.vstack([start[None], points[:i], points[i + length :]])
    before, after = rest[:-1], rest[1:]

    def gap(a: Points, b: Points) -> Points:
        return np.hypot(*(a - b).T)

    edge = np.append(gap(before, after), 0.0)  # the last place has no way onwards
    to_first, to_last = gap(rest, first), gap(rest, last)
    onwards, onwards_back = np.append(gap(after, last), 0.0), np.append(gap(after, first), 0.0)
    costs = np.stack([to_first + onwards - edge, to_last + onwards_back - edge])
    here = costs[0, i]
    backwards, to = np.unravel_index(int(np.argmin(costs)), costs.shape)
    if costs[backwards, to] > here - LEAST_GAIN_MM:
        return None
    return int(to), bool(backwards)


def _turn_limits(order: NDArray[np.int64], parents: Sequence[int]) -> NDArray[np.int64]:
    """For each place the last one up to which a stretch holds no contour with its container."""
    places = np.argsort(order)
    limits = np.full(len(order), len(order) - 1)
    for child, parent in enumerate(parents):
        if parent >= 0:
            limits[places[child]] = places[parent] - 1
    return np.minimum.accumulate(limits[::-1])[::-1]


def _move_starts(contours: Sequence[Contour], points: Points, start: Points) -> bool:
    """Move each start point, in place, to the one with the shortest way past; say if any moved."""
    moved = False
    for index, contour in enumerate(contours):
        before = points[index - 1] if index else start
        way = np.hypot(*(contour.points_mm - before).T)
        if index + 1 < len(contours):
            way = way + np.hypot(*(contour.points_mm - points[index + 1]).T)
        best = int(np.argmin(way))
        if not np.array_equal(contour.points_mm[best], points[index]):
            points[index] = contour.points_mm[best]
            moved = True
    return moved


def _begin_at(contour: Contour, at: int) -> Contour:
    """The contour from its point `at` on; an open one backwards if that is its end."""
    if contour.closed:
        return replace(contour, points_mm=np.roll(contour.points_mm, -at, axis=0))
    return contour if at == 0 else replace(contour, points_mm=contour.points_mm[::-1].copy())


def _end(contour: Contour) -> Points:
    """Where the beam leaves a contour."""
    return contour.points_mm[0 if contour.closed else -1]


def _squared(differences: Points) -> Points:
    return np.einsum("ij,ij->i", differences, differences)
