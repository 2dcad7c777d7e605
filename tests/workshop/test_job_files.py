"""Files of a job: what is handed out, as what, and when it is not."""

import re
from io import BytesIO
from typing import Any

import pytest
from django.urls import reverse
from PIL import Image
from svgelements import SVG, Path

from orders.models import Job
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def get(bench: Bench, name: str, *args: Any, **query: Any) -> Any:
    return bench.client.get(reverse(name, args=args), query)


def body(response: Any) -> bytes:
    return b"".join(response.streaming_content) if response.streaming else response.content


def box_of(svg: bytes, group: str) -> tuple[float, ...]:
    """The bounding box of a group's paths in mm, read by svgelements."""
    from io import BytesIO

    page = SVG.parse(BytesIO(svg), ppi=25.4, reify=True)
    boxes = [
        path.bbox()
        for found in page.select(lambda e: getattr(e, "id", None) == group)
        for path in found.select(lambda e: isinstance(e, Path))
    ]
    return (
        min(box[0] for box in boxes),
        min(box[1] for box in boxes),
        max(box[2] for box in boxes),
        max(box[3] for box in boxes),
    )


def test_the_cut_file_is_true_to_size_with_the_kerf_taken(bench: Bench) -> None:
    """Read by svgelements: the opening of 20 mm is 19.85 mm, the blank 152.55 mm."""
    job = factories.make_job()
    response = get(bench, "workshop-job-cut-file", job.code)
    assert response["Content-Type"] == "image/svg+xml"
    assert response["Content-Disposition"] == f'attachment; filename="{job.code}-kerf-0.15.svg"'
    assert response["X-Content-Type-Options"] == "nosniff"
    left, top, right, bottom = box_of(response.content, "inside")
    assert (right - left, bottom - top) == pytest.approx((19.85, 19.85), abs=0.002)
    left, top, right, bottom = box_of(response.content, "outline")
    assert (right - left, bottom - top) == pytest.approx((152.55, 152.55), abs=0.002)


def test_kerf_0_is_one_press_and_leaves_the_lines_where_they_were_drawn(bench: Bench) -> None:
    job = factories.make_job()
    page = bench.see("workshop-job", job.code)
    assert f"{reverse('workshop-job-cut-file', args=[job.code])}?kerf=0" in page
    svg = get(bench, "workshop-job-cut-file", job.code, kerf="0").content
    left, top, right, bottom = box_of(svg, "inside")
    assert (right - left, bottom - top) == pytest.approx((20, 20), abs=0.002)


def test_blanks_cut_to_size_have_no_outline_to_cut(bench: Bench) -> None:
    job = factories.make_job(film=factories.make_blank_film())
    svg = get(bench, "workshop-job-cut-file", job.code).content
    assert b'id="inside"' in svg
    assert b'id="outline"' not in svg


def test_a_rejected_version_has_no_cut_file(bench: Bench) -> None:
    job = factories.make_job(status="received", version=factories.make_version(status="rejected"))
    response = bench.client.get(reverse("workshop-job-cut-file", args=[job.code]), follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        f"{job.version} has not passed, so it cannot be cut. There is no cut file yet."
    ]
    assert "cut.svg" not in response.content.decode()


@pytest.mark.parametrize("kerf", ["9", "-1", "nan"])
def test_a_kerf_that_is_none_gets_one_sentence(bench: Bench, kerf: str) -> None:
    job = factories.make_job()
    address = reverse("workshop-job-cut-file", args=[job.code])
    response = bench.client.get(address, {"kerf": kerf}, follow=True)
    (told,) = [str(m) for m in response.context["messages"]]
    assert told.startswith("The kerf is the width the beam removes, from 0 to 2 mm;")


def test_the_picture_comes_pixel_for_pixel_as_an_attachment(bench: Bench) -> None:
    job = factories.make_job()
    response = get(bench, "workshop-job-original", job.code)
    assert response["Content-Type"] == "image/png"
    assert response["Content-Disposition"] == 'attachment; filename="snail.png"'
    given = Image.open(BytesIO(factories.picture_png())).convert("L")
    assert Image.open(BytesIO(body(response))).tobytes() == given.tobytes()


def test_pictures_have_a_fixed_type_and_may_be_kept(bench: Bench) -> None:
    job = factories.make_job()
    for name, kind in (("picture", "image/png"), ("drawing", "image/jpeg")):
        response = get(bench, f"workshop-job-{name}", job.code, 1)
        assert response["Content-Type"] == kind
        assert response["Cache-Control"] == "private, max-age=31536000, immutable"
        assert response["X-Content-Type-Options"] == "nosniff"
    small = get(bench, "workshop-job-picture", job.code, 1, small="1").content
    assert small.startswith(b"\x89PNG")
    assert len(small) < len(factories.picture_png(2000))
    assert get(bench, "workshop-job-picture", job.code, 2).status_code == 404


def test_the_slip_prints_on_three_papers(bench: Bench) -> None:
    job = factories.make_job(status="packed")
    for paper in ("letter", "a4", "4x6"):
        response = get(bench, "workshop-order-slip", job.order.code, paper=paper)
        assert response["Content-Type"] == "application/pdf"
        assert response.content.startswith(b"%PDF-")
    assert get(bench, "workshop-order-slip", job.order.code, paper="a0").status_code == 404


def test_figures_that_were_not_measured_are_left_out(bench: Bench) -> None:
    job = factories.make_job()
    job.version.report["stencil"] |= {"min_opening_mm": None, "min_web_mm": 1.25}
    job.version.save()
    page = bench.see("workshop-job", job.code)
    assert "80 mm of line to cut; narrowest film 1.25 mm" in page
    assert "narrowest opening" not in page


def test_no_page_of_a_job_carries_inline_styles_or_scripts(bench: Bench) -> None:
    job: Job = factories.make_job(status="cut")
    page = bench.see("workshop-job", job.code)
    assert not re.search(r"\sstyle=|\son[a-z]+=|<style|<script(?![^>]*\ssrc=)", page)
