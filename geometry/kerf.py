"""Move cut lines by half the kerf, so that the film that stays has the drawn size.

The beam removes a strip as wide as the kerf, centred on its path. Openings therefore shrink by half
the kerf, so that their far edge lands on the drawn line, and the blank's outline grows by half.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from geometry.errors import InvalidInputError

if TYPE_CHECKING:
    from geometry.stencil import Stencil

Role = Literal["mark", "inside", "outline"]
PointMm = tuple[float, float]

LARGEST_KERF_MM = 2.0
# Round joins at points of the film: 8 segments a quarter turn are within 0.5 % of half the kerf.
SEGMENTS_PER_QUARTER = 8
# What the buffer leaves of a vanishing neck, smaller than any beam could follow.
SMALLEST_OPENING_MM2 = 1e-4


@dataclass(frozen=True)
class Contour:
    """One path of the beam.

    points_mm: (n, 2) float64, x then y; a closed contour does not repeat its first point, an open
    one has at least two points. piece: which blank of a sheet run it belongs to.
    """

    points_mm: NDArray[np.float64]
    role: Role
    closed: bool = True
    piece: int = 0

    @property
    def length_mm(self) -> float:
        """How far the beam travels along it."""
        points = self.points_mm
        if self.closed:
            points = np.vstack([points, points[:1]])
        return float(np.hypot(*np.diff(points, axis=0).T).sum())


@dataclass(frozen=True)
class KerfCut:
    """The beam's contours in blank millimetres, and where the kerf is wider than an opening.

    lost_at_mm: openings that vanish whole. split_at_mm: openings that fall apart at a neck, so that
    film stays where the drawing has none. Both are empty for a drawing that passed the check.
    """

    contours: list[Contour] = field(default_factory=list)
    lost_at_mm: list[PointMm] = field(default_factory=list)
    split_at_mm: list[PointMm] = field(default_factory=list)


def cut_contours(stencil: "Stencil", kerf_mm: float, *, with_outline: bool = True) -> KerfCut:
    """Return what the beam follows for one stencil: its openings, then its outline.

    The offset is the exact parallel curve (shapely's buffer with round joins): convex corners of
    an opening stay sharp, points of film are followed in an arc of half the kerf. kerf_mm 0 leaves
    every line where it was drawn. Raises InvalidInputError for a kerf outside 0 to 2 mm.
    """
    _refuse_odd_kerf(kerf_mm)
    cut = KerfCut()
    for opening in stencil.openings:
        parts = shrink(opening, kerf_mm)
        where = opening.representative_point()
        if not parts:
            cut.lost_at_mm.append((where.x, where.y))
        elif len(parts) > 1:
            cut.split_at_mm.append((where.x, where.y))
        for part in parts:
            cut.contours.extend(_rings(part))
    if with_outline:
        cut.contours.append(blank_outline(stencil.blank_mm, kerf_mm))
    return cut


def shrink(opening: Polygon, kerf_mm: float) -> list[Polygon]:
    """Return the parts of an opening that are left when its edge moves in by half the kerf."""
    if kerf_mm == 0:
        return [opening]
    smaller = opening.buffer(-kerf_mm / 2, quad_segs=SEGMENTS_PER_QUARTER)
    parts = smaller.geoms if isinstance(smaller, MultiPolygon) else [smaller]
    return [part for part in parts if part.area > SMALLEST_OPENING_MM2]


def blank_outline(blank_mm: tuple[float, float], kerf_mm: float, *, piece: int = 0) -> Contour:
    """Return the blank's outline moved out by half the kerf, corners kept square."""
    half = kerf_mm / 2
    right, bottom = blank_mm[0] + half, blank_mm[1] + half
    corners = np.array([[-half, -half], [right, -half], [right, bottom], [-half, bottom]])
    return Contour(corners, "outline", piece=piece)


def _rings(polygon: Polygon) -> Iterable[Contour]:
    """Film inside the opening first, then the opening's own edge."""
    for ring in (*polygon.interiors, polygon.exterior):
        yield Contour(shapely.get_coordinates(ring)[:-1].copy(), "inside")


def _refuse_odd_kerf(kerf_mm: float) -> None:
    if not 0 <= kerf_mm <= LARGEST_KERF_MM:
        raise InvalidInputError(
            f"The kerf is the width the beam removes, from 0 to {LARGEST_KERF_MM:g} mm; "
            f"{kerf_mm:g} mm is not."
        )
