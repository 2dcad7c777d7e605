"""Turn dense contours into few smooth curves: lines and cubic Beziers within a tolerance.

Method: least-squares cubics with reparametrisation (Schneider 1990, "An algorithm for automatically
fitting digitized curves", Graphics Gems), between corners. Each goes on as long as it fits, its
directions free, so that a trembling edge is averaged and not followed; then neighbours are made to
meet in one direction wherever both still fit. The contour's own points lie on the drawn line, its
edges are chords of it: so its points weigh most, and points laid along the edges keep the curve
from leaving them.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.curve_kernels import TOLERANCE_MM, fit_stretch

Points = NDArray[np.float64]

# Bends sharper than this stay corners.
CORNER_DEG = 40.0
# Points are laid this close along the edges.
SPACING_MM = 0.1
STRAIGHT_MM = 0.004


@dataclass(frozen=True)
class Curve:
    """A path from `start` (x, y) through pieces: (1, 2) arrays are lines to a point, (3, 2) arrays
    are cubic Beziers (two handles, end). A closed curve ends on its start."""

    start: Points
    pieces: tuple[Points, ...]
    closed: bool

    def flattened(self, steps: int = 12) -> Points:
        """Return the curve as (n, 2) points, `steps` to a cubic; the end is not left out."""
        ways = [self.start[None]]
        at = np.linspace(0, 1, steps + 1)[1:]
        here = self.start
        for piece in self.pieces:
            ways.append(piece if len(piece) == 1 else _bezier(np.vstack([here, piece]), at))
            here = piece[-1]
        return np.vstack(ways)

    def moved(self, matrix: Points, shift: Points) -> "Curve":
        """Return the curve with every point p put at matrix @ p + shift."""
        pieces = tuple(piece @ matrix.T + shift for piece in self.pieces)
        return Curve(matrix @ self.start + shift, pieces, self.closed)


def straight_curve(points_mm: Points, *, closed: bool = True) -> Curve:
    """Return the contour as lines from point to point."""
    rest = [*points_mm[1:], points_mm[0]] if closed else list(points_mm[1:])
    return Curve(points_mm[0], tuple(point[None] for point in rest), closed)


def fit_curve(points_mm: Points, *, closed: bool = True) -> Curve:
    """Return a curve within 0.02 mm of the contour, starting at its first point.

    points_mm: (n, 2); closed contours do not repeat the first point. Corners of more than 40
    degrees stay; single edges stay lines. Where the fit would cross itself although the contour
    does not, lines within 0.01 mm are given back.
    """
    if len(points_mm) < 5:
        return straight_curve(points_mm, closed=closed)
    ring = np.vstack([points_mm, points_mm[:1]]) if closed else points_mm
    curve = Curve(ring[0], tuple(_pieces(ring, closed)), closed)
    if closed and not shapely.Polygon(curve.flattened()).is_valid:
        kept = shapely.Polygon(points_mm).simplify(TOLERANCE_MM / 2).exterior
        return straight_curve(shapely.get_coordinates(kept)[:-1], closed=True)
    return curve


def _pieces(ring: Points, closed: bool) -> list[Points]:
    """Lines and cubics along a contour that repeats its first point if it is closed."""
    knots, dense = _laid(ring)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
    is_knot = np.zeros(len(dense), dtype=bool)
    is_knot[knots] = True
    corners = knots[_corners(ring, closed)]
    end = len(dense) - 1
    is_smooth = closed and not np.isin((0, end), corners).any()
    pieces: list[Points] = []
    for first, last in itertools.pairwise(np.unique([0, end, *corners])):
        stretch = slice(first, last + 1)
        points = np.ascontiguousarray(dense[stretch])
        if not is_knot[first + 1 : last].any() or _is_straight(points):
            pieces.append(points[-1:])
            continue
        way = along[stretch] - along[first]
        cubics = fit_stretch(points, way, is_knot[stretch], is_smooth and last - first == end)
        pieces += [cubic[3:] if _is_straight(cubic) else cubic[1:] for cubic in cubics]
    return pieces


def _laid(ring: Points) -> tuple[NDArray[np.int64], Points]:
    """Points laid along the edges of a contour, and which of them are its own."""
    steps = np.diff(ring, axis=0)
    counts = np.maximum(1, np.ceil(np.hypot(*steps.T) / SPACING_MM).astype(int))
    knots = np.concatenate([[0], np.cumsum(counts)])
    edge = np.repeat(np.arange(len(steps)), counts)
    share = (np.arange(knots[-1]) - knots[edge]) / counts[edge]
    return knots, np.vstack([ring[edge] + share[:, None] * steps[edge], ring[-1:]])


def _corners(ring: Points, closed: bool) -> NDArray[np.int64]:
    """Which points of a contour are corners; a closed one that begins at a corner ends at it."""
    steps = np.diff(ring, axis=0)
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    if closed:
        heading = np.append(heading, heading[0])
    turns = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
    return np.flatnonzero(turns > np.radians(CORNER_DEG)) + 1


def _is_straight(points: Points) -> bool:
    """Whether the points run along their chord, never back, within STRAIGHT_MM."""
    chord = points[-1] - points[0]
    length = np.hypot(*chord)
    if length == 0:
        return False
    off = points - points[0]
    across = np.abs(off @ np.array([-chord[1], chord[0]])) / length
    return bool(across.max() < STRAIGHT_MM and np.all(np.diff(off @ chord) > 0))


def _bezier(bezier: Points, at: Points) -> Points:
    s = 1 - at
    weights = np.stack([s**3, 3 * at * s**2, 3 * at**2 * s, at**3], axis=1)
    return weights @ bezier
