"""Which places are taken so that every island hangs on the frame: a least spanning tree."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.bridge_sites import Film, Sites

CHAIN_MM: Final = 1.5
"""Cost of holding an island by another island rather than by the frame. Judgement."""


@dataclass
class Joined:
    """Sets of film parts that hang together (union and find after Tarjan, 1975)."""

    above: dict[int, int] = field(default_factory=dict)

    def root(self, part: int) -> int:
        """Return the part that stands for the set of a part."""
        self.above.setdefault(part, part)
        while self.above[part] != part:
            self.above[part] = self.above[self.above[part]]
            part = self.above[part]
        return part

    def join(self, one: int, other: int) -> bool:
        """Join the sets of two parts; tell whether they were apart."""
        first, second = self.root(one), self.root(other)
        self.above[first] = second
        return first != second


def span(
    film: Film,
    sites: Sites,
    joined: Joined,
    usable: NDArray[np.bool_],
    taken_px: Iterable[NDArray[np.float64]],
    apart_px: float,
) -> list[int]:
    """Return the places (numbers of sites) that join all islands to the frame, as far as can be.

    After Kruskal (1956): the cheapest place that joins what is still apart, and so on. usable (n):
    which places may be taken. Places nearer than apart_px to a taken one come only where nothing
    else is left. joined is changed.
    """
    between = sites.parts[:, 0] != sites.parts[:, 1]
    to_frame = (sites.parts == film.frame).any(axis=1)
    cost = sites.cost_mm + np.where(to_frame, 0.0, CHAIN_MM)
    middles = sites.middle_px
    taken = [np.asarray(point) for point in taken_px]
    chosen: list[int] = []
    order = np.flatnonzero(between & usable)
    order = order[np.argsort(cost[order], kind="stable")].tolist()
    for keep_apart in (True, False):
        for site in order:
            one, other = (int(part) for part in sites.parts[site])
            if joined.root(one) == joined.root(other):
                continue
            if keep_apart and is_near(middles[site], taken, apart_px):
                continue
            joined.join(one, other)
            taken.append(middles[site])
            chosen.append(site)
    return chosen


def is_near(
    point_px: NDArray[np.float64], taken_px: Sequence[NDArray[np.float64]], apart_px: float
) -> bool:
    """Tell whether a point lies nearer than apart_px to one of others."""
    if not taken_px:
        return False
    return bool(np.hypot(*(np.array(taken_px) - point_px).T).min() < apart_px)


def lying_apart(film: Film, joined: Joined) -> list[int]:
    """Return the islands that do not hang on the frame yet."""
    frame = joined.root(film.frame)
    return [part for part in film.loose if joined.root(part) != frame]


def held_parts(film: Film, parts: Sequence[tuple[int, int]]) -> list[tuple[int, bool]]:
    """Return, per bridge, the part that it holds and whether it is the first to do so.

    parts: the two parts of every bridge, in order. Those that join what was apart make a tree that
    hangs on the frame: each holds what is farther out. Another holds the farther of its two again.
    """
    joined = Joined()
    is_first = [joined.join(one, other) for one, other in parts]
    depth = {film.frame: 0}
    held: list[int] = [0] * len(parts)
    waiting = [index for index, first in enumerate(is_first) if first]
    while waiting:
        reached = [index for index in waiting if set(parts[index]) & set(depth)]
        if not reached:
            break
        for index in reached:
            near, far = parts[index] if parts[index][0] in depth else parts[index][::-1]
            depth[far] = depth[near] + 1
            held[index] = far
        waiting = [index for index in waiting if index not in reached]
    for index, (one, other) in enumerate(parts):
        if not held[index]:
            held[index] = max(one, other, key=lambda part: depth.get(part, 0))
    return list(zip(held, is_first, strict=True))
