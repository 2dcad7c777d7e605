"""Files of a sheet: one cut file for all pieces, placement sheets for blanks cut to size."""

from io import BytesIO
from typing import Any

import pytest
from django.urls import reverse
from shapely.geometry import Polygon
from svgelements import SVG, Path

from orders import planning
from orders.models import SheetRun
from orders.workflow import Actor
from tests import factories
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
