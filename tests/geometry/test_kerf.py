"""The beam's path: openings shrink by half the kerf, the blank grows by half.

Areas are exact: moving the edge of a polygon of area A and perimeter P inwards by d leaves
A - P d, plus d2 tan(t/2) for each convex corner of turn t, less d2 t/2 for each reflex one
(Steiner's formula for parallel curves).
"""

import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon, box

from geometry.errors import InvalidInputError
from geometry.kerf import KerfCut, cut_contours
from tests.geometry.stencils import stencil_of, tide_pool


def polygons(cut: KerfCut, role: str) -> list[Polygon]:
    """The contours of a role as polygons."""
    return [Polygon(contour.points_mm) for contour in cut.contours if contour.role == role]


@pytest.mark.parametrize("kerf_mm", [0.1, 0.15, 0.3, 1.0])
def test_a_square_opening_shrinks_by_the_kerf_on_both_sides(kerf_mm: float) -> None:
    """10 mm less half the kerf twice, corners sharp, centre where it was."""
    cut = cut_contours(stencil_of(box(20, 30, 30, 40)), kerf_mm)
    (opening,) = polygons(cut, "inside")
    assert opening.bounds == pytest.approx(
        (20 + kerf_mm / 2, 30 + kerf_mm / 2, 30 - kerf_mm / 2, 40 - kerf_mm / 2), abs=1e-9
    )
    assert opening.area == pytest.approx((10 - kerf_mm) ** 2, abs=1e-9)


def test_the_blank_grows_by_the_kerf_and_comes_last() -> None:
    """152.4 mm and half the kerf all round, four corners."""
    cut = cut_contours(stencil_of(box(20, 30, 30, 40)), 0.15)
    assert cut.contours[-1].role == "outline"
    (outline,) = polygons(cut, "outline")
    assert outline.bounds == pytest.approx((-0.075, -0.075, 152.475, 152.475), abs=1e-9)
    assert len(cut.contours[-1].points_mm) == 4


def test_a_reflex_corner_is_followed_in_an_arc() -> None:
    """An L of 75 mm2, 40 mm round, five convex right angles and one reflex."""
    shape = Polygon([(0, 0), (10, 0), (10, 5), (5, 5), (5, 10), (0, 10)])
    half = 0.15 / 2
    cut = cut_contours(stencil_of(shape), 0.15, with_outline=False)
    expected = 75 - 40 * half + 5 * half**2 - math.pi / 4 * half**2
    (opening,) = polygons(cut, "inside")
    # the arc is of short lines, so a little of its sector is left: far below 1e-4 mm2
    assert opening.area == pytest.approx(expected, abs=1e-4)


def test_film_inside_an_opening_grows_back_to_its_size_once_cut() -> None:
    """A ring between radius 10 and 20: its inner edge moves out, its outer edge in."""
    outer, inner = Point(50, 50).buffer(20, quad_segs=128), Point(50, 50).buffer(10, quad_segs=128)
    cut = cut_contours(stencil_of(Polygon(outer.exterior, [inner.exterior])), 0.15)
    film, edge = polygons(cut, "inside")
    assert film.area == pytest.approx(math.pi * 10.075**2, rel=1e-3)
    assert edge.area == pytest.approx(math.pi * 19.925**2, rel=1e-3)


def test_kerf_0_leaves_every_line_where_it_was_drawn() -> None:
    """One press for machines that compensate themselves."""
    stencil = tide_pool()
    cut = cut_contours(stencil, 0.0)
    edges = sum(opening.length for opening in stencil.openings)
    assert sum(c.length_mm for c in cut.contours if c.role == "inside") == pytest.approx(edges)
    assert polygons(cut, "outline")[0].bounds == (0, 0, 152.4, 152.4)


def test_an_opening_narrower_than_the_kerf_is_named_as_lost() -> None:
    """0.1 mm wide under a beam of 0.15 mm; 0.2 mm is cut."""
    narrow, wide = box(20, 20, 30, 20.1), box(20, 40, 30, 40.2)
    cut = cut_contours(stencil_of(narrow, wide), 0.15, with_outline=False)
    assert len(cut.contours) == 1
    assert cut.lost_at_mm == [pytest.approx((25, 20.05), abs=0.01)]
    assert cut.split_at_mm == []


def test_an_opening_that_falls_apart_at_a_neck_is_named_as_split() -> None:
    """Two discs joined by 0.1 mm: two contours, one complaint."""
    neck = LineString([(20, 20), (30, 20)]).buffer(0.05)
    dumb_bell = neck.union(Point(20, 20).buffer(2)).union(Point(30, 20).buffer(2))
    cut = cut_contours(stencil_of(dumb_bell), 0.15, with_outline=False)
    assert len(cut.contours) == 2
    assert len(cut.split_at_mm) == 1
    assert cut.lost_at_mm == []


def test_no_contour_crosses_itself_or_another() -> None:
    """Each is a valid polygon, and edges of different contours never meet."""
    cut = cut_contours(tide_pool(), 0.15)
    shapes = [Polygon(contour.points_mm) for contour in cut.contours]
    assert all(shape.is_valid for shape in shapes)
    for index, shape in enumerate(shapes):
        assert not any(shape.exterior.intersects(other.exterior) for other in shapes[index + 1 :])


@pytest.mark.parametrize("kerf_mm", [-0.01, 2.01, math.nan])
def test_a_kerf_that_is_none_is_one_sentence(kerf_mm: float) -> None:
    """0 and 2 mm are taken."""
    with pytest.raises(InvalidInputError, match="The kerf is the width the beam removes"):
        cut_contours(tide_pool(), kerf_mm)
    cut_contours(tide_pool(), 0.0)
    cut_contours(tide_pool(), 2.0)


def test_the_stencil_is_left_as_it_was() -> None:
    """Cutting alters no opening."""
    stencil, twin = tide_pool(), tide_pool()
    for contour in cut_contours(stencil, 0.0).contours:
        np.add(contour.points_mm, 5.0, out=contour.points_mm)
    assert all(
        np.array_equal(a.exterior.coords, b.exterior.coords)
        for a, b in zip(stencil.openings, twin.openings, strict=True)
    )
