"""Plan what the beam does for one stencil or for a whole sheet: contours, order, curves, page.

A plan is what every cut file is written from, so that SVG, DXF and PDF hold the same cuts.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.curves import Curve, fit_curve, straight_curve
from geometry.cut_path import CutPath, measured_path, order_contours
from geometry.errors import InvalidInputError
from geometry.kerf import Contour, KerfCut, PointMm, blank_outline, cut_contours
from geometry.order_mark import mark_contours
from geometry.stencil import Stencil

# Polylines, where curves are not wanted, leave the contour by at most this.
SIMPLIFIED_MM = 0.01
# Two blanks whose edges are nearer than this share one cut.
TOUCHING_MM = 0.01
ROUNDING_MM = 1e-6

Points = NDArray[np.float64]
BoxMm = tuple[float, float, float, float]


@dataclass(frozen=True)
class PlacedStencil:
    """A stencil on a sheet: its blank's top left corner there, as it lies.

    `turned` is a quarter turn clockwise as seen, as in `geometry.nesting.Placed`. `mark` is written
    on its margin by the beam, see `geometry.order_mark`.
    """

    stencil: Stencil
    x_mm: float
    y_mm: float
    turned: bool = False
    label: str = ""
    mark: str = ""

    @property
    def box_mm(self) -> BoxMm:
        """Left, top, right, bottom of its blank on the sheet."""
        width, height = self.stencil.blank_mm
        if self.turned:
            width, height = height, width
        return self.x_mm, self.y_mm, self.x_mm + width, self.y_mm + height


@dataclass(frozen=True)
class CutPlan:
    """Cuts in order. `curves[i]` is the line of `path.contours[i]`, within 0.02 mm of it.

    page_mm: left, top, right, bottom of the page that holds all cuts, in the frame of the cuts (the
    blank's or the sheet's). labels: what each piece is called, by the contours' `piece`.
    lost_at_mm, split_at_mm: where the kerf is wider than an opening, as in `geometry.kerf.KerfCut`.
    shares_cuts: blanks touch and share their edges, see `plan_sheet`.
    """

    path: CutPath
    curves: tuple[Curve, ...]
    page_mm: BoxMm
    kerf_mm: float
    labels: tuple[str, ...]
    lost_at_mm: tuple[PointMm, ...] = ()
    split_at_mm: tuple[PointMm, ...] = ()
    shares_cuts: bool = False

    def with_lines(self) -> "CutPlan":
        """Return the plan with lines within 0.01 mm of the contours instead of curves."""
        return replace(self, curves=_curves(self.path.contours, smooth=False))

    def on_page(self, page_mm: BoxMm) -> "CutPlan":
        """Return the plan on another page (left, top, right, bottom in the frame of the cuts)."""
        return replace(self, page_mm=page_mm)

    @property
    def nodes(self) -> int:
        """Number of lines and curves in all."""
        return sum(len(curve.pieces) for curve in self.curves)


def plan_stencil(
    stencil: Stencil,
    *,
    kerf_mm: float,
    with_outline: bool = True,
    smooth: bool = True,
    marks: Sequence[Contour] = (),
) -> CutPlan:
    """Return the cuts of one stencil in its blank's frame.

    The page is the blank (for blanks already cut to size, with_outline False) or, with the outline,
    the blank and half the kerf all round. smooth: cubic Beziers within 0.02 mm; otherwise lines
    within 0.01 mm. marks: further strokes that the beam marks first. Raises InvalidInputError for a
    kerf outside 0 to 2 mm.
    """
    cut = cut_contours(stencil, kerf_mm, with_outline=with_outline)
    path = order_contours([*marks, *cut.contours])
    half = kerf_mm / 2 if with_outline else 0.0
    width, height = stencil.blank_mm
    return CutPlan(
        path=path,
        curves=_curves(path.contours, smooth),
        page_mm=(-half, -half, width + half, height + half),
        kerf_mm=kerf_mm,
        labels=("",),
        lost_at_mm=tuple(cut.lost_at_mm),
        split_at_mm=tuple(cut.split_at_mm),
    )


def plan_sheet(
    pieces: Sequence[PlacedStencil],
    sheet_mm: tuple[float, float],
    *,
    kerf_mm: float,
    with_outlines: bool = True,
    smooth: bool = True,
) -> CutPlan:
    """Return the cuts of a sheet run in the sheet's frame: marks, every inside, every outline.

    Blanks that touch share their edges: each line is cut once, where it was drawn, and none along
    the sheet's own edge (each blank is then smaller by half the kerf on a shared side). Blanks that
    do not touch get outlines of their own, half a kerf outside. Raises InvalidInputError where a
    blank leaves the sheet, blanks overlap, or lie nearer than the kerf without touching.
    """
    _refuse_bad_places(pieces, sheet_mm, kerf_mm)
    marks: list[Contour] = []
    contours: list[Contour] = []
    curves: list[Curve] = []
    lost: list[PointMm] = []
    split: list[PointMm] = []
    ready: dict[tuple[int, bool], tuple[KerfCut, CutPath, tuple[Curve, ...]]] = {}
    for index in _piece_order(pieces):
        piece = pieces[index]
        key = (id(piece.stencil), piece.turned)
        if key not in ready:
            ready[key] = _turned_insides(piece, kerf_mm, smooth)
        cut, path, own_curves = ready[key]
        shift = np.array([piece.x_mm, piece.y_mm])
        marks += [replace(m, points_mm=m.points_mm + shift, piece=index) for m in _marks(piece)]
        for contour, curve in zip(path.contours, own_curves, strict=True):
            contours.append(replace(contour, points_mm=contour.points_mm + shift, piece=index))
            curves.append(curve.moved(np.eye(2), shift))
        lost += [_on_sheet(point, piece) for point in cut.lost_at_mm]
        split += [_on_sheet(point, piece) for point in cut.split_at_mm]
    marks = list(order_contours(marks).contours)
    contours = [*marks, *contours]
    curves = [straight_curve(line.points_mm, closed=False) for line in marks] + curves
    shares_cuts = with_outlines and bool(_touching([piece.box_mm for piece in pieces]))
    if with_outlines:
        before = measured_path(contours).end_mm
        outlines = order_contours(_outlines(pieces, sheet_mm, kerf_mm), before).contours
        contours += outlines
        curves += [straight_curve(line.points_mm, closed=line.closed) for line in outlines]
    return CutPlan(
        path=measured_path(contours),
        curves=tuple(curves),
        page_mm=(0.0, 0.0, *sheet_mm),
        kerf_mm=kerf_mm,
        labels=tuple(piece.label for piece in pieces),
        lost_at_mm=tuple(lost),
        split_at_mm=tuple(split),
        shares_cuts=shares_cuts,
    )


def _marks(piece: PlacedStencil) -> list[Contour]:
    """The strokes of a piece's mark as it lies, its blank's top left corner at (0, 0)."""
    matrix, shift = _turn(piece)
    return [
        replace(mark, points_mm=mark.points_mm @ matrix.T + shift)
        for mark in mark_contours(piece.stencil, piece.mark)
    ]


def _turned_insides(
    piece: PlacedStencil, kerf_mm: float, smooth: bool
) -> tuple[KerfCut, CutPath, tuple[Curve, ...]]:
    """The ordered inside cuts of a piece as it lies, its blank's top left corner at (0, 0)."""
    cut = cut_contours(piece.stencil, kerf_mm, with_outline=False)
    matrix, shift = _turn(piece)
    contours = [replace(c, points_mm=c.points_mm @ matrix.T + shift) for c in cut.contours]
    path = order_contours(contours)
    return cut, path, _curves(path.contours, smooth)


def _turn(piece: PlacedStencil) -> tuple[Points, Points]:
    """Matrix and shift of lying turned: (x, y) of the blank goes to (height - y, x)."""
    if not piece.turned:
        return np.eye(2), np.zeros(2)
    return np.array([[0.0, -1.0], [1.0, 0.0]]), np.array([piece.stencil.blank_mm[1], 0.0])


def _on_sheet(point: PointMm, piece: PlacedStencil) -> PointMm:
    matrix, shift = _turn(piece)
    x_mm, y_mm = matrix @ np.array(point) + shift
    return float(x_mm) + piece.x_mm, float(y_mm) + piece.y_mm


def _curves(contours: Iterable[Contour], smooth: bool) -> tuple[Curve, ...]:
    """The line that is written for each contour."""
    return tuple(
        fit_curve(contour.points_mm, closed=contour.closed)
        if smooth and contour.role != "mark"
        else straight_curve(simplified(contour).points_mm, closed=contour.closed)
        for contour in contours
    )


def simplified(contour: Contour) -> Contour:
    """Return the contour with the points left out that matter less than 0.01 mm (Douglas and
    Peucker 1973); its first point stays, and it never comes to cross itself."""
    points = contour.points_mm
    if contour.closed:
        ring = shapely.Polygon(points).simplify(SIMPLIFIED_MM, preserve_topology=True)
        kept = shapely.get_coordinates(ring.exterior)[:-1]
    else:
        kept = shapely.get_coordinates(shapely.LineString(points).simplify(SIMPLIFIED_MM))
    return replace(contour, points_mm=kept)


def _piece_order(pieces: Sequence[PlacedStencil]) -> list[int]:
    """From the sheet's top left corner always to the nearest blank that is left."""
    left = list(range(len(pieces)))
    order: list[int] = []
    here = (0.0, 0.0)
    while left:
        index = min(
            left,
            key=lambda i: (
                (pieces[i].x_mm - here[0]) ** 2 + (pieces[i].y_mm - here[1]) ** 2,
                pieces[i].y_mm,
                i,
            ),
        )
        left.remove(index)
        order.append(index)
        here = (pieces[index].x_mm, pieces[index].y_mm)
    return order


def _outlines(
    pieces: Sequence[PlacedStencil], sheet_mm: tuple[float, float], kerf_mm: float
) -> list[Contour]:
    """Outlines of their own, and shared lines for blanks that touch another."""
    boxes = [piece.box_mm for piece in pieces]
    touching = _touching(boxes)
    outlines = shared_lines([boxes[index] for index in sorted(touching)], sheet_mm)
    for index, (left, top, right, bottom) in enumerate(boxes):
        if index not in touching:
            outline = blank_outline((right - left, bottom - top), kerf_mm, piece=index)
            outlines.append(replace(outline, points_mm=outline.points_mm + np.array([left, top])))
    return outlines


def _touching(boxes: Sequence[BoxMm]) -> set[int]:
    """Indices of the boxes that touch another along an edge or at a corner."""
    return {
        index
        for one, other in combinations(range(len(boxes)), 2)
        if _gap_mm(boxes[one], boxes[other]) < TOUCHING_MM
        for index in (one, other)
    }


def shared_lines(boxes: Sequence[BoxMm], sheet_mm: tuple[float, float]) -> list[Contour]:
    """Return the edges of all boxes as straight lines, each stretch once, without those that lie
    on the sheet's own edge. Lines run as far as they are unbroken."""
    contours: list[Contour] = []
    for axis in (0, 1):
        stretches: dict[float, list[tuple[float, float]]] = defaultdict(list)
        for box in boxes:
            for at in (box[axis], box[axis + 2]):
                known = next((one for one in stretches if abs(one - at) < TOUCHING_MM), at)
                stretches[known].append((box[1 - axis], box[3 - axis]))
        for at, spans in sorted(stretches.items()):
            if at < TOUCHING_MM or at > sheet_mm[axis] - TOUCHING_MM:
                continue
            for first, last in _joined(spans):
                ends = np.array([[at, first], [at, last]])
                contours.append(Contour(ends if axis == 0 else ends[:, ::-1], "outline", False))
    return contours


def _joined(spans: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Overlapping and touching spans as one."""
    joined: list[tuple[float, float]] = []
    for first, last in sorted(spans):
        if joined and first <= joined[-1][1] + TOUCHING_MM:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    return joined


def _gap_mm(a: BoxMm, b: BoxMm) -> float:
    """Distance of two boxes along the axis that parts them; negative where they overlap."""
    return max(a[0] - b[2], b[0] - a[2], a[1] - b[3], b[1] - a[3])


def _refuse_bad_places(
    pieces: Sequence[PlacedStencil], sheet_mm: tuple[float, float], kerf_mm: float
) -> None:
    for piece in pieces:
        left, top, right, bottom = piece.box_mm
        over = max(-left, -top, right - sheet_mm[0], bottom - sheet_mm[1])
        if over > TOUCHING_MM:
            raise InvalidInputError(
                f"The blank {piece.label or 'at'} ({left:g}, {top:g}) mm leaves the sheet by "
                f"{over:.2f} mm; move it or take a larger sheet."
            )
    for a, b in combinations([piece.box_mm for piece in pieces], 2):
        gap = _gap_mm(a, b)
        where = f"at ({a[0]:g}, {a[1]:g}) and ({b[0]:g}, {b[1]:g}) mm"
        if gap < -TOUCHING_MM:
            raise InvalidInputError(f"Two blanks {where} overlap; move them apart.")
        if TOUCHING_MM <= gap < kerf_mm - ROUNDING_MM:
            raise InvalidInputError(
                f"Two blanks {where} lie {gap:.2f} mm apart, nearer than the kerf of "
                f"{kerf_mm:g} mm; let them touch or leave at least the kerf between them."
            )
