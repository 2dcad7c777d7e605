"""Files of a sheet: one cut file for all pieces, placement sheets for blanks cut to size."""

import ctypes
from collections.abc import Sequence
from io import BytesIO, StringIO
from typing import Any

import ezdxf
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from django.urls import reverse
from shapely.geometry import Polygon
from svgelements import SVG, Path, Text

from orders import cut_files, planning
from orders.models import Machine, SheetRun
from orders.workflow import Actor
from tests import factories
from tests.geometry.cut_reading import dxf_lines, pdf_lines, svg_lines
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def planned(cutter: Actor, quantity: int = 2, **values: Any) -> SheetRun:
    job = factories.make_job(quantity=quantity, **values)
    (run,) = planning.plan_sheets(job.film, [(job, quantity)], cutter)
    return run


def file_of(bench: Bench, run: SheetRun, **query: Any) -> Any:
    return bench.client.get(reverse("workshop-sheet-cut-file", args=[run.code]), query)


def paths(svg: bytes, group: str) -> list[Path]:
    """The paths of a group in mm, read by svgelements."""
    page = SVG.parse(BytesIO(svg), ppi=25.4, reify=True)
    return [
        path
        for found in page.select(lambda e: getattr(e, "id", None) == group)
        for path in found.select(lambda e: isinstance(e, Path))
    ]


def centres(svg: bytes) -> list[tuple[float, float]]:
    boxes = [path.bbox() for path in paths(svg, "inside")]
    return sorted((round((b[0] + b[2]) / 2, 1), round((b[1] + b[3]) / 2, 1)) for b in boxes)


def test_one_file_holds_every_blank_in_its_place(bench: Bench, cutter: Actor) -> None:
    """The opening of each blank is a square about (30, 30) mm; read by svgelements."""
    run = planned(cutter, quantity=3)
    response = file_of(bench, run)
    assert response["Content-Disposition"] == (
        f'attachment; filename="sheet-{run.code}-kerf-0.15.svg"'
    )
    assert centres(response.content) == [(30.0, 30.0), (30.0, 182.4), (182.4, 30.0)]


def test_a_turned_piece_is_cut_turned_clockwise(bench: Bench, cutter: Actor) -> None:
    """A quarter turn clockwise takes (30, 30) of 63.5 x 88.9 mm to (88.9 - 30, 30)."""
    version = factories.make_version(blank_code="2.5x3.5in")
    run = planned(cutter, quantity=1, version=version)
    run.pieces.update(x_mm=10, y_mm=20, turned=True)
    assert centres(file_of(bench, run).content) == [(68.9, 50.0)]


def test_the_openings_have_their_area_less_the_kerf(bench: Bench, cutter: Actor) -> None:
    """Area by shapely of the points that svgelements reads: within 0.5 % of (20 - 0.15)^2."""
    svg = file_of(bench, planned(cutter)).content
    for path in paths(svg, "inside"):
        ring = [(p.x, p.y) for p in (path.point(i / 400) for i in range(400))]
        assert Polygon(ring).area == pytest.approx(19.85**2, rel=0.005)


def test_inside_cuts_come_before_outlines(bench: Bench, cutter: Actor) -> None:
    svg = file_of(bench, planned(cutter)).content
    assert 0 < svg.index(b'id="inside"') < svg.index(b'id="outline"')


def test_a_job_that_does_not_pass_keeps_the_file_back(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    job = run.pieces.all()[0].job
    job.version.status = "rejected"
    job.version.report = factories.make_report("rejected", [dict(factories.ISLAND)], "6x6in")
    job.version.save()
    response = bench.client.get(reverse("workshop-sheet-cut-file", args=[run.code]), follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        (f"{job.version} has not passed, so it cannot be cut. Take job {job.code} off the sheet.")
    ]
    assert "the sheet cannot be started with it" in response.content.decode()


def test_an_empty_or_overlapping_sheet_has_no_file(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    run.pieces.update(x_mm=0)
    address = reverse("workshop-sheet-cut-file", args=[run.code])
    response = bench.client.get(address, follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        "Pieces 1 and 2 overlap by 152.4 mm. Nothing was saved; move it and save again."
    ]
    run.pieces.all().delete()
    response = bench.client.get(address, follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        "Nothing lies on this sheet, so there is no cut file."
    ]


def test_blanks_cut_to_size_are_cut_one_at_a_time_on_the_placement_sheet(
    bench: Bench, cutter: Actor
) -> None:
    run = planned(cutter, film=factories.make_blank_film())
    job = run.pieces.all()[0].job
    page = bench.see("workshop-sheet", run.code)
    assert "Each lies alone in the frame of the placement sheet, one at a time" in page
    assert "sheet-picture" not in page.replace("js/workshop-sheet.js", "")
    response = file_of(bench, run, job=job.code)
    assert b'id="outline"' not in response.content
    assert response["Content-Disposition"] == (
        f'attachment; filename="{job.code}-blank-kerf-0.15.svg"'
    )
    placement = bench.client.get(reverse("workshop-sheet-placement", args=[run.code]))
    assert placement["Content-Type"] == "application/pdf"
    assert placement.content.startswith(b"%PDF-")


def test_a_nested_sheet_has_no_placement_sheet(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    response = bench.client.get(reverse("workshop-sheet-placement", args=[run.code]), follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        "A placement sheet is only for blanks that are cut to size."
    ]


# ---- all three formats, read back by svgelements, ezdxf and pdfium ----

OPERATIONS = ("mark", "inside", "outline")


def hexed(parts: Sequence[int]) -> str:
    return "#" + "".join(f"{part:02x}" for part in parts)


READERS = {
    "svg": lambda data: svg_lines(data),
    "dxf": lambda data: dxf_lines(data),
    "pdf": lambda data: {"all": pdf_lines(data)[1]},
}


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
@pytest.mark.parametrize("whole", [True, False])
def test_every_format_holds_the_same_cuts(
    bench: Bench, cutter: Actor, kind: str, whole: bool
) -> None:
    """Sheet and job: each opening of 20 mm less the kerf of 0.15 mm, its box within 0.02 mm."""
    run = planned(cutter)
    if whole:
        response = file_of(bench, run, **{"as": kind})
    else:
        address = reverse("workshop-job-cut-file", args=[run.pieces.first().job.code])
        response = bench.client.get(address, {"as": kind})
    assert response["Content-Disposition"].endswith(f'-kerf-0.15.{kind}"')
    lines = [line for group in READERS[kind](response.content).values() for line in group]
    sizes = [np.ptp(line, axis=0) for line in lines]
    openings = [size for size in sizes if np.allclose(size, 19.85, atol=0.02)]
    assert len(openings) == (2 if whole else 1)


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_operations_have_the_colours_of_the_machine(bench: Bench, cutter: Actor, kind: str) -> None:
    """Inside #1d5a3b and outlines #98211c; what has none stays black (DXF: the layer's colour)."""
    Machine.current()
    Machine.objects.update(colour_inside="#1d5a3b", colour_outline="#98211c")
    data = file_of(bench, planned(cutter), **{"as": kind, "mark": "1"}).content
    if kind == "svg":
        page = SVG.parse(BytesIO(data), ppi=25.4)
        told = {
            group.id: str(next(iter(group.select(lambda e: isinstance(e, Path)))).stroke.hex)
            for group in page.select(lambda e: getattr(e, "id", None) in OPERATIONS)
        }
    elif kind == "dxf":
        layers = ezdxf.read(StringIO(data.decode())).layers
        told = {name: hexed(layers.get(name).rgb) for name in ("inside", "outline")}
        assert layers.get("mark").rgb is None
        told["mark"] = "#000000"
    else:
        page = pypdfium2.PdfDocument(data)[0]
        seen = []
        for shape in page.get_objects():
            parts = [ctypes.c_uint() for _ in range(4)]
            pdfium.FPDFPageObj_GetStrokeColor(shape.raw, *map(ctypes.byref, parts))
            seen.append(hexed([part.value for part in parts[:3]]))
        told = dict(zip(OPERATIONS, dict.fromkeys(seen), strict=True))
    assert told == {"mark": "#000000", "inside": "#1d5a3b", "outline": "#98211c"}


def test_a_piece_is_marked_with_its_job_in_its_margin(bench: Bench, cutter: Actor) -> None:
    """2.5 mm high, 2.5 mm from the blank's left and lower edge; nothing else moves."""
    run = planned(cutter, quantity=1)
    svg = file_of(bench, run, mark="1").content
    boxes = np.array([path.bbox() for path in paths(svg, "mark")])
    assert boxes[:, 0].min() == pytest.approx(2.5, abs=0.02)
    assert boxes[:, 1].min() == pytest.approx(152.4 - 5, abs=0.02)
    assert boxes[:, 3].max() == pytest.approx(152.4 - 2.5, abs=0.02)
    assert centres(svg) == centres(file_of(bench, run).content)
    assert paths(file_of(bench, run).content, "mark") == []


def test_a_spoiled_piece_is_cut_again_alone_in_its_place(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter, quantity=3)
    second = run.pieces.order_by("id")[1]
    response = file_of(bench, run, piece=second.pk)
    assert centres(response.content) == [(round(second.x_mm + 30, 1), round(second.y_mm + 30, 1))]
    assert f"piece-{second.pk}" in response["Content-Disposition"]


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_on_the_bed_every_sheet_opens_where_the_last_one_lay(
    bench: Bench, cutter: Actor, kind: str
) -> None:
    """600 x 900 mm with the film 20 across and 10 down from the top left: all moves by that much,
    in DXF and PDF from below: 900 - 10 - y."""
    Machine.current()
    Machine.objects.update(page_is_bed=True, offset_x_mm=20, offset_y_mm=10)
    data = file_of(bench, planned(cutter, quantity=1), **{"as": kind}).content
    lines = [line for group in READERS[kind](data).values() for line in group]
    opening = next(line for line in lines if np.allclose(np.ptp(line, axis=0), 19.85, atol=0.02))
    low, high = opening.min(axis=0), opening.max(axis=0)
    middle = (low + high) / 2
    assert middle == pytest.approx([50, 40 if kind == "svg" else 900 - 40], abs=0.02)


def test_a_bed_too_small_is_one_sentence(bench: Bench, cutter: Actor) -> None:
    Machine.current()
    Machine.objects.update(page_is_bed=True, bed_width_mm=300)
    run = planned(cutter)
    address = reverse("workshop-sheet-cut-file", args=[run.code])
    page = bench.client.get(address, follow=True).content.decode()
    assert "does not lie on the bed of 300 x 900 mm" in page


def test_the_picture_numbers_every_contour(bench: Bench, cutter: Actor) -> None:
    """Two openings, two blanks that share their edge: each number once, at the start of its cut."""
    run = planned(cutter)
    plan = cut_files.plan_of_run(run, 0.15)
    data = bench.client.get(reverse("workshop-sheet-order-picture", args=[run.code])).content
    page = SVG.parse(BytesIO(data), ppi=25.4)
    numbers = {int(t.text): (t.x, t.y) for t in page.select(lambda e: isinstance(e, Text))}
    assert sorted(numbers) == list(range(1, len(plan.path.contours) + 1))
    shown = bench.see("workshop-sheet-order", run.code)
    assert f"{len(plan.path.contours)} contours of sheet" in shown
