"""Job ticket, bag and address labels: what they say, where it lies, and codes that can be read."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import zxingcpp
from django.urls import reverse

from orders.errors import RefusedError
from orders.models import Job, Override, Workshop
from orders.outbox import absolute
from orders.prints import job_ticket, labels
from tests import factories
from tests.prints.reading import letters, overlaps, page_sizes_mm, pictures, text_boxes_mm, texts

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("media")]

SHEETS = tuple(labels.LABEL_SHEETS)


def codes(data: bytes) -> list[str]:
    """Read every code off the pages, rendered at 150 dpi."""
    return [c.text for page in pictures(data, 150) for c in zxingcpp.read_barcodes(page)]


def scan_of(code: str) -> str:
    return absolute(reverse("workshop-scan-code", args=[code]))


@pytest.fixture
def job() -> Job:
    shop = factories.workshop()
    shop.address = "Slipway Cutting Shed\n1 Ropewalk\nTidehaven TH 2"
    shop.save()
    version = factories.make_version(
        factories.make_design(title="Carrick knot"),
        status="rejected",
        findings=[factories.ISLAND, factories.THIN_WEB | {"id": 2}],
    )
    order = factories.make_order(accepted=True, note="Thin lines are meant.", rush_days=3)
    job = factories.make_job(order, status="queued", version=version, quantity=4)
    cutter = factories.workshop_person()
    at = datetime(2026, 11, 24, 9, tzinfo=UTC)
    Override.objects.create(
        version=version, finding_key="island@40.0,40.0", kind="island", reason="Loose on purpose.",
        by=cutter, at=at,
    )  # fmt: skip
    version.kept.create(finding_key="thin-web@90.0,60.0", kind="thin-web", at=at)
    return job


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_ticket_says_what_the_cutter_needs_and_who_lets_findings_stand(
    job: Job, paper: str
) -> None:
    data = job_ticket.render(job, paper=paper)
    said = letters(" ".join(texts(data)))
    for words in (
        job.code,
        "Carrick knot",
        "4 wanted",
        "6 × 6 in (152.4 mm), stencil",
        "PET 0.19 mm (7.5 mil)",
        "0.15 mm, already taken in the cut file",
        "1 from each piece, 4 in all; bag them",
        "RUSH, within 3 working days",
        "Thin lines are meant.",
        "The inside of this loop near the top left will fall out.",
        "Stands: Loose on purpose. (Ebb Harbourside, Tue 24 Nov 2026)",
        "The artist keeps it as it is.",
        *job_ticket.CAUTIONS,
        job_ticket.RULES,
    ):
        assert letters(words) in said, words
    assert codes(data) == [scan_of(job.code)]
    assert job_ticket.render(job, paper=paper) == data
    for boxes in text_boxes_mm(data):
        assert overlaps(boxes) == []


def test_a_ticket_of_many_findings_goes_on_on_further_pages(job: Job) -> None:
    job.version.report["findings"] = [
        factories.THIN_WEB | {"id": n, "key": f"thin-web@{n}"} for n in range(1, 61)
    ]
    data = job_ticket.render(job)
    pages = texts(data)
    assert len(pages) > 1
    assert all(f"page {n} of {len(pages)}" in page for n, page in enumerate(pages, start=1))
    assert "60 warning" in " ".join(pages)


def test_a_ticket_on_an_unknown_paper_is_refused(job: Job) -> None:
    with pytest.raises(RefusedError):
        job_ticket.render(job, paper="vellum")


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_bag_label_is_read_back_and_stays_on_its_label(job: Job, sheet: str) -> None:
    place = labels.LABEL_SHEETS[sheet]
    data = labels.render_bags([job, job], sheet=sheet, start=place.count)
    assert codes(data) == [scan_of(job.code)] * 2  # the second begins a new sheet
    said = texts(data)
    assert len(said) == 2
    for page in said:
        for words in (job.code, "Carrick knot", "4 pieces, stencil, 6 × 6 in", "of 4 in the bag"):
            assert letters(words) in letters(page), words
    for boxes in text_boxes_mm(data)[1:]:  # the first label of the second sheet
        assert overlaps(boxes) == []
        for left, top, right, bottom in boxes:
            assert place.left_mm <= left < right <= place.left_mm + place.width_mm
            assert place.top_mm <= top < bottom <= place.top_mm + place.height_mm


@pytest.mark.parametrize("sheet", SHEETS)
def test_an_address_label_has_both_addresses_and_leads_to_the_order(job: Job, sheet: str) -> None:
    customs = "Painting stencils, 4 pieces, 24.6 g net, value USD 40.00"
    data = labels.render_address(job.order, sheet=sheet, told=[customs])
    assert codes(data) == [scan_of(job.order.code)]
    said = letters(" ".join(texts(data)))
    for words in (
        "From Slipway Cutting Shed, 1 Ropewalk, Tidehaven TH 2",
        "Wren Saltmarsh",
        "3 Quay Steps",
        "Tidehaven TH 1",
        "Harbourland",
        job.order.code,
        customs,
    ):
        assert letters(words) in said, words
    assert job.order.artist.email not in said


@pytest.mark.parametrize("sheet", SHEETS)
def test_labels_lie_on_their_paper_without_touching(sheet: str) -> None:
    """Sides of A4 and Letter: ISO 216 and ANSI/ASME Y14.1; the rest is sums."""
    one = labels.LABEL_SHEETS[sheet]
    wide, high = {"a4": (210, 297), "letter": (215.9, 279.4), "4x6": (101.6, 152.4)}[one.paper]
    assert one.left_mm + (one.across - 1) * one.pitch_x_mm + one.width_mm <= wide + 0.01
    assert one.top_mm + (one.down - 1) * one.pitch_y_mm + one.height_mm <= high + 0.01
    assert one.across == 1 or one.pitch_x_mm >= one.width_mm
    assert one.down == 1 or one.pitch_y_mm >= one.height_mm
    job = factories.make_job()
    (size,) = page_sizes_mm(labels.render_bags([job], sheet=sheet))
    assert size == pytest.approx((wide, high), abs=0.02)


def test_what_cannot_be_printed_is_refused_in_a_sentence(job: Job) -> None:
    for sheet, start in (("vellum", 1), ("a4-24", 25), ("a4-24", 0)):
        with pytest.raises(RefusedError):
            labels.render_bags([job], sheet=sheet, start=start)
    with pytest.raises(RefusedError, match="no job"):
        labels.render_bags([])
    job.order.delivery = "collect"
    with pytest.raises(RefusedError, match="no address"):
        labels.render_address(job.order)


def test_long_names_are_set_smaller_and_never_cut_off(job: Job) -> None:
    job.version.design.title = "The harbour master's weather-beaten carrick bend " * 2
    Workshop.objects.update(name="Slipway Cutting Shed and Sons, Ropewalk")
    for sheet in SHEETS:
        data = labels.render_bags([job], sheet=sheet)
        said = letters(" ".join(texts(data)))
        assert said.count(letters("carrick bend")) == 2, sheet
        for boxes in text_boxes_mm(data):
            assert overlaps(boxes) == [], sheet
