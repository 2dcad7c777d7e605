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
# Allowed at points laid along the edges; the rest is kept in hand for what lies between them.
EDGE_MM = 0.8 * TOLERANCE_MM
# Allowed at the contour's own points.
POINT_MM = 0.6 * TOLERANCE_MM
# How much a point laid along an edge counts beside one of the contour's own.
EDGE_WEIGHT = 0.1
REFITS = 4
# A first fit can lie within the tolerance and still be biased inwards; this many mend it.
REFITS_OF_A_FIT = 2
# So many times the tolerance are never mended by refits.
HOPELESS = 12.0
# Handles longer than this share of the stretch make loops and swings.
LONGEST_HANDLE = 0.75


@njit(cache=True)
def best_cubic(
    points: Points, along: Points, is_knot: NDArray[np.bool_], on: Points, back: Points
) -> tuple[Points, int]:
    """Return the first cubic that fits and -1, or the last one tried and the point it misses most.

    points: the stretch; along: way to each from the first, mm; is_knot: which are the contour's
    own; on, back: unit directions at both ends, into the stretch.
    """
    length = along[-1]
    at = along / length
    bezier = np.empty((4, 2))
    for refit in range(REFITS + 1):
        _least_squares(points, at, is_knot, on, back, length, bezier)
        strain, worst = _strain(points, at, is_knot, bezier)
        if strain <= 1.0 and refit >= REFITS_OF_A_FIT:
            return bezier, -1
        if refit == REFITS or strain > HOPELESS:
            break
        _nearer(points, at, bezier)
    return bezier, worst


@njit(cache=True)
def _place(bezier: Points, t: float) -> tuple[float, float]:
    s = 1.0 - t
    a, b, c, d = s * s * s, 3.0 * t * s * s, 3.0 * t * t * s, t * t * t
    x = a * bezier[0, 0] + b * bezier[1, 0] + c * bezier[2, 0] + d * bezier[3, 0]
    y = a * bezier[0, 1] + b * bezier[1, 1] + c * bezier[2, 1] + d * bezier[3, 1]
    return x, y


@njit(cache=True)
def _strain(
    points: Points, at: Points, is_knot: NDArray[np.bool_], bezier: Points
) -> tuple[float, int]:
    """The largest distance as a multiple of what is allowed there, and at which point; where all
    points fit, also midway between them, so that the curve does not sway."""
    worst, most = 0, 0.0
    for k in range(len(at)):
        x, y = _place(bezier, at[k])
        off = np.hypot(x - points[k, 0], y - points[k, 1])
        off /= POINT_MM if is_knot[k] else EDGE_MM
        if off > most:
            worst, most = k, off
    if most > 1.0:
        return most, worst
    for k in range(len(at) - 1):
        x, y = _place(bezier, 0.5 * (at[k] + at[k + 1]))
        middle_x = 0.5 * (points[k, 0] + points[k + 1, 0])
        middle_y = 0.5 * (points[k, 1] + points[k + 1, 1])
        off = np.hypot(x - middle_x, y - middle_y) / EDGE_MM
        if off > most:
            worst, most = k, off
    return most, worst


@njit(cache=True)
def _least_squares(
    points: Points,
    at: Points,
    is_knot: NDArray[np.bool_],
    on: Points,
    back: Points,
    length: float,
    bezier: Points,
) -> None:
    """Schneider's two handle lengths by weighted least squares; a third of the stretch each where
    they come out wrong."""
    first, last = points[0], points[-1]
    c11 = c12 = c22 = x1 = x2 = 0.0
    across = on[0] * back[0] + on[1] * back[1]
    for k in range(len(at)):
        t = at[k]
        s = 1.0 - t
        b0, b1, b2, b3 = s * s * s, 3.0 * t * s * s, 3.0 * t * t * s, t * t * t
        w = 1.0 if is_knot[k] else EDGE_WEIGHT
        rest_x = points[k, 0] - (b0 + b1) * first[0] - (b2 + b3) * last[0]
        rest_y = points[k, 1] - (b0 + b1) * first[1] - (b2 + b3) * last[1]
        c11 += w * b1 * b1
        c12 += w * b1 * b2 * across
        c22 += w * b2 * b2
        x1 += w * b1 * (on[0] * rest_x + on[1] * rest_y)
        x2 += w * b2 * (back[0] * rest_x + back[1] * rest_y)
    alpha = beta = length / 3.0
    determinant = c11 * c22 - c12 * c12
    if abs(determinant) > 1e-12 * c11 * c22:
        alpha = (x1 * c22 - x2 * c12) / determinant
        beta = (c11 * x2 - c12 * x1) / determinant
        chord = np.hypot(last[0] - first[0], last[1] - first[1])
        if min(alpha, beta) <= 1e-3 * chord or max(alpha, beta) >= LONGEST_HANDLE * length:
            alpha = beta = length / 3.0
    for axis in range(2):
        bezier[0, axis] = first[axis]
        bezier[1, axis] = first[axis] + alpha * on[axis]
        bezier[2, axis] = last[axis] + beta * back[axis]
        bezier[3, axis] = last[axis]


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
    at[-1] = 1.0
