"""The compiled inner loop of nesting: one sheet filled with blanks in a given order.

Free room is kept as the largest empty rectangles (left, top, right, bottom), each blank goes to the
top left of the one that a rule (0 to 4, `geometry.nesting.RULES`) likes best (Jylanki 2010).
All numbers are whole; a kind is a row of `sizes` (width, height) and of `ways` (as it is, turned).
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Whole = NDArray[np.int64]

MOST_FREE = 2000
"""So many free rectangles are kept; sheets of up to hundreds of blanks have fewer."""


@njit(cache=True)
def fill_one(
    sizes: Whole, ways: NDArray[np.bool_], room: Whole, order: Whole, begun: Whole, rule: int
) -> tuple[Whole, NDArray[np.bool_], int]:
    """Return (spots, is_left, work) of one sheet on which `begun` lies already.

    order: kinds in the order of trying, without those begun. begun, spots: (n, 4) kind, x, y,
    turned. is_left: which of `order` found no room. work: places looked for.
    """
    free = np.empty((MOST_FREE, 4), np.int64)
    free[0] = (0, 0, room[0], room[1])
    spots = np.empty((len(begun) + len(order), 4), np.int64)
    count, laid, work = 1, 0, 0
    for row in range(len(begun)):
        spots[laid] = begun[row]
        laid += 1
        count = _cover(free, count, sizes, begun[row])
    is_left = np.zeros(len(order), np.bool_)
    is_full = np.zeros(len(sizes), np.bool_)
    for place in range(len(order)):
        kind = order[place]
        if is_full[kind]:  # room only shrinks: what did not fit will not fit later
            is_left[place] = True
            continue
        work += 1
        at, turned = _best_place(free, count, sizes[kind], ways[kind], rule)
        if at < 0:
            is_full[kind] = True
            is_left[place] = True
            continue
        spots[laid] = (kind, free[at, 0], free[at, 1], turned)
        count = _cover(free, count, sizes, spots[laid])
        laid += 1
    return spots[:laid], is_left, work


@njit(cache=True)
def _best_place(
    free: Whole, count: int, size: Whole, ways: NDArray[np.bool_], rule: int
) -> tuple[int, int]:
    """Return (free rectangle, turned) with the lowest score, the upper, then the left of equals;
    (-1, 0) where there is no room."""
    best, best_turned = -1, 0
    least = np.full(4, np.iinfo(np.int64).max)
    score = np.empty(4, np.int64)
    for turned in range(2):
        if not ways[turned]:
            continue
        width, height = size[turned], size[1 - turned]
        for at in range(count):
            left, top = free[at, 0], free[at, 1]
            spare_x, spare_y = free[at, 2] - left - width, free[at, 3] - top - height
            if spare_x < 0 or spare_y < 0:
                continue
            score[2], score[3] = top, left
            if rule == 0:
                score[0], score[1], score[2] = top + height, left, top
            elif rule == 1:
                score[0], score[1], score[2] = left + width, top, left
            elif rule == 2:
                score[0], score[1] = min(spare_x, spare_y), max(spare_x, spare_y)
            elif rule == 3:
                score[0], score[1] = max(spare_x, spare_y), min(spare_x, spare_y)
            else:
                score[0] = (spare_x + width) * (spare_y + height) - width * height
                score[1] = min(spare_x, spare_y)
            for part in range(4):
                if score[part] < least[part]:
                    least[:] = score
                    best, best_turned = at, turned
                    break
                if score[part] > least[part]:
                    break
    return best, best_turned


@njit(cache=True)
def _cover(free: Whole, count: int, sizes: Whole, spot: Whole) -> int:
    """Take a blank's place out of the free rectangles, in place; return how many there are now."""
    turned = spot[3]
    left, top = spot[1], spot[2]
    right, bottom = left + sizes[spot[0], turned], top + sizes[spot[0], 1 - turned]
    kept = 0
    cut = np.empty((4 * count, 4), np.int64)
    cuts = 0
    for at in range(count):
        f_left, f_top, f_right, f_bottom = free[at, 0], free[at, 1], free[at, 2], free[at, 3]
        if f_left >= right or f_right <= left or f_top >= bottom or f_bottom <= top:
            free[kept] = free[at]
            kept += 1
            continue
        if left > f_left:
            cut[cuts] = (f_left, f_top, left, f_bottom)
            cuts += 1
        if right < f_right:
            cut[cuts] = (right, f_top, f_right, f_bottom)
            cuts += 1
        if top > f_top:
            cut[cuts] = (f_left, f_top, f_right, top)
            cuts += 1
        if bottom < f_bottom:
            cut[cuts] = (f_left, bottom, f_right, f_bottom)
            cuts += 1
    untouched = kept
    for one in range(cuts):
        if kept < MOST_FREE and _is_largest(cut, cuts, one, free, untouched):
            free[kept] = cut[one]
            kept += 1
    return kept


@njit(cache=True)
def _is_largest(cut: Whole, cuts: int, one: int, free: Whole, untouched: int) -> bool:
    """Whether no other rectangle holds this one; of two alike the first is kept."""
    for other in range(untouched):
        if _holds(free[other], cut[one]):
            return False
    for other in range(cuts):
        # of two alike the first is kept
        held = other != one and _holds(cut[other], cut[one])
        if held and (other < one or not _holds(cut[one], cut[other])):
            return False
    return True


@njit(cache=True)
def _holds(outer: Whole, inner: Whole) -> bool:
    return bool(
        outer[0] <= inner[0]
        and outer[1] <= inner[1]
        and outer[2] >= inner[2]
        and outer[3] >= inner[3]
    )
