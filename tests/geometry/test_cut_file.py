"""Cut files as independent readers see them: svgelements, ezdxf with its audit, pdfium.

The openings' area less the kerf is worked out by shapely from the stencil, not from our contours.
"""

import math
import re
from xml.dom import minidom

import numpy as np
import pytest
import shapely

from geometry.cut_file import format_of, kerf_note, svg_for_stencil, write_cut_file
from geometry.cut_plan import plan_stencil
from geometry.cut_time import MachineProfile
from geometry.errors import InvalidInputError
from geometry.stencil import Stencil
from tests.geometry.cut_reading import (
    area_mm2,
    centres,
    crosses_itself,
    dxf_lines,
    farthest_mm,
    pdf_lines,
    svg_lines,
    svg_size_mm,
)
from tests.geometry.stencils import tide_pool

KERF_MM = 0.15


@pytest.fixture(scope="module")
def stencil() -> Stencil:
    """Curves, corners, film in openings and openings in that."""
    return tide_pool()


def area_less_kerf_mm2(stencil: Stencil, kerf_mm: float = KERF_MM) -> float:
    """What the openings must enclose in the file."""
    return float(sum(shapely.buffer(o, -kerf_mm / 2, quad_segs=64).area for o in stencil.openings))


def distance_mm(lines: list[np.ndarray], place_mm: tuple[float, float]) -> float:
    """From a place to the nearest centre of a line."""
    return min(float(np.hypot(*(centre - place_mm))) for centre in centres(lines))


@pytest.mark.parametrize("kerf_mm", [0.0, 0.15, 0.3])
def test_svg_holds_the_openings_less_kerf(stencil: Stencil, kerf_mm: float) -> None:
    """Area within 0.5 % (0.2 % is reached), page and outline in true millimetres."""
    data = svg_for_stencil(stencil, kerf_mm=kerf_mm, title="Tide pool").data
    lines = svg_lines(data)
    assert area_mm2(lines["inside"]) == pytest.approx(
        area_less_kerf_mm2(stencil, kerf_mm), rel=0.002
    )
    side = 152.4 + kerf_mm
    assert svg_size_mm(data) == pytest.approx((side, side), abs=0.001)
    (outline,) = lines["outline"]
    assert np.ptp(outline, axis=0) == pytest.approx([side, side], abs=0.001)


def test_dxf_holds_the_openings_less_kerf_with_y_up(stencil: Stencil) -> None:
    """ezdxf's audit finds nothing; layers by operation; the picture stands upright."""
    data = write_cut_file(plan_stencil(stencil, kerf_mm=KERF_MM), "dxf").data
    lines = dxf_lines(data)
    assert set(lines) == {"inside", "outline"}
    assert area_mm2(lines["inside"]) == pytest.approx(area_less_kerf_mm2(stencil), rel=0.002)
    (outline,) = lines["outline"]
    assert outline.min(axis=0) == pytest.approx([0, 0], abs=1e-6)
    assert outline.max(axis=0) == pytest.approx([152.55, 152.55], abs=1e-6)
    assert distance_mm(lines["inside"], (45.075, 152.4 - 45 + 0.075)) < 0.01


def test_pdf_holds_the_openings_less_kerf_with_y_up(stencil: Stencil) -> None:
    """pdfium sees the page in true size and the same shapes."""
    data = write_cut_file(plan_stencil(stencil, kerf_mm=KERF_MM), "pdf", title="Tide pool").data
    size_mm, lines = pdf_lines(data)
    assert size_mm == pytest.approx((152.55, 152.55), abs=0.01)
    assert area_mm2(lines[:-1]) == pytest.approx(area_less_kerf_mm2(stencil), rel=0.002)
    assert lines[-1].max(axis=0) == pytest.approx([152.55, 152.55], abs=0.01)
    assert distance_mm(lines, (45.075, 152.4 - 45 + 0.075)) < 0.01


def test_nothing_read_back_crosses_itself_or_another(stencil: Stencil) -> None:
    """As svgelements flattens it, far finer than a machine would."""
    lines = svg_lines(svg_for_stencil(stencil, kerf_mm=KERF_MM).data)
    everything = [*lines["inside"], *lines["outline"]]
    assert len(everything) == 12
    assert not any(crosses_itself(points) for points in everything)
    rings = [shapely.LinearRing(points) for points in everything]
    assert not any(a.intersects(b) for i, a in enumerate(rings) for b in rings[i + 1 :])


def test_curves_in_the_file_are_within_0_02_mm_of_the_shifted_edges(stencil: Stencil) -> None:
    """Each read line against shapely's own parallel curve (and its 64 steps a quarter)."""
    lines = svg_lines(svg_for_stencil(stencil, kerf_mm=KERF_MM).data)["inside"]
    edges = shapely.union_all(
        [shapely.buffer(o, -KERF_MM / 2, quad_segs=64).boundary for o in stencil.openings]
    )
    on_the_blank = [points - KERF_MM / 2 for points in lines]  # the page begins at the outline
    assert farthest_mm(on_the_blank, edges) <= 0.0205


def test_operations_are_groups_in_plain_words_all_black_and_thin(stencil: Stencil) -> None:
    """inside before outline; one stroke, one width, no fill; the kerf is said to be taken."""
    data = svg_for_stencil(stencil, kerf_mm=KERF_MM, title="Tide pool").data
    page = minidom.parseString(data).documentElement
    assert [group.getAttribute("id") for group in page.getElementsByTagName("g")] == [
        "inside",
        "outline",
    ]
    assert page.getAttribute("stroke") == "#000000"
    assert page.getAttribute("fill") == "none"
    assert page.getAttribute("version") == "1.1"
    assert set(re.findall(rb"(stroke|fill)=", data)) == {b"stroke", b"fill"}
    assert data.count(b"stroke=") == data.count(b"fill=") == 1
    assert page.getElementsByTagName("title")[0].firstChild.data == "Tide pool"
    description = page.getElementsByTagName("desc")[0].firstChild.data
    assert description.startswith(kerf_note(KERF_MM))
    assert "Keep kerf compensation in the machine's own software off." in description


def test_kerf_0_is_said_in_the_file(stencil: Stencil) -> None:
    """The machine may compensate itself then."""
    data = svg_for_stencil(stencil, kerf_mm=0).data.decode()
    assert "No kerf is taken: every line is where it was drawn." in data
    assert "compensation" not in data


def test_a_blank_already_cut_to_size_gets_no_outline(stencil: Stencil) -> None:
    """The page is the blank itself, so that it can be laid to its corner."""
    data = svg_for_stencil(stencil, kerf_mm=KERF_MM, with_outline=False).data
    assert set(svg_lines(data)) == {"inside"}
    assert svg_size_mm(data) == pytest.approx((152.4, 152.4), abs=0.001)
    assert distance_mm(svg_lines(data)["inside"], (45, 45)) < 0.01


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_hostile_titles_stay_text(stencil: Stencil, kind: str) -> None:
    """Markup, control characters and brackets are neither read as such nor lost."""
    title = "Crab & <script>alert(1)</script> \x00\x1b) Tj ]]>\n\r0\nEOF"
    file = write_cut_file(plan_stencil(stencil, kerf_mm=KERF_MM), kind, title=title)
    if kind == "svg":
        page = minidom.parseString(file.data).documentElement
        assert not page.getElementsByTagName("script")
        assert page.getElementsByTagName("title")[0].firstChild.data.startswith("Crab & <script>")
    elif kind == "dxf":
        assert set(dxf_lines(file.data)) == {"inside", "outline"}
    else:
        assert len(pdf_lines(file.data)[1]) == file.contours


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_the_same_stencil_gives_the_same_bytes(stencil: Stencil, kind: str) -> None:
    """So that a file can be proved."""
    first, second = (
        write_cut_file(plan_stencil(tide_pool(), kerf_mm=KERF_MM), kind, title="x")
        for _ in range(2)
    )
    assert first.data == second.data


def test_the_figures_beside_the_file_are_those_of_its_lines(stencil: Stencil) -> None:
    """Contours and length as read back; seconds by the profile."""
    machine = MachineProfile(10, 100, 1, acceleration_mm_per_s2=math.inf)
    file = write_cut_file(plan_stencil(stencil, kerf_mm=KERF_MM), "svg", machine=machine)
    lines = [points for group in svg_lines(file.data).values() for points in group]
    read_mm = sum(shapely.LinearRing(points).length for points in lines)
    assert file.contours == len(lines)
    assert file.length_mm == pytest.approx(read_mm, rel=1e-3)
    assert file.seconds == pytest.approx(file.length_mm / 10 + file.travel_mm / 100 + len(lines))


def test_names_tell_the_format() -> None:
    """And other names are one sentence."""
    assert [format_of(name) for name in ("a.svg", "b.DXF", "c.d.pdf")] == ["svg", "dxf", "pdf"]
    with pytest.raises(InvalidInputError) as caught:
        format_of("some/where/cut.png")
    assert str(caught.value) == (
        "The name of a cut file ends in .svg, .dxf or .pdf; “cut.png” does not."
    )
