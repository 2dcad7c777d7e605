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
from scipy.spatial import cKDTree

from geometry.cut_time import DEFAULT_MACHINE, MachineProfile, cut_seconds, travel_seconds
from geometry.kerf import Contour, PointMm
from geometry.travel_kernels import or_opt, two_opt

# Rounds of 2-opt and of moving start points; two bring nearly all of the gain.
ROUNDS = 3
MOST_SWEEPS = 30
# Only ways between so many nearest contours are tried: ten bring all but a percent of the gain.
NEIGHBOURS = 10

Points = NDArray[np.float64]


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
        """Return how long the machine takes by its profile, its factor included."""
        seconds = len(self.contours) * machine.start_delay_s
        here = np.asarray(self.start_mm, dtype=np.float64)
        for contour in self.contours:
            way_mm = float(np.hypot(*(contour.points_mm[0] - here)))
            seconds += travel_seconds(way_mm, machine)
            seconds += cut_seconds(contour.points_mm, machine, closed=contour.closed)
            here = _end(contour)
        return machine.factor * seconds


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
    if any(not contour.closed for contour in contours):
        return [_begin_at(contours[i], at) for i, at in zip(order, first, strict=True)]
    # The point where the beam comes to and leaves each contour: one and the same on closed ones.
    points = np.empty((len(contours), 2))
    for index, at in zip(order, first, strict=True):
        points[index] = contours[index].points_mm[at]
    way = np.array(order)
    holder = np.array(parents)
    held = holder >= 0
    held[holder[held]] = True
    for _ in range(ROUNDS):
        near = _near(points)
        turned = two_opt(way, points, start, holder, near, MOST_SWEEPS)
        shifted = or_opt(way, points, start, held, near, MOST_SWEEPS)
        in_order = points[way]
        moved = _move_starts([contours[index] for index in way], in_order, start)
        points[way] = in_order
        if not (turned or shifted or moved):
            break
    return [
        _begin_at(contours[i], int(np.argmin(_squared(contours[i].points_mm - points[i]))))
        for i in way
    ]


def _near(points: Points) -> NDArray[np.int64]:
    """Return the nearest other points (n, k) of each, nearest first."""
    count = len(points)
    asked = min(NEIGHBOURS + 1, count)
    _, found = cKDTree(points).query(points, k=asked)
    found = np.asarray(found, np.int64).reshape(count, asked)
    # Of points at one place any may come first; each leaves itself out, else its last.
    itself = found == np.arange(count)[:, None]
    itself[~itself.any(axis=1), -1] = True
    return found[~itself].reshape(count, asked - 1)


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
    done = np.zeros(len(contours), dtype=bool)
    rows, tree = np.arange(len(table)), cKDTree(table)
    owner_in_tree = owner
    rebuild_at = len(contours) // 2
    order: list[int] = []
    first: list[int] = []
    here = start
    for left in range(len(contours), 0, -1):
        if left == rebuild_at:  # half of what the tree holds is cut: a new one of the rest
            rows = np.flatnonzero(~done[owner])
            tree, owner_in_tree, rebuild_at = cKDTree(table[rows]), owner[rows], left // 2
        row = _nearest_free(tree, here, owner_in_tree, ~done & (uncut_inside == 0))
        index = int(owner_in_tree[row])
        order.append(index)
        first.append(int(at[rows[row]]))
        here = _end(_begin_at(contours[index], first[-1]))
        done[index] = True
        if parents[index] >= 0:
            uncut_inside[parents[index]] -= 1
    return order, first


def _nearest_free(
    tree: cKDTree, here: Points, owner: NDArray[np.int64], is_free: NDArray[np.bool_]
) -> int:
    """Return which point of a tree is nearest of those whose owner is free; one is."""
    asked = 32
    while True:
        asked = min(4 * asked, len(owner))
        _, found = tree.query(here, k=np.arange(1, asked + 1))
        free = found[is_free[owner[found]]]
        if len(free):
            return int(free[0])


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
