"""Turn dense contours into few smooth curves: lines and cubic Beziers within a tolerance.

Method: least-squares cubics with reparametrisation (Schneider 1990, "An algorithm for automatically
fitting digitized curves", Graphics Gems), between corners. The contour's own points lie on the
drawn line, its edges are chords of it: so its points weigh most, and points laid along the edges
keep the curve from leaving them. A stretch that will not fit is parted where it fits worst.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.curve_kernels import TOLERANCE_MM, best_cubic

Points = NDArray[np.float64]

# Bends sharper than this stay corners.
CORNER_DEG = 40.0
# Points are laid this close along the edges.
SPACING_MM = 0.1
# Tangents are taken over at least and at most these lengths.
TANGENT_MM = 0.2
LONGEST_TANGENT_MM = 2.0
# One cubic follows a quarter turn of radius 20 mm within 0.006 mm, so longer stretches only cost.
LONGEST_TURN_DEG = 100.0
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
    way = _Way(ring, closed)
    pieces: list[Points] = []
    for first, last in itertools.pairwise(way.cuts):
        pieces += way.fit(first, last)
    curve = Curve(way.dense[0], tuple(pieces), closed)
    if closed and not shapely.Polygon(curve.flattened()).is_valid:
        kept = shapely.Polygon(points_mm).simplify(TOLERANCE_MM / 2).exterior
        return straight_curve(shapely.get_coordinates(kept)[:-1], closed=True)
    return curve


class _Way:
    """A contour with points laid along its edges: `knots` are its own points among `dense`."""

    def __init__(self, ring: Points, closed: bool) -> None:
        steps = np.diff(ring, axis=0)
        counts = np.maximum(1, np.ceil(np.hypot(*steps.T) / SPACING_MM).astype(int))
        self.knots = np.concatenate([[0], np.cumsum(counts)])
        edge = np.repeat(np.arange(len(steps)), counts)
        share = (np.arange(self.knots[-1]) - self.knots[edge]) / counts[edge]
        self.dense = np.vstack([ring[edge] + share[:, None] * steps[edge], ring[-1:]])
        self.along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(self.dense, axis=0).T))])
        self.is_knot = np.zeros(len(self.dense), dtype=bool)
        self.is_knot[self.knots] = True
        knot_along = self.along[self.knots]
        self._reaches = {1: knot_along, -1: self.along[-1] - knot_along[::-1]}
        self.closed = closed
        self.corners, self.cuts = self._cuts(steps)

    def _cuts(self, steps: Points) -> tuple[set[int], list[int]]:
        """Corners, and with them every place where a stretch begins or ends."""
        heading = np.arctan2(steps[:, 1], steps[:, 0])
        if self.closed:
            heading = np.append(heading, heading[0])
        turns = np.abs((np.diff(heading) + np.pi) % (2 * np.pi) - np.pi)
        end = len(self.dense) - 1
        corners = {int(self.knots[i + 1]) for i in np.flatnonzero(turns > np.radians(CORNER_DEG))}
        if not self.closed or end in corners:
            corners |= {0, end}
        cuts, turned = {0, end, *corners}, 0.0
        for knot, turn in zip(self.knots[1:-1], turns, strict=False):
            turned += turn
            if knot in corners or turned > np.radians(LONGEST_TURN_DEG):
                cuts.add(int(knot))
                turned = 0.0
        return corners, sorted(cuts)

    def fit(self, first: int, last: int) -> Iterator[Points]:
        """Pieces from dense[first] to dense[last]: a line, a cubic, or those of its two parts."""
        points = self.dense[first : last + 1]
        inner = first + 1 + np.flatnonzero(self.is_knot[first + 1 : last])
        if len(inner) == 0 or _is_straight(points):
            yield points[-1:]
            return
        bezier, worst = self._best_cubic(first, last)
        if worst is None:
            yield bezier[1:]
            return
        middle = int(inner[np.argmin(np.abs(inner - worst))])
        yield from self.fit(first, middle)
        yield from self.fit(middle, last)

    def _best_cubic(self, first: int, last: int) -> tuple[Points, int | None]:
        """The first cubic that fits (and None), or the last one tried and where it is worst."""
        stretch = slice(first, last + 1)
        bezier, worst = best_cubic(
            self.dense[stretch],
            self.along[stretch] - self.along[first],
            self.is_knot[stretch],
            self._tangent(first, 1, last),
            self._tangent(last, -1, first),
        )
        return bezier, None if worst < 0 else first + worst

    def _tangent(self, at: int, sense: int, other_end: int) -> Points:
        """Unit direction at a point, exact for parabolas: from both sides where the contour is
        smooth, from the stretch's own side at a corner."""
        near = self._away(at, sense)
        if at in self.corners:
            bound = abs(other_end - at)
            near = min(near, bound)
            far = min(near + self._away(at + sense * near, sense), bound)
            ways = [near, far]
        else:
            ways = [near, -self._away(at, -sense)]
        (h1, v1), (h2, v2) = (self._chord(at, sense * way, way) for way in ways)
        if h1 == h2 or h1 * h2 == 0:
            return _unit(v1 if h1 else v2)
        return _unit((h2 * h2 * v1 - h1 * h1 * v2) / (h1 * h2 * (h2 - h1)))

    def _away(self, at: int, sense: int) -> int:
        """How many dense points on lies the one that tells the direction: the end of the edge that
        begins here, or a point TANGENT_MM away where edges are short."""
        end = len(self.dense) - 1
        at %= end
        total = self.along[-1]
        along = self.along if sense > 0 else total - self.along[::-1]
        knots = self._reaches[sense]
        start = at if sense > 0 else end - at
        here = along[start]
        edge = knots[min(np.searchsorted(knots, here + 1e-9), len(knots) - 1)] - here
        goal = here + min(max(edge, TANGENT_MM), LONGEST_TANGENT_MM, total / 8)
        if self.closed and goal > total:
            return max(1, int(np.searchsorted(along, goal - total - 1e-9)) + end - start)
        return max(1, min(int(np.searchsorted(along, goal - 1e-9)), end) - start)

    def _chord(self, at: int, offset: int, way: int) -> tuple[float, Points]:
        """Signed length and vector from a dense point to the one `offset` further."""
        end = len(self.dense) - 1
        place = (at + offset) % end if self.closed else min(max(at + offset, 0), end)
        vector = self.dense[place] - self.dense[at]
        return float(np.copysign(np.hypot(*vector), way)), vector


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


def _unit(vector: Points) -> Points:
    length = np.hypot(*vector)
    return vector / length if length > 0 else vector
