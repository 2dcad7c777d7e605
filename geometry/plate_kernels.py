"""The compiled inner loops of the plate: parts of film in cells, which nodes are one, fronts.

Rasters are (rows, columns) of small squares. A cell is a square block of them; a part is the film
of one cell that hangs together by sides. Each part has eight slots for nodes: its cell's corners
(top left, top right, bottom left, bottom right), then the middles of its sides (top, bottom, left,
right), where smaller neighbours have a node and it has none.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

SLOTS = 8


@njit(cache=True)
def label_parts(
    film: NDArray[np.bool_], block: int, levels: NDArray[np.int8]
) -> tuple[NDArray[np.int32], NDArray[np.int32], int]:
    """Return (labels, parts, count): the part of each square or -1; per part x, y, side, squares.

    levels (rows, columns) of blocks of `block` squares a side: 0 one cell, 1 four, 2 sixteen.
    """
    height, width = film.shape
    labels = np.full((height, width), -1, np.int32)
    parts = np.empty((1024, 4), np.int32)
    stack = np.empty((block * block, 2), np.int32)
    count = 0
    for row in range(levels.shape[0]):
        for column in range(levels.shape[1]):
            side = block >> levels[row, column]
            for y0 in range(row * block, (row + 1) * block, side):
                for x0 in range(column * block, (column + 1) * block, side):
                    for y in range(y0, y0 + side):
                        for x in range(x0, x0 + side):
                            if not film[y, x] or labels[y, x] >= 0:
                                continue
                            if count == len(parts):
                                grown = np.empty((2 * count, 4), np.int32)
                                grown[:count] = parts
                                parts = grown
                            size = 0
                            top = 1
                            stack[0, 0], stack[0, 1] = y, x
                            labels[y, x] = count
                            while top > 0:
                                top -= 1
                                at_y, at_x = stack[top, 0], stack[top, 1]
                                size += 1
                                for turn in range(4):
                                    to_y = at_y + (turn == 0) - (turn == 1)
                                    to_x = at_x + (turn == 2) - (turn == 3)
                                    if (
                                        y0 <= to_y < y0 + side
                                        and x0 <= to_x < x0 + side
                                        and film[to_y, to_x]
                                        and labels[to_y, to_x] < 0
                                    ):
                                        labels[to_y, to_x] = count
                                        stack[top, 0], stack[top, 1] = to_y, to_x
                                        top += 1
                            parts[count, 0], parts[count, 1] = x0, y0
                            parts[count, 2], parts[count, 3] = side, size
                            count += 1
    return labels, parts[:count].copy(), count


@njit(cache=True)
def find(root: NDArray[np.int32], slot: int) -> int:
    """Return the slot that stands for a slot's class, shortening the way."""
    while root[slot] != slot:
        root[slot] = root[root[slot]]
        slot = root[slot]
    return slot


@njit(cache=True)
def unite(root: NDArray[np.int32], one: int, other: int) -> bool:
    """Make two classes one, the lower slot standing for it; tell whether they were two."""
    one, other = find(root, one), find(root, other)
    if one == other:
        return False
    if one < other:
        root[other] = one
    else:
        root[one] = other
    return True


@njit(cache=True)
def _unite_edge(
    root: NDArray[np.int32],
    parts: NDArray[np.int32],
    one: int,
    other: int,
    axis: int,
    ends: NDArray[np.int32],
    middles: NDArray[np.int32],
) -> None:
    """Make the nodes of two parts that meet along an edge one.

    axis: the row of `parts` along the edge. ends (2, 2), middles (2): slots of each part there.
    """
    start_one, start_other = parts[one, axis], parts[other, axis]
    side_one, side_other = parts[one, 2], parts[other, 2]
    slots_one = ends[0] + SLOTS * one
    slots_other = ends[1] + SLOTS * other
    if side_one > side_other:
        middle = SLOTS * one + middles[0]
        if start_one == start_other:
            unite(root, slots_one[0], slots_other[0])
            unite(root, middle, slots_other[1])
        else:
            unite(root, middle, slots_other[0])
            unite(root, slots_one[1], slots_other[1])
    elif side_one < side_other:
        middle = SLOTS * other + middles[1]
        if start_one == start_other:
            unite(root, slots_one[0], slots_other[0])
            unite(root, slots_one[1], middle)
        else:
            unite(root, slots_one[0], middle)
            unite(root, slots_one[1], slots_other[1])
    else:
        unite(root, slots_one[0], slots_other[0])
        unite(root, slots_one[1], slots_other[1])


@njit(cache=True)
def link_parts(
    labels: NDArray[np.int32],
    parts: NDArray[np.int32],
    finest: int,
    held: NDArray[np.bool_],
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Return (root of slots, root of parts): which nodes are one, which parts hang together.

    Two parts share the nodes of an edge only where their film meets across it. held (height + 2,
    width + 2): film of the frame around the raster; slot 0 and part 0 of the answer stand for it,
    everything else is one higher. finest: squares along the smallest cell.
    """
    height, width = labels.shape
    count = len(parts)
    root = np.arange(SLOTS * count + 1).astype(np.int32)
    whole = np.arange(count + 1).astype(np.int32)
    across = np.array([[1, 3], [0, 2]], np.int32) + 1
    across_middles = np.array([7, 6], np.int32) + 1
    down = np.array([[2, 3], [0, 1]], np.int32) + 1
    down_middles = np.array([5, 4], np.int32) + 1
    for x in range(finest, width, finest):
        last_one = last_other = -1
        for y in range(height):
            one, other = labels[y, x - 1], labels[y, x]
            if one < 0 or other < 0 or one == other:
                continue
            if one != last_one or other != last_other:
                unite(whole, one + 1, other + 1)
                _unite_edge(root, parts, one, other, 1, across, across_middles)
                last_one, last_other = one, other
    for y in range(finest, height, finest):
        last_one = last_other = -1
        for x in range(width):
            one, other = labels[y - 1, x], labels[y, x]
            if one < 0 or other < 0 or one == other:
                continue
            if one != last_one or other != last_other:
                unite(whole, one + 1, other + 1)
                _unite_edge(root, parts, one, other, 0, down, down_middles)
                last_one, last_other = one, other
    for y in range(height):
        for x, slots, outside in ((0, (0, 2), 0), (width - 1, (1, 3), width + 1)):
            part = labels[y, x]
            if part >= 0 and held[y + 1, outside]:
                unite(whole, 0, part + 1)
                for slot in slots:
                    unite(root, 0, SLOTS * part + slot + 1)
    for x in range(width):
        for y, slots, outside in ((0, (0, 1), 0), (height - 1, (2, 3), height + 1)):
            part = labels[y, x]
            if part >= 0 and held[outside, x + 1]:
                unite(whole, 0, part + 1)
                for slot in slots:
                    unite(root, 0, SLOTS * part + slot + 1)
    _join_masters(root, count)
    for slot in range(len(root)):
        root[slot] = find(root, slot)
    for part in range(count + 1):
        whole[part] = find(whole, part)
    return root, whole


@njit(cache=True)
def _join_masters(root: NDArray[np.int32], count: int) -> None:
    """Join large cells' edges that one small node lies in the middle of: it can follow but one."""
    corners = np.array([[0, 1], [2, 3], [0, 2], [1, 3]], np.int32) + 1
    changed = True
    while changed:
        changed = False
        first = np.full(len(root), -1, np.int32)
        for part in range(count):
            for edge in range(4):
                middle = find(root, SLOTS * part + 5 + edge)
                key = 4 * part + edge
                if first[middle] < 0:
                    first[middle] = key
                    continue
                known = first[middle]
                for end in range(2):
                    one = SLOTS * part + corners[edge, end]
                    other = SLOTS * (known // 4) + corners[known % 4, end]
                    changed |= unite(root, one, other)


@njit(cache=True)
def squares_of(
    labels: NDArray[np.int32],
    parts: NDArray[np.int32],
    chosen: NDArray[np.int64],
    film_share: NDArray[np.float32],
) -> NDArray[np.float64]:
    """Return (chosen, side * side): the share of each small square of the cell that is film."""
    side = parts[chosen[0], 2]
    weights = np.zeros((len(chosen), side * side))
    for index in range(len(chosen)):
        part = chosen[index]
        x0, y0 = parts[part, 0], parts[part, 1]
        for y in range(side):
            for x in range(side):
                if labels[y0 + y, x0 + x] == part:
                    weights[index, y * side + x] = film_share[y0 + y, x0 + x]
    return weights


@njit(cache=True)
def halving_line(start: NDArray[np.int32]) -> int:
    """Return the line near the middle at which the fewest elements begin; -1 where all begin alike.

    start: (n) where each begins, at least 0. As many nodes as begin there, about, are taken out.
    """
    low, high = start.min(), start.max()
    counts = np.zeros(high - low + 1, np.int64)
    for value in start:
        counts[value - low] += 1
    # The line nearest the middle bounds how far from it others may lie.
    nearest = 1.0
    before = 0
    for at in range(1, len(counts)):
        before += counts[at - 1]
        if counts[at] > 0:
            nearest = min(nearest, abs(before / len(start) - 0.5))
    best, line, before = np.inf, -1, 0
    for at in range(1, len(counts)):
        before += counts[at - 1]
        uneven = abs(before / len(start) - 0.5)
        if counts[at] == 0 or uneven > max(0.2, nearest):
            continue
        cost = counts[at] * (1 + 6 * uneven**2) + 1e-6 * uneven
        if cost < best:
            best, line = cost, at + low
    return line


@njit(cache=True)
def assemble(
    nodes: NDArray[np.int32],
    matrices: NDArray[np.float64],
    chosen: NDArray[np.int64],
    place: NDArray[np.int32],
    kept: int,
    per_node: int,
    pivot: NDArray[np.float64],
    below: NDArray[np.float64],
    rest: NDArray[np.float64],
) -> None:
    """Add elements (nodes (n, k), -1 for held; matrices (n, k d, k d)) into a front's lower half.

    place: where a node stands in the front; the first `kept` are its pivots.
    """
    for index in range(len(chosen)):
        element = chosen[index]
        for i in range(nodes.shape[1]):
            if nodes[element, i] < 0:
                continue
            at_i = place[nodes[element, i]]
            for j in range(nodes.shape[1]):
                if nodes[element, j] < 0:
                    continue
                at_j = place[nodes[element, j]]
                if at_i < at_j:
                    continue
                for a in range(per_node):
                    for b in range(per_node):
                        value = matrices[element, per_node * i + a, per_node * j + b]
                        if at_i < kept:
                            pivot[per_node * at_i + a, per_node * at_j + b] += value
                        elif at_j < kept:
                            below[per_node * (at_i - kept) + a, per_node * at_j + b] += value
                        else:
                            rest[per_node * (at_i - kept) + a, per_node * (at_j - kept) + b] += (
                                value
                            )


@njit(cache=True)
def extend_add(
    child: NDArray[np.float64],
    at: NDArray[np.int32],
    kept: int,
    per_node: int,
    pivot: NDArray[np.float64],
    below: NDArray[np.float64],
    rest: NDArray[np.float64],
) -> None:
    """Add a child's lower half into its parent's front; at (n): places of the child's nodes."""
    for j in range(len(at)):
        for i in range(j, len(at)):
            high, low = max(at[i], at[j]), min(at[i], at[j])
            turned = at[i] < at[j]
            for b in range(per_node):
                for a in range(b if i == j else 0, per_node):
                    value = child[per_node * i + a, per_node * j + b]
                    row, column = (b, a) if turned else (a, b)
                    row += per_node * (high if high < kept else high - kept)
                    column += per_node * (low if low < kept else low - kept)
                    if high < kept:
                        pivot[row, column] += value
                    elif low < kept:
                        below[row, column] += value
                    else:
                        rest[row, column] += value


@njit(cache=True, inline="always")
def _copy_square(
    out: NDArray[np.float64],
    to_row: int,
    to_column: int,
    row: int,
    column: int,
    split: int,
    per_node: int,
    pivot: NDArray[np.float64],
    below: NDArray[np.float64],
    rest: NDArray[np.float64],
) -> None:
    """Copy the square of two nodes of a front; its first `split` rows and columns are the pivots'.

    Of the pivots' block only the lower half is filled in.
    """
    for b in range(per_node):
        for a in range(per_node):
            if row >= split and column >= split:
                value = rest[row - split + a, column - split + b]
            elif row >= split:
                value = below[row - split + a, column + b]
            elif column >= split:
                value = below[column - split + b, row + a]
            elif row > column or (row == column and a >= b):
                value = pivot[row + a, column + b]
            else:
                value = pivot[column + b, row + a]
            out[to_row + a, to_column + b] = value


@njit(cache=True)
def pick(
    at: NDArray[np.int32],
    kept: int,
    per_node: int,
    pivot: NDArray[np.float64],
    below: NDArray[np.float64],
    rest: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the inverse's square (n d, n d) at places of a front whose three blocks are given."""
    size = len(at)
    split = per_node * kept
    out = np.empty((size * per_node, size * per_node)).T
    for j in range(size):
        column = per_node * at[j]
        for i in range(size):
            row = per_node * at[i]
            to = (per_node * i, per_node * j)
            _copy_square(out, to[0], to[1], row, column, split, per_node, pivot, below, rest)
    return out


@njit(cache=True)
def pick_elements(
    nodes: NDArray[np.int32],
    chosen: NDArray[np.int64],
    place: NDArray[np.int32],
    kept: int,
    per_node: int,
    pivot: NDArray[np.float64],
    below: NDArray[np.float64],
    rest: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Write the inverse's square of each chosen element into out (elements, k d, k d); held 0."""
    split = per_node * kept
    for index in range(len(chosen)):
        element = chosen[index]
        for i in range(nodes.shape[1]):
            if nodes[element, i] < 0:
                continue
            row = per_node * place[nodes[element, i]]
            for j in range(nodes.shape[1]):
                if nodes[element, j] < 0:
                    continue
                column = per_node * place[nodes[element, j]]
                to = (per_node * i, per_node * j)
                _copy_square(
                    out[element], to[0], to[1], row, column, split, per_node, pivot, below, rest
                )
