"""What changed between two stencils; the truth is the arithmetic of the shapes."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString, Polygon, affinity, box, unary_union

from geometry.changes import LEAST_TOLERANCE_MM, MOST_CHANGES, find_changes
from geometry.stencil import Stencil

SIX_MM = (152.4, 152.4)
RAIL = box(20, 40, 120, 42)  # a line 2 mm wide
MAST = box(90, 80, 93, 130)


def stencil(*shapes: Polygon) -> Stencil:
    whole = unary_union(shapes)
    parts = getattr(whole, "geoms", [whole])
    return Stencil(SIX_MM, "stencil", tuple(parts))


def told(before: Stencil, after: Stencil) -> list[tuple[str, str]]:
    return [(place.pen, place.told) for place in find_changes(before, after).places]


def test_the_same_drawing_has_not_changed() -> None:
    assert find_changes(stencil(RAIL, MAST), stencil(RAIL, MAST)).places == ()


@pytest.mark.parametrize("moved_mm", [0.1, 0.2, 0.3])
def test_print_and_photograph_move_edges_without_a_change(moved_mm: float) -> None:
    grown = [shape.buffer(moved_mm, join_style="mitre") for shape in (RAIL, MAST)]
    shifted = [affinity.translate(shape, moved_mm, -moved_mm) for shape in (RAIL, MAST)]
    for after in (grown, shifted):
        assert find_changes(stencil(RAIL, MAST), stencil(*after)).places == ()


def test_white_across_a_line_is_one_place_where_it_was_drawn() -> None:
    gap = box(60, 38, 61.5, 44)
    changes = find_changes(stencil(RAIL, MAST), stencil(RAIL.difference(gap), MAST))
    (place,) = changes.places
    assert (place.pen, place.told) == ("white", "White added across the line, near the top.")
    assert place.at_mm == pytest.approx((60.75, 41), abs=0.6)
    assert place.area_mm2 == pytest.approx(3.0, rel=0.1)
    assert Polygon(place.outlines_mm[0]).area == pytest.approx(3.0, rel=0.2)
    assert changes.tolerance_mm == LEAST_TOLERANCE_MM


@pytest.mark.parametrize("width_mm", [0.5, 0.8, 4.0])
def test_a_gap_is_told_in_fine_and_broad_lines(width_mm: float) -> None:
    line = box(20, 40, 120, 40 + width_mm)
    gap = box(60, 30, 61.5, 60)
    assert told(stencil(line), stencil(line.difference(gap))) == [
        ("white", "White added across the line, near the top.")
    ]


def test_black_is_told_by_what_it_does() -> None:
    before = stencil(RAIL, MAST)
    fresh = LineString([(30, 100), (40, 108)]).buffer(0.5)
    longer = box(118, 40, 126, 42)
    between = box(90.5, 41, 92.5, 81)
    assert told(before, stencil(RAIL, MAST, fresh)) == [
        ("black", "Something new in black, near the left.")
    ]
    assert told(before, stencil(RAIL, MAST, longer)) == [
        ("black", "A line made longer or wider, near the top right.")
    ]
    assert told(before, stencil(RAIL, MAST, between))[0][1].startswith("Black added that joins")


def test_a_bridge_of_less_than_a_mm_that_was_inked_over_is_told() -> None:
    gap = box(60, 30, 60.7, 60)
    assert told(stencil(RAIL.difference(gap)), stencil(RAIL))[0][1].startswith("Black added that")


def test_what_is_covered_or_nibbled_is_told() -> None:
    before = stencil(RAIL, MAST)
    assert told(before, stencil(RAIL))[0][1].startswith("A black place covered with white")
    nibbled = RAIL.difference(box(110, 38, 130, 44))
    assert told(before, stencil(nibbled, MAST))[0][1].startswith("White added at the edge or end")


def test_changes_come_largest_first_and_are_bounded() -> None:
    dots = [box(x, y, x + 1.5, y + 1.5) for x in range(10, 140, 12) for y in range(50, 140, 12)]
    changes = find_changes(stencil(RAIL), stencil(RAIL, *dots, box(10, 10, 16, 16)))
    assert len(changes.places) == MOST_CHANGES
    assert changes.left_out == len(dots) + 1 - MOST_CHANGES
    assert changes.places[0].area_mm2 == pytest.approx(36, rel=0.05)
    assert [place.number for place in changes.places] == list(range(1, MOST_CHANGES + 1))
    assert changes.to_json()["places"][0]["pen"] == "black"


def test_a_curled_sheet_widens_the_tolerance_and_says_so() -> None:
    random = np.random.default_rng(2)
    bars = [box(15, y, 135, y + 2) for y in range(15, 140, 10)]
    bent = [affinity.translate(bar, 0, float(random.uniform(-0.6, 0.6))) for bar in bars]
    changes = find_changes(stencil(*bars), stencil(*bent))
    assert changes.places == ()
    assert changes.tolerance_mm > 0.6


def test_blanks_of_two_sizes_are_not_compared() -> None:
    with pytest.raises(ValueError, match="one blank"):
        find_changes(stencil(RAIL), Stencil((101.6, 101.6), "stencil", (RAIL,)))
