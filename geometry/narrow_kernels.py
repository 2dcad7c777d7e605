"""The compiled parts of judging narrow lines: series of a few dozen widths, thousands of them."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TIP_SLOPE = 0.2
"""A free end that narrows by more than this (mm per mm) is a tip. Judgement; 0.2 is 11 degrees."""
WEDGE_SLOPE = 0.08
"""A run that narrows to a point, and on the whole by more than this, is a wedge. Judgement."""


@njit(cache=True)
def middle(values: Floats) -> float:
    """Return the median of some values."""
    ordered = np.sort(values)
    return (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


@njit(cache=True)
def smooth(width: Floats) -> Floats:
    """Return widths after a running median of 3, ends kept; fewer than 8 as they are."""
    evened = width.copy()
    if len(width) < 8:
        return evened
    for index in range(1, len(width) - 1):
        one, here, other = width[index - 1], width[index], width[index + 1]
        evened[index] = max(min(one, here), min(max(one, here), other))
    return evened


@njit(cache=True)
def stretches(width: Floats, limit: float, wide: float) -> NDArray[np.int64]:
    """Return (n, 2) first and last index of each stretch below `wide` that goes below `limit`."""
    evened = smooth(width)
    found = np.empty((len(width) // 2 + 1, 2), np.int64)
    count, first = 0, -1
    goes_below = False
    for index in range(len(width) + 1):
        if index < len(width) and evened[index] < wide:
            if first < 0:
                first, goes_below = index, False
            goes_below = goes_below or evened[index] < limit
        elif first >= 0:
            if goes_below:
                found[count, 0], found[count, 1] = first, index - 1
                count += 1
            first = -1
    return found[:count].copy()


@njit(cache=True)
def without_tips(width: Floats, way: Floats, free: tuple[bool, bool]) -> Flags:
    """Return which samples of a run (n) count: none of a wedge, and not those in a free tip."""
    counted = np.ones(len(width), np.bool_)
    for side in range(2):
        if not free[side]:
            continue
        if side == 0:
            from_end, along = width, way - way[0]
        else:
            from_end, along = width[::-1].copy(), (way[-1] - way)[::-1].copy()
        tip = len(width) if _is_wedge(from_end, along) else _tip(from_end, along)
        if side == 0:
            counted[:tip] = False
        else:
            counted[len(counted) - tip :] = False
    return counted


@njit(cache=True)
def _is_wedge(width: Floats, way: Floats) -> bool:
    """Tell whether a run narrows from its far end to a point at its near end (index 0)."""
    if len(width) < 4 or way[-1] <= 0:
        return True
    full = np.sort(width)[round(0.9 * (len(width) - 1))]
    near = middle(width[: max(len(width) // 6, 1)])
    mostly_full = 0
    for value in width:
        mostly_full += value > 0.8 * full
    is_pointed = near < 0.5 * full and 2 * mostly_full < len(width)
    return is_pointed and full - near > WEDGE_SLOPE * way[-1]


@njit(cache=True)
def _tip(width: Floats, way: Floats) -> int:
    """Return how many samples from a free end (index 0) on lie in a tip or a rounded end."""
    count = 0
    reach = max(len(width) // 12, 3)
    while count + 2 < len(width):
        stop = min(count + reach + 1, len(width))
        rise = width[stop - 1] - width[count]
        if rise < TIP_SLOPE * (way[stop - 1] - way[count]):
            break
        count += 1
    return count if count + 2 < len(width) else len(width)


@njit(cache=True)
def counted_length(width: Floats, way: Floats, counted: Flags, free: tuple[bool, bool]) -> float:
    """Return how far the counted part of a run goes, px; -1 if none counts.

    A middle line stops about half a width before a free end.
    """
    first, last = -1, -1
    for index in range(len(counted)):
        if counted[index]:
            first, last = (index if first < 0 else first), index
    if first < 0:
        return -1.0
    half = middle(width) / 2
    short = half * (free[0] and counted[0]) + half * (free[1] and counted[-1])
    return way[last] - way[first] + short


@njit(cache=True)
def narrowest(
    width: Floats, evened: Floats, way: Floats, counted: Flags, free: tuple[bool, bool]
) -> int:
    """Return the index of the least counted width after smoothing, -1 for none.

    Not in the rounded end of a line, where chords are shorter, unless all is.
    """
    reach = 0.8 * middle(width)
    for in_caps in (False, True):
        best = -1
        for index in range(len(width)):
            if not counted[index]:
                continue
            cap = (free[0] and way[index] < way[0] + reach) or (
                free[1] and way[index] > way[-1] - reach
            )
            if (in_caps or not cap) and (best < 0 or evened[index] < evened[best]):
                best = index
        if best >= 0:
            return best
    return -1
