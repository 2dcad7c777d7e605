"""A hand with a marker: paths in mm become exact shapes that sway, swell and have a rough edge."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

Points = NDArray[np.float64]
STEP_MM = 0.4


def resampled(points: Points, step_mm: float = STEP_MM) -> Points:
    """Return the path with a point about every step_mm, first and last kept."""
    lengths = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(round(along[-1] / step_mm), 1) + 1
    at = np.linspace(0, along[-1], count)
    return np.stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)], axis=1)


def _sway(count: int, every: int, random: np.random.Generator, *, closed: bool) -> Points:
    """Return smooth noise (count) of about -1 to 1 that changes its mind `every` points."""
    knots = random.uniform(-1, 1, max(count // every, 2) + 2)
    if closed:
        knots[-1] = knots[0]
    at = np.linspace(0, len(knots) - 1, count)
    whole = np.minimum(at.astype(int), len(knots) - 2)
    share = (1 - np.cos(np.pi * (at - whole))) / 2
    return knots[whole] * (1 - share) + knots[whole + 1] * share


@dataclass(frozen=True)
class Hand:
    """How steady a hand is, mm: wobble across the path, swell as a share of the width, rough edge.

    One hand draws one drawing: its noise comes from `random` in turn.
    """

    random: np.random.Generator
    wobble_mm: float = 0.18
    swell: float = 0.1
    rough_mm: float = 0.03

    def path(self, points: Points, *, closed: bool = False) -> Points:
        """Return the path as the hand follows it."""
        if closed and not np.allclose(points[0], points[-1]):
            points = np.concatenate([points, points[:1]])
        points = resampled(np.asarray(points, float))
        normal = np.gradient(points, axis=0)[:, ::-1] * (-1, 1)
        normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
        moved = points + normal * (
            self.wobble_mm * _sway(len(points), 12, self.random, closed=closed)[:, None]
        )
        if closed:
            moved[-1] = moved[0]
        return moved

    def stroke(self, points: Points, width_mm: float, *, closed: bool = False) -> shapely.Geometry:
        """Return what a round marker of that width leaves along a path: hulls of discs in turn."""
        path = self.path(points, closed=closed)
        width = width_mm * (
            1 + self.swell * _sway(len(path), 20, self.random, closed=closed)
        ) + self.rough_mm * self.random.uniform(-1, 1, len(path))
        if closed:
            width[-1] = width[0]
        discs = shapely.buffer(shapely.points(path), width / 2, quad_segs=12)
        pairs = shapely.union(discs[:-1], discs[1:])
        return shapely.union_all(shapely.convex_hull(pairs))

    def solid(self, points: Points) -> Polygon:
        """Return a shape filled with a marker, its outline swaying and rough."""
        path = self.path(points, closed=True)[:-1]
        path = path + self.rough_mm * self.random.uniform(-1, 1, path.shape)
        shape = shapely.make_valid(Polygon(path))
        return max(shapely.get_parts(shape), key=lambda part: part.area)


def gap(points: Points, share: float, *, width_mm: float = 2.2, reach_mm: float = 4.0) -> Polygon:
    """Return a white gap square across a path at a share of its length."""
    path = resampled(np.asarray(points, float))
    index = int(np.clip(round(share * (len(path) - 1)), 1, len(path) - 2))
    along = path[index + 1] - path[index - 1]
    across = np.array([-along[1], along[0]]) / np.hypot(*along) * reach_mm / 2
    ends = [path[index] - across, path[index] + across]
    return shapely.LineString(ends).buffer(width_mm / 2, cap_style="flat")


def circle(x: float, y: float, radius: float, start_deg: float = 0.0) -> Points:
    """Return a circle that comes back to its start, clockwise as seen."""
    angle = np.radians(start_deg) + np.linspace(0, 2 * np.pi, 181)
    return np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)


def arc(x: float, y: float, radius: float, start_deg: float, stop_deg: float) -> Points:
    """Return a piece of a circle."""
    angle = np.radians(np.linspace(start_deg, stop_deg, 90))
    return np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)


def turned(points: Points, by_deg: float, centre: tuple[float, float]) -> Points:
    """Return points turned clockwise as seen about a centre."""
    angle = np.radians(by_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (np.asarray(points) - centre) @ turn.T + centre
