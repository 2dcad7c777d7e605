"""Compiled walks: which links of a graph hold a part on their own, and how far film reaches."""

import heapq

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True)
def hanging_links(
    links: NDArray[np.int64], lengths: NDArray[np.float64], nodes: int
) -> tuple[
    NDArray[np.bool_], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]
]:
    """Return which links (m, 2) between nodes hold what lies beyond them alone, seen from node 0.

    Returns (is_bridge (m), into (m) the node a link leads into or -1, entered (n) and left (n) the
    turns at which the depth-first search came to a node and went from it, so that a part that hangs
    on a bridge is a range of turns; away (n) the shortest way from node 0). Parallel links are no
    bridges. Nodes that node 0 does not reach have entered -1. After Tarjan (1974), Dijkstra (1959).
    """
    count = len(links)
    starts = np.zeros(nodes + 1, np.int64)
    for link in range(count):
        starts[links[link, 0] + 1] += 1
        starts[links[link, 1] + 1] += 1
    for node in range(nodes):
        starts[node + 1] += starts[node]
    at = starts[:-1].copy()
    of_node = np.empty(2 * count, np.int64)
    for link in range(count):
        for side in range(2):
            node = links[link, side]
            of_node[at[node]] = link
            at[node] += 1
    is_bridge = np.zeros(count, np.bool_)
    into = np.full(count, -1, np.int64)
    entered = np.full(nodes, -1, np.int64)
    left = np.full(nodes, -1, np.int64)
    lowest = np.zeros(nodes, np.int64)
    came_by = np.full(nodes, -1, np.int64)
    at = starts[:-1].copy()
    stack = np.empty(nodes + 1, np.int64)
    stack[0] = 0
    depth = 1
    turn = 0
    entered[0] = lowest[0] = 0
    while depth > 0:
        node = stack[depth - 1]
        if at[node] < starts[node + 1]:
            link = of_node[at[node]]
            at[node] += 1
            if link == came_by[node]:
                continue
            other = links[link, 0] + links[link, 1] - node
            if entered[other] < 0:
                turn += 1
                entered[other] = lowest[other] = turn
                came_by[other] = link
                into[link] = other
                stack[depth] = other
                depth += 1
            else:
                lowest[node] = min(lowest[node], entered[other])
        else:
            depth -= 1
            left[node] = turn
            link = came_by[node]
            if link >= 0:
                before = links[link, 0] + links[link, 1] - node
                lowest[before] = min(lowest[before], lowest[node])
                is_bridge[link] = lowest[node] > entered[before]
    away = np.full(nodes, np.inf)
    away[0] = 0.0
    waiting = [(0.0, np.int64(0))]
    while len(waiting) > 0:
        way, place = heapq.heappop(waiting)
        if way > away[place]:
            continue
        for index in range(starts[place], starts[place + 1]):
            link = of_node[index]
            other = links[link, 0] + links[link, 1] - place
            if way + lengths[link] < away[other]:
                away[other] = way + lengths[link]
                heapq.heappush(waiting, (away[other], other))
    return is_bridge, into, entered, left, away


@njit(cache=True)
def ways_from_chord(region: NDArray[np.uint8], ends: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the straight way (px) of each pixel of a region to the chord between two ends (2, 2).

    Outside the region it is infinite.
    """
    along_x, along_y = ends[1, 0] - ends[0, 0], ends[1, 1] - ends[0, 1]
    length2 = max(along_x * along_x + along_y * along_y, 1e-9)
    ways = np.full(region.shape, np.float32(np.inf), np.float32)
    for y in range(region.shape[0]):
        for x in range(region.shape[1]):
            if region[y, x]:
                off_x, off_y = x - ends[0, 0], y - ends[0, 1]
                share = min(max((off_x * along_x + off_y * along_y) / length2, 0.0), 1.0)
                ways[y, x] = np.hypot(off_x - share * along_x, off_y - share * along_y)
    return ways


@njit(cache=True)
def ways_within(region: NDArray[np.uint8], start: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the way (px) to each pixel of a region without leaving it; inf where there is none.

    start: ways known beforehand, inf elsewhere. Steps go to 16 neighbours (Borgefors 1986), so a
    way is at most 2.7 % too long. region has a rim of two pixels of 0. Pixels wait in buckets by
    whole px of way (Dial 1969): no step is shorter, so those of one bucket never better each other.
    """
    width = region.shape[1]
    film = region.ravel()
    ways = start.copy().ravel()
    steps_x = np.array([1, 0, -1, 0, 1, 1, -1, -1, 2, 2, -2, -2, 1, 1, -1, -1])
    steps_y = np.array([0, 1, 0, -1, 1, -1, 1, -1, 1, -1, 1, -1, 2, -2, 2, -2])
    steps = steps_y * width + steps_x
    # A step of a knight passes between two pixels; one of them must be of the region.
    one = steps_y // 2 * width + steps_x // 2
    long = np.sqrt(steps_x * steps_x + steps_y * steps_y).astype(np.float32)
    seeds = np.flatnonzero((film > 0) & (ways < np.inf))
    buckets = int(ways[seeds].max()) + 4 if len(seeds) else 4
    first = np.full(buckets, -1)
    place = np.empty(2 * len(seeds) + 1024, np.int64)
    after = np.empty(len(place), np.int64)
    for item in range(len(seeds)):
        bucket = int(ways[seeds[item]])
        place[item], after[item] = seeds[item], first[bucket]
        first[bucket] = item
    used, free, waiting, level = len(seeds), -1, len(seeds), 0
    while waiting > 0:
        at = level % buckets
        while first[at] >= 0:
            item = first[at]
            first[at] = after[item]
            after[item], free = free, item
            waiting -= 1
            here = place[item]
            way = ways[here]
            if int(way) < level:
                continue  # it was bettered since it was put here
            for k in range(16):
                near = here + steps[k]
                if film[near] == 0 or way + long[k] >= ways[near] - np.float32(1e-4):
                    continue
                if k >= 8 and film[here + one[k]] == 0 and film[near - one[k]] == 0:
                    continue
                ways[near] = way + long[k]
                if free >= 0:
                    item = free
                    free = after[item]
                else:
                    if used == len(place):
                        place = np.concatenate((place, np.empty_like(place)))
                        after = np.concatenate((after, np.empty_like(after)))
                    item = used
                    used += 1
                bucket = int(ways[near]) % buckets
                place[item], after[item] = near, first[bucket]
                first[bucket] = item
                waiting += 1
        level += 1
    return ways.reshape(region.shape)
