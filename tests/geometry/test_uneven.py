"""Uneven lines: blobs and starved strokes are noted at their widths, tapers and meetings are not.

Truth is the widths that the shapes were drawn with.
"""

import pytest
import shapely
from shapely import affinity

from geometry.findings import Finding, number
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.uneven import find_uneven
from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import golden, scan_of
from tests.geometry.innocent import INNOCENT
from tests.geometry.scans import disc, scan, stroke

LINE = stroke([(5, 20), (35, 22)], 1.5)


def uneven(
    shape: shapely.Geometry, dpi: float = 300, placement: Placement | None = None
) -> list[Finding]:
    grey, px_per_mm = scan(shape, dpi=dpi)
    return find_uneven(find_ink(grey, px_per_mm), placement or Placement(), Limits())


def turned(shape: shapely.Geometry, angle: float) -> shapely.Geometry:
    return affinity.rotate(shape, angle, origin=(20, 20))


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("angle", [0, 33, 90])
def test_blob_on_a_line_is_noted_with_both_widths(dpi: float, angle: float) -> None:
    (note,) = uneven(turned(LINE.union(disc(20, 21, 1.4)), angle), dpi)
    assert note.kind == "uneven-line"
    assert note.usual_mm == pytest.approx(1.5, abs=0.02)
    assert note.width_mm == pytest.approx(2.8, abs=0.15)
    at = turned(shapely.Point(20, 21), angle)
    assert note.at_mm == pytest.approx((at.x, at.y), abs=0.6)


@pytest.mark.parametrize("dpi", [300, 600])
def test_starved_stroke_is_noted_at_its_least_width(dpi: float) -> None:
    parts = [([(5, 20), (17, 20)], 2), ([(17, 20), (20, 20)], 1.2), ([(20, 20), (35, 20)], 2)]
    (note,) = uneven(shapely.union_all([stroke(*part) for part in parts]), dpi)
    assert (note.width_mm, note.usual_mm) == pytest.approx((1.2, 2.0), abs=0.02)


def test_blob_on_a_ring_is_noted() -> None:
    ring = disc(20, 20, 10).difference(disc(20, 20, 8.6))
    (note,) = uneven(ring.union(disc(20, 10.7, 1.4)))
    assert note.at_mm == pytest.approx((20, 10.7), abs=0.6)


@pytest.mark.parametrize(("radius_mm", "count"), [(1.0, 0), (1.25, 1)])
def test_bump_below_half_the_width_is_even_enough(radius_mm: float, count: int) -> None:
    """Widths 2.0 and 2.5 on a line of 1.5 mm: a third more is none, two thirds are."""
    assert len(uneven(LINE.union(disc(20, 21, radius_mm)))) == count


def test_starved_below_the_paintable_limit_is_left_to_the_thin_line() -> None:
    parts = [([(5, 20), (17, 20)], 1.6), ([(17, 20), (20, 20)], 0.7), ([(20, 20), (35, 20)], 1.6)]
    assert uneven(shapely.union_all([stroke(*part) for part in parts])) == []


def test_widths_are_those_on_the_blank() -> None:
    blob = LINE.union(disc(20, 21, 1.4))
    (note,) = uneven(blob, 600, Placement(scale=0.8))
    assert note.usual_mm == pytest.approx(0.8 * 1.5, abs=0.02)


@pytest.mark.parametrize("name", INNOCENT)
def test_tips_tapers_and_corners_are_not_uneven(name: str) -> None:
    assert uneven(INNOCENT[name]) == []


def test_lines_that_meet_or_end_in_a_shape_are_not_uneven() -> None:
    cross = LINE.union(stroke([(20, 5), (20, 35)], 1.5))
    assert uneven(cross) == []
    assert uneven(LINE.union(disc(5, 20, 4))) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_hand_that_sways_and_swells_by_a_tenth_is_even_enough(kind: str) -> None:
    ink = find_ink(*scan_of(golden(kind, 1), 300))
    assert find_uneven(ink, Placement(), Limits()) == []


def test_note_says_what_it_does_and_what_to_do() -> None:
    blob = Finding("uneven-line", (76, 76), width_mm=2.8, usual_mm=1.5)
    thin = Finding("uneven-line", (76, 76), width_mm=1.2, usual_mm=2.0)
    one, other = number([blob, thin])
    assert one.message == (
        "This line in the middle swells from 1.5 mm to 2.8 mm and will be cut as it is."
    )
    assert one.remedy == "Nothing to do if it is meant so; otherwise trim it with white."
    assert other.message.startswith("This line in the middle thins from 2 mm to 1.2 mm")
    assert one.severity == other.severity == "note"
