"""Thinning: a mask of pixels to lines one pixel wide, and those to chains of pixels."""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.bands import BLOCK_PX


def _simple_table(*, diagonal: bool) -> NDArray[np.bool_]:
    """Return, per pattern of 8 neighbours, whether taking the middle away splits or joins nothing.

    Yokoi's connectivity number is 1 (Yokoi, Toriwaki and Fukumura 1975); diagonal neighbours count
    as connected or not.
    """
    table = np.zeros(256, np.bool_)
    for pattern in range(256):
        bits = [(pattern >> k) & 1 for k in range(8)]
        seen = [1 - bit for bit in bits] if diagonal else bits
        turns = sum(
            seen[k] - seen[k] * seen[(k + 1) % 8] * seen[(k + 2) % 8] for k in range(0, 8, 2)
        )
        table[pattern] = turns == 1
    return table


SIMPLE_8 = _simple_table(diagonal=True)
SIMPLE_4 = _simple_table(diagonal=False)


@njit(cache=True, inline="always")
def _pattern(flat: NDArray[np.uint8], place: int, width: int) -> int:
    """Return the 8 neighbours of a place as bits: east first, then on through north."""
    return (
        (flat[place + 1] > 0)
        | (flat[place - width + 1] > 0) << 1
        | (flat[place - width] > 0) << 2
        | (flat[place - width - 1] > 0) << 3
        | (flat[place - 1] > 0) << 4
        | (flat[place + width - 1] > 0) << 5
        | (flat[place + width] > 0) << 6
        | (flat[place + width + 1] > 0) << 7
    )


@njit(cache=True)
def by_way(
    mask: NDArray[np.uint8],
    zone: NDArray[np.uint8],
    ways: NDArray[np.uint16],
    reach: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return y * width + x of a mask's pixels in a zone that lie `reach` px from the edge
    at most, by quarters of a px of it and then in order, and where each quarter starts (m + 1).

    ways: the squares of the ways. The outermost pixels are left out.
    """
    height, width = mask.shape
    most = round(reach * reach)
    quarter = np.empty(most + 1, np.int64)
    for square in range(most + 1):
        quarter[square] = int(4 * np.sqrt(square))
    found = np.empty(65536, np.int64)
    counts = np.zeros(quarter[most] + 2, np.int64)
    count = 0
    for y in range(1, height - 1):
        if count + width > len(found):
            more = np.empty(2 * len(found) + width, np.int64)
            more[:count] = found[:count]
            found = more
        blocks, inside, way = zone[y // BLOCK_PX], mask[y], ways[y]
        for block in range(len(blocks)):
            if not blocks[block]:
                continue
            first = max(block * BLOCK_PX, 1)
            for x in range(first, min((block + 1) * BLOCK_PX, width - 1)):
                if inside[x] and way[x] <= most:
                    found[count] = y * width + x
                    count += 1
                    counts[quarter[way[x]] + 1] += 1
    starts = np.cumsum(counts)
    at = starts.copy()
    order = np.empty(count, np.int64)
    flat = ways.reshape(-1)
    for index in range(count):
        level = quarter[flat[found[index]]]
        order[at[level]] = found[index]
        at[level] += 1
    return order, starts


@njit(cache=True)
def thin(
    mask: NDArray[np.uint8],
    order: NDArray[np.int64],
    starts: NDArray[np.int64],
    simple: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Thin some pixels of a mask in place; return y * width + x of those of them that stay.

    order: the pixels, those to go first in front; starts (m + 1): sets of them that are worked
    through in turn, from the four sides so that no line is eaten from its end. A pixel goes only
    if that splits or joins nothing (simple: per pattern of its neighbours) and it ends no line. A
    last pass takes the corners of stairs.
    """
    width = mask.shape[1]
    ones = np.zeros(256, np.int64)
    for pattern in range(256):
        for bit in range(8):
            ones[pattern] += (pattern >> bit) & 1
    goes = simple & (ones > 1)
    goes_after = SIMPLE_8 & (ones > 1)
    border = np.empty(len(order), np.int64)
    sides = np.array([-width, width, -1, 1])
    flat = mask.reshape(-1)
    left = np.empty(len(order), np.int64)
    count = 0
    for level in range(len(starts) - 1):
        first, stop = count, count + starts[level + 1] - starts[level]
        left[first:stop] = order[starts[level] : starts[level + 1]]
        changed = stop > first
        while changed:
            changed = False
            for side in range(4):
                found = 0
                for index in range(first, stop):
                    place = left[index]
                    if flat[place] and not flat[place + sides[side]]:
                        border[found] = place
                        found += 1
                for index in range(found):
                    place = border[index]
                    if goes[_pattern(flat, place, width)]:
                        flat[place] = 0
                        changed = True
            kept = first
            for index in range(first, stop):
                if flat[left[index]]:
                    left[kept] = left[index]
                    kept += 1
            stop = kept
        count = stop
    kept = 0
    for index in range(count):
        place = left[index]
        if goes_after[_pattern(flat, place, width)]:
            flat[place] = 0
        else:
            left[kept] = place
            kept += 1
    return left[:kept].copy()


@njit(cache=True)
def link_chains(
    mask: NDArray[np.uint8], kept: NDArray[np.int64], ways: NDArray[Any]
) -> tuple[
    NDArray[np.int32],
    NDArray[np.int64],
    NDArray[np.int8],
    NDArray[np.int32],
    NDArray[np.int32],
    NDArray[np.float32],
    NDArray[np.bool_],
]:
    """Return the fields of Chains from a thinned mask, but for the squares of the joints' ways.

    The mask is used up; ways: squares of the way to the edge.

    In the mask: 1 wide or unsorted, then 2 line, 3 joint, 4 line already in a chain, 5 joint with a
    number.
    """
    width = mask.shape[1]
    around_x = np.array([1, 1, 0, -1, -1, -1, 0, 1])
    around_y = np.array([0, -1, -1, -1, 0, 1, 1, 1])
    for place in kept:
        mask[place // width, place % width] = 2
    for place in kept:
        y, x = place // width, place % width
        lines = 0
        for k in range(8):
            near = mask[y + around_y[k], x + around_x[k]]
            lines += near >= 2
        if lines >= 3:
            mask[y, x] = 3
    radius = np.zeros(len(kept), np.float32)
    wide = np.zeros(len(kept), np.bool_)
    joint_at = {np.int64(-1): np.int32(-1)}
    joints = 0
    stack = np.empty(len(kept) + 1, np.int64)
    for index in range(len(kept)):
        place = kept[index]
        if mask[place // width, place % width] != 3:
            continue
        stack[0] = place
        depth = 1
        mask[place // width, place % width] = 5
        while depth > 0:
            depth -= 1
            at = stack[depth]
            joint_at[at] = np.int32(joints)
            y, x = at // width, at % width
            radius[joints] = max(radius[joints], np.float32(ways[y, x]))
            for k in range(8):
                near_y, near_x = y + around_y[k], x + around_x[k]
                if mask[near_y, near_x] == 3:
                    mask[near_y, near_x] = 5
                    stack[depth] = near_y * width + near_x
                    depth += 1
                elif mask[near_y, near_x] == 1:
                    wide[joints] = True
        joints += 1
    pixels = np.empty((len(kept), 2), np.int32)
    starts = np.zeros(len(kept) + 1, np.int64)
    ends = np.zeros((len(kept), 2), np.int8)
    joint = np.full((len(kept), 2), -1, np.int32)
    beyond = np.zeros((len(kept), 4), np.int32)
    chains = 0
    count = 0
    for turn in range(2):
        for index in range(len(kept)):
            place = kept[index]
            y, x = place // width, place % width
            if mask[y, x] != 2:
                continue
            lines = 0
            for k in range(8):
                lines += mask[y + around_y[k], x + around_x[k]] == 2
            if turn == 0 and lines > 1:
                continue
            first = count
            at_y, at_x = y, x
            while True:
                mask[at_y, at_x] = 4
                pixels[count, 0], pixels[count, 1] = at_x, at_y
                count += 1
                found = False
                for k in (0, 2, 4, 6, 1, 3, 5, 7):
                    if mask[at_y + around_y[k], at_x + around_x[k]] == 2:
                        at_y, at_x = at_y + around_y[k], at_x + around_x[k]
                        found = True
                        break
                if not found:
                    break
            used = np.int64(-1)
            for end in range(2):
                last = first if end == 0 else count - 1
                end_x, end_y = pixels[last, 0], pixels[last, 1]
                beyond[chains, 2 * end], beyond[chains, 2 * end + 1] = end_x, end_y
                for k in (0, 2, 4, 6, 1, 3, 5, 7):
                    near_y, near_x = end_y + around_y[k], end_x + around_x[k]
                    near = np.int64(near_y) * width + near_x
                    value = mask[near_y, near_x]
                    if first == count - 1 and end == 1:
                        if value == 5 and joint_at[near] == joint[chains, 0]:
                            continue
                        if value == 1 and ends[chains, 0] == 1 and _next_to(near, used, width):
                            continue
                    if value == 1 or value == 5:
                        beyond[chains, 2 * end] = near_x
                        beyond[chains, 2 * end + 1] = near_y
                        used = near
                        if value == 1:
                            ends[chains, end] = 1
                        else:
                            ends[chains, end] = 2
                            joint[chains, end] = joint_at[near]
                        break
            chains += 1
            starts[chains] = count
    return (
        pixels[:count].copy(),
        starts[: chains + 1].copy(),
        ends[:chains].copy(),
        joint[:chains].copy(),
        beyond[:chains].copy(),
        np.sqrt(radius[:joints]),
        wide[:joints].copy(),
    )


@njit(cache=True)
def _next_to(one: Any, other: Any, width: int) -> bool:
    """Tell whether two places are the same pixel or neighbours."""
    if other < 0:
        return False
    return abs(one // width - other // width) <= 1 and abs(one % width - other % width) <= 1


@njit(cache=True)
def part_corners(mask: NDArray[np.uint8]) -> None:
    """Take pixels away until none meet at a corner only."""
    height, width = mask.shape
    changed = True
    while changed:
        changed = False
        for y in range(height - 1):
            for x in range(width - 1):
                one, right = mask[y, x], mask[y, x + 1]
                below, across = mask[y + 1, x], mask[y + 1, x + 1]
                if one and across and not right and not below:
                    mask[y + 1, x + 1] = 0
                    changed = True
                elif right and below and not one and not across:
                    mask[y + 1, x] = 0
                    changed = True
