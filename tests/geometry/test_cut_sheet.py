"""A sheet run: every blank in its place, insides first, outlines last, shared lines cut once."""

import itertools

import numpy as np
import pytest
from shapely.geometry import Point, box

from geometry.cut_file import svg_for_sheet, write_cut_file
from geometry.cut_plan import PlacedStencil, plan_sheet, shared_lines
from geometry.errors import InvalidInputError
from geometry.nesting import nest
from geometry.stencil import Stencil
from tests.geometry.cut_reading import area_mm2, dxf_lines, pdf_lines, svg_lines, svg_size_mm
from tests.geometry.stencils import stencil_of, tide_pool

SHEET_MM = (304.8, 609.6)
# A card with a square hole near its top left corner, so that turning shows.
CARD = stencil_of(box(10, 20, 30, 40), blank_mm=(63.5, 88.9))


def run_of(*, edge_mm: float, gap_mm: float) -> list[PlacedStencil]:
    """Three 6 x 6 in stencils and nine cards as nested on one sheet."""
    stencils = {"6x6in": tide_pool(), "card": CARD}
    items = [("6x6in", 152.4, 152.4, 3), ("card", 63.5, 88.9, 9)]
    (sheet,) = nest(items, SHEET_MM, edge_mm=edge_mm, gap_mm=gap_mm).sheets
    return [PlacedStencil(stencils[p.code], p.x_mm, p.y_mm, p.turned, p.code) for p in sheet]


def test_every_inside_lies_in_its_own_blank_and_outlines_come_last() -> None:
    """As read back by svgelements: pieces in groups, then one outline per blank."""
    pieces = run_of(edge_mm=5, gap_mm=3)
    plan = plan_sheet(pieces, SHEET_MM, kerf_mm=0.15)
    roles = [contour.role for contour in plan.path.contours]
    assert roles == sorted(roles)  # inside, then outline
    for contour in plan.path.contours:
        left, top, right, bottom = pieces[contour.piece].box_mm
        x, y = contour.points_mm.T
        half = 0.0751 if contour.role == "outline" else 0.0
        assert x.min() >= left - half
        assert x.max() <= right + half
        assert y.min() >= top - half
        assert y.max() <= bottom + half
    data = write_cut_file(plan, "svg", title="Run").data
    lines = svg_lines(data)
    assert list(lines)[-1] == "outline"
    assert len(lines["outline"]) == 12
    assert svg_size_mm(data) == pytest.approx(SHEET_MM, abs=0.001)


def test_pieces_are_cut_one_after_the_other() -> None:
    """The beam does not come back to a blank for more inside cuts."""
    plan = plan_sheet(run_of(edge_mm=5, gap_mm=3), SHEET_MM, kerf_mm=0.15)
    order = [c.piece for c in plan.path.contours if c.role == "inside"]
    assert len([piece for piece, _ in itertools.groupby(order)]) == 12


@pytest.mark.parametrize("turned", [False, True])
def test_a_turned_blank_is_a_quarter_turn_clockwise(turned: bool) -> None:
    """The hole near the top left of the card comes near its top right."""
    place = PlacedStencil(CARD, 100, 200, turned)
    lines = svg_lines(svg_for_sheet([place], SHEET_MM, kerf_mm=0).data)
    middle = lines["inside"][0][:4].mean(axis=0)
    # of the blank (20, 30); turned (88.9 - 30, 20)
    expected = (158.9, 220) if turned else (120, 230)
    assert middle == pytest.approx(expected, abs=0.001)
    width, height = np.ptp(lines["outline"][0], axis=0)
    assert (width, height) == pytest.approx((88.9, 63.5) if turned else (63.5, 88.9), abs=0.001)


def test_all_formats_hold_the_same_run() -> None:
    """Areas of all insides, read by three readers, agree with the stencils' own."""
    pieces = run_of(edge_mm=5, gap_mm=3)
    plan = plan_sheet(pieces, SHEET_MM, kerf_mm=0.15)
    expected = sum(o.buffer(-0.075).area for piece in pieces for o in piece.stencil.openings)
    svg, dxf, pdf = (write_cut_file(plan, kind).data for kind in ("svg", "dxf", "pdf"))
    assert area_mm2(svg_lines(svg)["inside"]) == pytest.approx(expected, rel=0.002)
    assert area_mm2(dxf_lines(dxf)["inside"]) == pytest.approx(expected, rel=0.002)
    size_mm, lines = pdf_lines(pdf)
    assert size_mm == pytest.approx(SHEET_MM, abs=0.01)
    assert area_mm2(lines[:-12]) == pytest.approx(expected, rel=0.002)


def test_blanks_that_divide_the_sheet_share_their_lines() -> None:
    """Eight 6 x 6 in on 12 x 24 in: one long cut and three across, none on the sheet's edge."""
    placed = nest([("6x6in", 152.4, 152.4, 8)], SHEET_MM).sheets[0]
    pieces = [PlacedStencil(stencil_of(box(20, 20, 60, 60)), p.x_mm, p.y_mm) for p in placed]
    file = svg_for_sheet(pieces, SHEET_MM, kerf_mm=0.15)
    lines = svg_lines(file.data)["outline"]
    assert len(lines) == 4
    lengths = sorted(float(np.hypot(*np.ptp(points, axis=0))) for points in lines)
    assert lengths == pytest.approx([304.8, 304.8, 304.8, 609.6], abs=0.001)
    assert "share the lines between them, cut once" in file.data.decode()


def test_shared_lines_of_unlike_blanks_leave_no_stretch_out_and_cut_none_twice() -> None:
    """A tall box beside two low ones: the edges' union, by shapely, is what is cut."""
    boxes = [(0, 0, 100, 200), (100, 0, 160, 80), (100, 80, 180, 200)]
    lines = shared_lines([tuple(map(float, b)) for b in boxes], (300.0, 400.0))
    total = sum(contour.length_mm for contour in lines)
    edges = box(*boxes[0]).boundary.union(box(*boxes[1]).boundary).union(box(*boxes[2]).boundary)
    on_the_sheets_edge = 160 + 200
    assert total == pytest.approx(edges.length - on_the_sheets_edge)


def test_only_blanks_that_touch_share_lines() -> None:
    """Two cards side by side and one apart: its outline is its own, half a kerf outside."""
    pieces = [PlacedStencil(CARD, x, y) for x, y in [(20, 20), (83.5, 20), (200, 300)]]
    plan = plan_sheet(pieces, SHEET_MM, kerf_mm=0.15)
    outlines = [contour for contour in plan.path.contours if contour.role == "outline"]
    assert [contour.closed for contour in outlines].count(True) == 1
    own = next(contour for contour in outlines if contour.closed)
    assert own.points_mm.min(axis=0) == pytest.approx([199.925, 299.925])
    # two lines along both cards, three across
    shared = sum(contour.length_mm for contour in outlines if not contour.closed)
    assert shared == pytest.approx(2 * 127 + 3 * 88.9)


def test_a_single_opening_lost_to_the_kerf_is_named_in_sheet_millimetres() -> None:
    """Turned like its blank."""
    card = stencil_of(box(10, 20, 30, 20.1), Point(40, 60).buffer(5), blank_mm=(63.5, 88.9))
    file = svg_for_sheet([PlacedStencil(card, 100, 200, turned=True)], SHEET_MM, kerf_mm=0.15)
    assert file.lost_at_mm == (pytest.approx((100 + 88.9 - 20.05, 220), abs=0.1),)


REFUSED = {
    "leaves the sheet by 10.00 mm": [(251.3, 0)],
    "overlap; move them apart": [(0, 0), (40, 0)],
    "lie 0.10 mm apart, nearer than the kerf of 0.15 mm": [(0, 0), (63.6, 0)],
}


@pytest.mark.parametrize(("words", "places"), REFUSED.items())
def test_bad_places_are_one_sentence(words: str, places: list[tuple[float, float]]) -> None:
    """Nothing is written for a run that would spoil film."""
    pieces = [PlacedStencil(CARD, x, y, label="card") for x, y in places]
    with pytest.raises(InvalidInputError, match=words):
        plan_sheet(pieces, SHEET_MM, kerf_mm=0.15)


def test_blanks_just_touching_and_just_a_kerf_apart_are_taken() -> None:
    """The limits themselves."""
    for x in (63.5, 63.65):
        pieces = [PlacedStencil(CARD, 0, 0), PlacedStencil(CARD, x, 0)]
        assert plan_sheet(pieces, SHEET_MM, kerf_mm=0.15).shares_cuts == (x == 63.5)


def test_an_empty_blank_is_only_outlined() -> None:
    """A stencil without openings, and a sheet without blanks."""
    empty = Stencil((63.5, 88.9), "stencil", ())
    assert len(plan_sheet([PlacedStencil(empty, 5, 5)], SHEET_MM, kerf_mm=0.15).curves) == 1
    assert plan_sheet([], SHEET_MM, kerf_mm=0.15).curves == ()
