"""The compiled inner loop of curve fitting; `geometry.curves` says what it does and why.

Points are (n, 2) in mm. A cubic is its four points (4, 2). The compiled code is kept beside the
sources.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Points = NDArray[np.float64]

# Allowed between a contour and its curve.
TOLERANCE_MM = 0.02
# Allowed at the places looked at; the rest is kept in hand for what lies between them.
FIT_MM = 0.013
# Allowed at the places looked at while stretches are sought, and where two are made to meet in one
# direction; the rest is kept in hand for what lies between the places.
FIT_MM = 0.013
SMOOTHED_MM = 0.0155
# How much a point laid along an edge counts beside one of the contour's own.
EDGE_WEIGHT = 0.1
REFITS = 8
# A first fit can lie within the tolerance and still be biased inwards; this many mend it.
REFITS_OF_A_FIT = 3
# So many times what is allowed are never mended by refits.
HOPELESS = 12.0
# Handles longer than this share of the stretch make loops and swings.
LONGEST_HANDLE = 0.75
# What holds a handle at a third of the stretch where too few points tell.
RIDGE = 1e-6


@njit(cache=True)
def fit_stretch(points: Points, along: Points, is_knot: NDArray[np.bool_], closes: bool) -> Points:
    """Return (k, 4, 2): cubics from the first point to the last, each as long as one fits.

    points: the stretch; along: way to each from the first, mm; is_knot: which are the contour's
    own; closes: the last point is the first and no corner. Where two cubics can meet in one
    direction they do, else they bend a little.
    """
    last = len(points) - 1
    found = np.empty((last + 1, 4, 2))
    cuts = np.zeros(last + 2, np.int64)
    count, guess = 0, 16
    while cuts[count] < last:
        first = cuts[count]
        guess = _longest(points[first:], along[first:], is_knot[first:], guess, found[count])
        cuts[count + 1] = first + guess
        count += 1
    ways = np.zeros((count, 2, 2))
    for joint in range(0 if closes and count > 1 else 1, count):
        _smooth_joint(points, along, is_knot, cuts, found, ways, (joint - 1) % count, joint)
    return found[:count]


@njit(cache=True)
def _longest(
    points: Points, along: Points, is_knot: NDArray[np.bool_], guess: int, bezier: Points
) -> int:
    """Return how many points on the longest cubic goes that fits; it is put into bezier."""
    most = len(points) - 1
    free = np.zeros(2)
    good, bad = 0, most + 1
    trial = min(max(guess, 4), most)
    while bad - good > 1:
        stretch = slice(0, trial + 1)
        if _fits(points[stretch], along[stretch], is_knot[stretch], free, free, FIT_MM, bezier):
            good = trial
        else:
            bad = trial
        trial = (good + bad) // 2 if bad <= most else min(2 * good, most)
    stretch = slice(0, max(good, 1) + 1)
    if good == 0 or not _fits(
        points[stretch], along[stretch], is_knot[stretch], free, free, FIT_MM, bezier
    ):
        _thirds(points[stretch], bezier)
    return max(good, 1)


@njit(cache=True)
def _smooth_joint(
    points: Points,
    along: Points,
    is_knot: NDArray[np.bool_],
    cuts: NDArray[np.int64],
    found: Points,
    ways: Points,
    one: int,
    other: int,
) -> None:
    """Make cubic `one` end in the direction in which `other` begins, in place, where both then
    still fit. ways: (k, 2, 2) the directions already given to both ends of each."""
    ends = found[one, 3] - found[one, 2]
    begins = found[other, 1] - found[other, 0]
    long_end, long_begin = np.hypot(ends[0], ends[1]), np.hypot(begins[0], begins[1])
    if long_end < 1e-6 or long_begin < 1e-6:
        return
    before = slice(cuts[one], cuts[one + 1] + 1)
    after = slice(cuts[other], cuts[other + 1] + 1)
    left, right = np.empty((4, 2)), np.empty((4, 2))
    for share in (0.5, 0.25, 0.75, 0.0, 1.0):
        way = share * ends / long_end + (1 - share) * begins / long_begin
        length = np.hypot(way[0], way[1])
        if length < 0.2:
            return
        way /= length
        if _fits(
            points[before], along[before], is_knot[before], ways[one, 0], -way, SMOOTHED_MM, left
        ) and _fits(
            points[after], along[after], is_knot[after], way, ways[other, 1], SMOOTHED_MM, right
        ):
            found[one], found[other] = left, right
            ways[one, 1], ways[other, 0] = -way, way
            return


@njit(cache=True)
def _fits(
    points: Points,
    along: Points,
    is_knot: NDArray[np.bool_],
    on: Points,
    back: Points,
    allowed_mm: float,
    bezier: Points,
) -> bool:
    """Fit a cubic (in place) and tell whether it stays near enough to the points and edges.

    on, back: unit directions into the stretch at both ends, or zeros where they are free.
    """
    length = along[-1] - along[0]
    at = (along - along[0]) / length
    for refit in range(REFITS + 1):
        if not _least_squares(points, at, is_knot, on, back, length, bezier):
            return False
        _nearer(points, at, bezier)
        off = _farthest(points, at, bezier, allowed_mm)
        if off <= allowed_mm and refit >= REFITS_OF_A_FIT:
            return True
        if off > HOPELESS * allowed_mm:
            return False
    return False


@njit(cache=True)
def _thirds(points: Points, bezier: Points) -> None:
    """Put the straight line from the first point to the last into bezier."""
    for part in range(4):
        bezier[part] = points[0] + (points[-1] - points[0]) * part / 3


@njit(cache=True)
def _least_squares(
    points: Points,
    at: Points,
    is_knot: NDArray[np.bool_],
    on: Points,
    back: Points,
    length: float,
    bezier: Points,
) -> bool:
    """Fit both handles (in place) by weighted least squares, along their directions where those are
    known; tell whether they are sound."""
    _thirds(points, bezier)
    ways = np.zeros((4, 2))
    which = np.empty(4, np.int64)
    count = 0
    for handle, end, way in ((1, 0, on), (2, 3, back)):
        if way[0] != 0 or way[1] != 0:
            bezier[handle] = bezier[end] + way * length / 3
            which[count], ways[count] = handle, way
            count += 1
        else:
            for axis in range(2):
                which[count], ways[count, axis] = handle, 1.0
                count += 1
    inner, rest = np.zeros((4, 4)), np.zeros((4, 2))
    for k in range(len(at)):
        t, s = at[k], 1.0 - at[k]
        first, second = 3.0 * t * s * s, 3.0 * t * t * s
        weight = 1.0 if is_knot[k] else EDGE_WEIGHT
        x, y = _place(bezier, t)
        off_x, off_y = weight * (points[k, 0] - x), weight * (points[k, 1] - y)
        rest[1, 0] += first * off_x
        rest[1, 1] += first * off_y
        rest[2, 0] += second * off_x
        rest[2, 1] += second * off_y
        inner[1, 1] += weight * first * first
        inner[1, 2] += weight * first * second
        inner[2, 2] += weight * second * second
    inner[2, 1] = inner[1, 2]
    matrix, right = np.empty((count, count)), np.empty(count)
    for u in range(count):
        right[u] = ways[u, 0] * rest[which[u], 0] + ways[u, 1] * rest[which[u], 1]
        for v in range(count):
            across = ways[u, 0] * ways[v, 0] + ways[u, 1] * ways[v, 1]
            matrix[u, v] = inner[which[u], which[v]] * across
        matrix[u, u] += RIDGE
    moves = np.linalg.solve(matrix, right)
    for u in range(count):
        for axis in range(2):
            bezier[which[u], axis] += moves[u] * ways[u, axis]
    for handle, end, way in ((1, 0, on), (2, 3, back)):
        out_x, out_y = bezier[handle, 0] - bezier[end, 0], bezier[handle, 1] - bezier[end, 1]
        if np.hypot(out_x, out_y) > LONGEST_HANDLE * length:
            return False
        if out_x * way[0] + out_y * way[1] < 0:
            return False
    return True


@njit(cache=True)
def _place(bezier: Points, t: float) -> tuple[float, float]:
    s = 1.0 - t
    a, b, c, d = s * s * s, 3.0 * t * s * s, 3.0 * t * t * s, t * t * t
    x = a * bezier[0, 0] + b * bezier[1, 0] + c * bezier[2, 0] + d * bezier[3, 0]
    y = a * bezier[0, 1] + b * bezier[1, 1] + c * bezier[2, 1] + d * bezier[3, 1]
    return x, y


@njit(cache=True)
def _farthest(points: Points, at: Points, bezier: Points, allowed_mm: float) -> float:
    """Return the largest distance at the points and, where all fit, at three places between each
    two, so that the curve does not sway."""
    most = 0.0
    for k in range(len(at)):
        x, y = _place(bezier, at[k])
        most = max(most, np.hypot(x - points[k, 0], y - points[k, 1]))
    if most > allowed_mm:
        return most
    for k in range(len(at) - 1):
        for part in range(1, 4):
            share = part / 4
            x, y = _place(bezier, at[k] + share * (at[k + 1] - at[k]))
            edge_x = points[k, 0] + share * (points[k + 1, 0] - points[k, 0])
            edge_y = points[k, 1] + share * (points[k + 1, 1] - points[k, 1])
            most = max(most, np.hypot(x - edge_x, y - edge_y))
    return most


@njit(cache=True)
def _nearer(points: Points, at: Points, bezier: Points) -> None:
    """One Newton step of every parameter, in place, towards the point's foot on the curve."""
    furthest = 0.0
    for k in range(1, len(at) - 1):
        t = at[k]
        s = 1.0 - t
        top = bottom = 0.0
        x, y = _place(bezier, t)
        for axis in range(2):
            d0 = 3.0 * (bezier[1, axis] - bezier[0, axis])
            d1 = 3.0 * (bezier[2, axis] - bezier[1, axis])
            d2 = 3.0 * (bezier[3, axis] - bezier[2, axis])
            slope = s * s * d0 + 2.0 * s * t * d1 + t * t * d2
            bend = 2.0 * (s * (d1 - d0) + t * (d2 - d1))
            off = (x if axis == 0 else y) - points[k, axis]
            top += off * slope
            bottom += slope * slope + off * bend
        if bottom > 1e-12:
            t = min(max(t - top / bottom, 0.0), 1.0)
        furthest = max(furthest, t)
        at[k] = furthest
