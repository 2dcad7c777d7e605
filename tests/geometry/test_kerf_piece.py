"""The kerf told by a test piece, against shapes with exact areas that a made-up beam cuts."""

import io

import numpy as np
import pypdfium2
import pytest
import shapely

from geometry.cut_file import write_cut_file
from geometry.cut_plan import plan_stencil
from geometry.errors import InvalidInputError
from geometry.kerf import cut_contours
from geometry.kerf_piece import (
    BESIDE_WEB_MM,
    LENGTH_MM,
    SLOTS_MM,
    WEBS_MM,
    fit_kerf,
    names,
    piece_form,
    piece_marks,
    piece_stencil,
    smallest_web_mm,
)
from geometry.stencil import Stencil
from tests.geometry.cut_reading import dxf_lines, svg_lines


def burnt(plan_points: list[np.ndarray], kerf_mm: float) -> shapely.Geometry:
    """What a beam `kerf_mm` wide takes away along closed paths, and what falls out of them."""
    swept = [shapely.Polygon(points).buffer(kerf_mm / 2, quad_segs=64) for points in plan_points]
    return shapely.union_all(swept)


def widths_on_film(kerf_mm: float) -> dict[str, float]:
    """Widths across the middle of every slot and web of the file, cut by such a beam."""
    file = write_cut_file(plan_stencil(piece_stencil(), kerf_mm=0, marks=piece_marks()), "svg")
    holes = burnt(svg_lines(file.data)["inside"], kerf_mm)
    told = {}
    for letter, top in (("S", 26.0), ("W", 68.0)):
        across = shapely.LineString([(0, top), (101.6, top)]).intersection(holes)
        spans = sorted(part.bounds[::2] for part in across.geoms)
        if letter == "S":
            told |= {f"S{n}": right - left for n, (left, right) in enumerate(spans, 1)}
        else:
            pairs = zip(spans[::2], spans[1::2], strict=True)
            told |= {f"W{n}": second[0] - first[1] for n, (first, second) in enumerate(pairs, 1)}
    return told


@pytest.mark.parametrize("kerf_mm", [0.08, 0.15, 0.27])
def test_the_kerf_of_a_beam_is_told_from_what_it_leaves(kerf_mm: float) -> None:
    """The file is read by svgelements and cut by shapely's own buffer."""
    fit = fit_kerf(widths_on_film(kerf_mm))
    assert fit.kerf_mm == pytest.approx(kerf_mm, abs=1e-3)
    assert (fit.spread_mm, fit.widths) == (pytest.approx(0, abs=1e-3), 20)


def test_openings_cut_with_the_told_kerf_have_their_drawn_areas() -> None:
    """A square of 20 mm (400 mm2) and a disc of radius 10 (100 pi): with the kerf that the piece
    told, the same beam takes away what was drawn, within 0.1 mm2."""
    beam_mm = 0.21
    told = fit_kerf(widths_on_film(beam_mm)).kerf_mm
    disc = shapely.Point(70, 40).buffer(10, quad_segs=256)
    for opening, area in ((shapely.box(20, 30, 40, 50), 400.0), (disc, 100 * np.pi)):
        stencil = Stencil((101.6, 101.6), "stencil", (opening,))
        paths = [c.points_mm for c in cut_contours(stencil, told, with_outline=False).contours]
        assert burnt(paths, beam_mm).area == pytest.approx(area, abs=0.1)
        assert burnt(paths, beam_mm + 0.1).area > area + 2  # a wrong kerf is told apart


def test_least_squares_by_hand() -> None:
    """S6 1.0 -> 1.14, S8 2.0 -> 2.16, W8 1.5 -> 1.36, W9 2.0 -> 1.84: 0.14, 0.16, 0.14, 0.16.

    Mean 0.15; sum of squares 4 x 0.01^2, over 3, root: 0.01155."""
    fit = fit_kerf({"S6": 1.14, "S8": 2.16, "W8": 1.36, "W9": 1.84})
    assert fit.kerf_mm == pytest.approx(0.15)
    assert fit.spread_mm == pytest.approx(0.011547, abs=1e-6)
    assert fit.off_mm["S6"] == pytest.approx(-0.01)


def test_the_smallest_web_is_the_last_before_one_gave_way() -> None:
    """W6 (1.0) held, W5 (0.8) held, W4 (0.7) not; that W3 held again was luck: 0.8 - 0.15."""
    survived = {"W3": True, "W4": False, "W5": True, "W6": True, "W10": True}
    assert smallest_web_mm(survived, 0.15) == pytest.approx(0.65)
    with pytest.raises(InvalidInputError, match="Tick the webs that survived"):
        smallest_web_mm({"W10": False, "W5": True}, 0.15)


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        ({"S1": 0.45, "S2": 0.55, "S3": 0.65}, "At least 4"),
        ({"S11": 1.0}, "no slot or web S11"),
        ({"S1": 45.0}, "S1 is 45 mm wide"),
        ({"S1": 0.45, "S2": 0.55, "S3": 0.65, "S4": 1.75}, "S4 was drawn 0.6 mm"),
        ({"S1": 0.2, "S2": 0.3, "S3": 0.4, "S4": 0.5}, "a kerf of -0.10 mm"),
    ],
)
def test_what_was_misread_is_one_sentence(measured: dict[str, float], words: str) -> None:
    with pytest.raises(InvalidInputError, match=words):
        fit_kerf(measured)


def test_the_file_has_every_slot_web_and_name() -> None:
    """Ten slots and twenty openings round webs; areas by hand; the names are marked, not cut."""
    plan = plan_stencil(piece_stencil(), kerf_mm=0, marks=piece_marks())
    lines = dxf_lines(write_cut_file(plan, "dxf").data)
    area = sum(shapely.Polygon(line).area for line in lines["inside"])
    by_hand = LENGTH_MM * (sum(SLOTS_MM) + 2 * BESIDE_WEB_MM * len(WEBS_MM))
    assert (len(lines["inside"]), area) == (30, pytest.approx(by_hand, rel=1e-4))
    assert len(lines["mark"]) == len(piece_marks()) > 40
    cuts = shapely.union_all([opening.buffer(0.3) for opening in piece_stencil().openings])
    assert not any(shapely.LineString(m.points_mm).intersects(cuts) for m in piece_marks())


def test_the_form_names_every_width() -> None:
    text = pypdfium2.PdfDocument(io.BytesIO(piece_form("PET"))).get_page(0).get_textpage()
    words = text.get_text_bounded().split()
    assert {name for name, _ in names()} <= set(words)
