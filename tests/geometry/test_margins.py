"""Margins: what leaves the blank, and what comes too near to its sides."""

import pytest
import shapely

from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.margins import find_margin_faults
from geometry.outlines import trace
from geometry.recipe import Placement
from tests.geometry.scans import disc, scan, stroke

LIMITS = Limits(margin_mm=5.0)


def faults(
    shape: shapely.Geometry, placement: Placement | None = None, blank: float = 40.0
) -> list[Finding]:
    grey, px_per_mm = scan(shape)
    outlines = trace(find_ink(grey, px_per_mm), placement or Placement())
    return find_margin_faults(outlines, (blank, blank), LIMITS)


def test_clear_margin_on_all_sides_is_fine() -> None:
    assert faults(disc(20, 20, 14)) == []


def test_each_side_is_told_once_with_its_least_distance() -> None:
    found = faults(shapely.box(2, 8, 32, 37))
    assert [f.kind for f in found] == ["margin", "margin"]
    assert [f.distance_mm for f in found] == pytest.approx([2, 3], abs=0.03)
    assert found[0].at_mm[0] == pytest.approx(2, abs=0.05)
    assert found[1].at_mm[1] == pytest.approx(37, abs=0.05)


def test_step_to_either_side_of_the_limit() -> None:
    assert faults(shapely.box(5.05, 10, 30, 30)) == []
    (found,) = faults(shapely.box(4.95, 10, 30, 30))
    assert found.kind == "margin"


def test_line_that_runs_off_the_paper_leaves_the_blank() -> None:
    (found,) = faults(stroke([(20, 20), (50, 20)], 2))
    assert found.kind == "leaves-blank"
    assert found.at_mm == pytest.approx((40, 20), abs=0.1)
    assert found.outline_mm[0][1] == pytest.approx(19, abs=0.1)
    assert found.outline_mm[1][1] == pytest.approx(21, abs=0.1)


def test_drawing_placed_over_the_edge_leaves_the_blank() -> None:
    placement = Placement(move_mm=(12.0, 0.0))
    (found,) = [f for f in faults(disc(20, 20, 10), placement) if f.kind == "leaves-blank"]
    assert found.at_mm[0] == 40


def test_no_ink_has_no_faults() -> None:
    assert find_margin_faults([], (40.0, 40.0), LIMITS) == []
