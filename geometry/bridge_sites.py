"""Places where a bridge could go: ways across the ink from film to film, each with its cost.

The cost of a place is in mm: how much line it takes away, and what it harms besides. A bridge
across a straight run is hardly seen; at a bend, an end or where lines meet it changes the drawing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.bridge_kernels import cross_ink, look_beside
from geometry.ink import Ink
from geometry.islands import blank_canvas, cuts_edge
from geometry.kernels import UNIT
from geometry.limits import Limits
from geometry.outlines import Outline
from geometry.recipe import Placement

SPACING_MM: Final = 1.5
"""Film is looked out from along its edges at this distance, closer on small loops."""
LEAST_PLACES: Final = 24
"""So many places on a loop at least, where it has as many pixels."""
NEAR_MM: Final = 14.0
"""Ways up to this long are sought first; longer ones only for film that has no other."""
OVERLAP_MM: Final = 0.12
"""A bridge goes on into the film by this much at each end, at least."""
CLEAR_MM: Final = 2.5
"""A line should run on straight for this long on both sides of a bridge. Judgement."""
TURN_MM: Final = 3.0
END_MM: Final = 4.0
SHALLOW_MM: Final = 5.0
SLANT_MM: Final = 1.5
"""Costs, mm: of a turn by one radian, of an end or a meeting close by, of film at an end of the
bridge that is too narrow to take it, and of an end that meets its edge at 45 degrees, growing with
the square of the slope. Judgement, by looking at the results."""
STEEPEST: Final = 2.0


@dataclass(frozen=True)
class Film:
    """The film's parts on the field: parts (h, w) uint16, 0 in ink and in crumbs of film.

    frame: the number of the part that is the frame. f: the field in which crumbs are ink.
    ink: the ink whose frame and pixels they have.
    """

    ink: Ink
    f: NDArray[np.int16]
    parts: NDArray[np.uint16]
    areas_mm2: NDArray[np.float64]
    frame: int

    @property
    def loose(self) -> list[int]:
        """The numbers of the parts that are islands."""
        return [
            part
            for part in range(1, len(self.areas_mm2))
            if part != self.frame and self.areas_mm2[part] > 0
        ]

    def part_at(self, point_px: NDArray[np.float64]) -> int:
        """Return the part at a point, x, y px; 0 for none."""
        x, y = np.rint(point_px).astype(int)
        height, width = self.parts.shape
        return int(self.parts[y, x]) if 0 <= y < height and 0 <= x < width else 0


@dataclass(frozen=True)
class Sites:
    """Places for bridges. ends_px (n, 4): x, y of both ends in film; edges_px (n, 4): of the ink.

    parts (n, 2): the film at both ends; cost_mm (n), gap_mm (n): the line's width there. orbit (n):
    the same number for places that are each other's counterparts, -1 where that is not known.
    """

    ends_px: NDArray[np.float64]
    edges_px: NDArray[np.float64]
    parts: NDArray[np.int64]
    gap_mm: NDArray[np.float64]
    cost_mm: NDArray[np.float64]
    orbit: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.cost_mm)

    @cached_property
    def middle_px(self) -> NDArray[np.float64]:
        """The middles (n, 2), px."""
        return (self.edges_px[:, :2] + self.edges_px[:, 2:]) / 2

    def only(self, which: NDArray[np.intp] | NDArray[np.bool_]) -> "Sites":
        """Return some of the places, in that order."""
        return Sites(
            self.ends_px[which],
            self.edges_px[which],
            self.parts[which],
            self.gap_mm[which],
            self.cost_mm[which],
            self.orbit[which],
        )

    def also(self, more: "Sites") -> "Sites":
        """Return these places and then others."""
        return Sites(
            np.concatenate([self.ends_px, more.ends_px]),
            np.concatenate([self.edges_px, more.edges_px]),
            np.concatenate([self.parts, more.parts]),
            np.concatenate([self.gap_mm, more.gap_mm]),
            np.concatenate([self.cost_mm, more.cost_mm]),
            np.concatenate([self.orbit, more.orbit]),
        )


def film_parts(
    ink: Ink,
    outlines: Sequence[Outline],
    placement: Placement,
    blank_mm: tuple[float, float],
    limits: Limits,
    islands_mm: Sequence[tuple[float, float]] = (),
) -> Film:
    """Return the parts of the film, 4-connected at full resolution, as find_islands counts them.

    Parts below limits.island_mm2 are crumbs: they need no bridge and carry none. islands_mm: a
    point of every part that was found to be none, as pixels tell areas at the limit a bit off.
    """
    is_cut_off = cuts_edge(outlines, blank_mm)
    if is_cut_off:
        ink = blank_canvas(ink, placement, blank_mm)
    else:
        # A ring of film joins what the field's border cuts apart.
        f = cv2.copyMakeBorder(ink.f, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=UNIT // 2)
        origin_px = (ink.origin_px[0] - 1, ink.origin_px[1] - 1)
        ink = replace(ink, f=f.astype(np.int16, copy=False), origin_px=origin_px)
    is_film = (ink.f >= 0).astype(np.uint8)
    count, parts = cv2.connectedComponents(is_film, connectivity=4, ltype=cv2.CV_16U)
    counted = cv2.calcHist([parts], [0], None, [count], [0, count]).ravel().astype(np.float64)
    areas_mm2 = counted * (placement.scale / ink.px_per_mm) ** 2
    areas_mm2[0] = 0.0
    frame = _largest_at_edge(parts, areas_mm2) if is_cut_off else int(parts[0, 0])
    crumbs = (areas_mm2 < limits.island_mm2) & (np.arange(count) != frame)
    crumbs[0] = False
    for x, y in np.rint(ink.to_px(placement.to_paper(np.reshape(islands_mm, (-1, 2))))).astype(int):
        crumbs[parts[y, x]] = False
    f = ink.f
    if crumbs.any():
        in_crumb = crumbs[parts]
        f = f.copy()
        f[in_crumb] = -UNIT // 2
        parts = np.where(in_crumb, np.uint16(0), parts)
        areas_mm2[crumbs] = 0.0
    return Film(ink, f, np.asarray(parts, np.uint16), areas_mm2, frame)


def _largest_at_edge(parts: NDArray[Any], areas_mm2: NDArray[np.float64]) -> int:
    """Return the largest part that reaches the blank's edge on a canvas with a ring of ink."""
    sides = (parts[2:5], parts[-5:-2], parts[:, 2:5].T, parts[:, -5:-2].T)
    at_edge = np.unique(np.concatenate([side.ravel() for side in sides]))
    return int(at_edge[np.argmax(areas_mm2[at_edge])])


def find_sites(
    film: Film,
    loops_px: Sequence[NDArray[np.float64]],
    mm: float,
    width_mm: float,
    *,
    longest_mm: float = NEAR_MM,
    only: Sequence[int] | None = None,
) -> Sites:
    """Return places for bridges of a width, seen from the edges of the film.

    loops_px: every edge of the ink, (k, 2) px of film's field each. mm: of one pixel on the blank.
    only: the parts of the film to look out from; all by default.
    """
    points, inward = _lookouts(loops_px, film.f, mm)
    if only is not None and len(points):
        inside = np.rint(points - 1.2 * inward).astype(int)
        x = np.clip(inside[:, 0], 0, film.parts.shape[1] - 1)
        y = np.clip(inside[:, 1], 0, film.parts.shape[0] - 1)
        kept = np.isin(film.parts[y, x], list(only))
        points, inward = points[kept], inward[kept]
    across = cross_ink(film.f, film.parts, points, inward, longest_mm / mm).reshape(-1, 6)
    across = across[across[:, 4] > 0]
    return _weighed(film, across, mm, width_mm)


def _lookouts(
    loops_px: Sequence[NDArray[np.float64]], f: NDArray[np.int16], mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points (n, 2) along the edges and unit vectors (n, 2) from there into the ink."""
    points, inward = [], []
    for loop in loops_px:
        count = len(loop)
        if count < 8:
            continue
        step = max(min(round(SPACING_MM / mm), count // LEAST_PLACES), 1)
        at = np.arange(0, count, step)
        arm = min(max(round(0.3 / mm), 2), count // 4)
        along = loop[(at + arm) % count] - loop[(at - arm) % count]
        along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        points.append(loop[at])
        inward.append(np.stack([-along[:, 1], along[:, 0]], axis=1))
    if not points:
        return np.empty((0, 2)), np.empty((0, 2))
    every, normals = np.concatenate(points), np.concatenate(inward)
    # The tracer goes round with film on one side; which one is asked of the field at each point.
    ahead = _field_at(f, every + 1.2 * normals) - _field_at(f, every - 1.2 * normals)
    normals[ahead > 0] *= -1
    return every, normals


def _field_at(f: NDArray[np.int16], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the field at the pixels nearest to points (n, 2)."""
    x = np.clip(np.rint(points[:, 0]).astype(int), 0, f.shape[1] - 1)
    y = np.clip(np.rint(points[:, 1]).astype(int), 0, f.shape[0] - 1)
    return f[y, x].astype(np.float64)


def _weighed(film: Film, across: NDArray[np.float64], mm: float, width_mm: float) -> Sites:
    """Return ways across the ink (n, 6) as sites with their costs, the cheapest first."""
    edges, parts = across[:, :4], across[:, 4:].astype(np.int64)
    beside = look_beside(film.f, edges, width_mm / 2 / mm, (width_mm / 2 + CLEAR_MM) / mm)
    gap_mm = np.hypot(edges[:, 2] - edges[:, 0], edges[:, 3] - edges[:, 1]) * mm
    lacks = 1 - beside[:, :2].min(axis=1) * mm / (width_mm / 2 + CLEAR_MM)
    most = np.minimum(beside[:, 3:5] * mm, width_mm)
    into = most + OVERLAP_MM
    short = np.clip(into.max(axis=1) + width_mm / 2 + 0.1 - beside[:, 5] * mm, 0, None)
    cost = gap_mm + END_MM * lacks + TURN_MM * beside[:, 2] + most.sum(axis=1)
    cost += SHALLOW_MM * np.minimum(short, 1.0)
    # A side of the bridge goes on over ink by half its width times the slope that it is met at.
    slope = np.minimum(beside[:, 3:5] * mm / (width_mm / 2), STEEPEST)
    cost += SLANT_MM * (slope**2).sum(axis=1)
    # Where the film at an end is narrow, the bridge goes no farther than it must.
    into = np.where(short[:, None] > 0, np.minimum(into, OVERLAP_MM + 0.25), into) / mm
    way = (edges[:, 2:] - edges[:, :2]) / np.maximum(gap_mm / mm, 1e-6)[:, None]
    ends = np.concatenate([edges[:, :2] - into[:, :1] * way, edges[:, 2:] + into[:, 1:] * way], 1)
    order = np.argsort(cost, kind="stable")
    orbit = np.full(len(cost), -1, np.int64)
    return Sites(ends, edges, parts, gap_mm, cost, orbit).only(order)
