"""Propose a version: place, scale, turn, ink and strokes, looked at before it is offered."""

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image, ImageDraw

from orders import checking, drawings, workflow
from orders.models import Job, Mail, Version
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

PX_PER_MM = 10


def ring_png(gap_mm: float = 0.0) -> bytes:
    """A ring about the middle of 6 x 6 in at 10 px/mm; with a gap at its right it holds."""
    from io import BytesIO

    side = round(152.4 * PX_PER_MM)
    image = Image.new("L", (side, side), 255)
    pen = ImageDraw.Draw(image)
    box = tuple(PX_PER_MM * mm for mm in (46.2, 46.2, 106.2, 106.2))
    pen.ellipse(box, outline=0, width=5 * PX_PER_MM)
    out = BytesIO()
    image.save(out, "PNG", dpi=(254, 254))
    return out.getvalue()


@pytest.fixture
def job(db: None) -> Job:
    """A received job whose drawing's middle falls out, as the real check says."""
    owner = factories.artist_person()
    version = drawings.receive_drawing(
        SimpleUploadedFile("ring.png", ring_png(), "image/png"),
        visitor="",
        owner=owner,
        blank_code="6x6in",
        paper_mm=None,
    )
    checking.look_at(version.pk)
    version.refresh_from_db()
    assert version.status == Version.Status.REJECTED
    return factories.make_job(
        factories.make_order(artist=owner, accepted=True), version=version, status="received"
    )


def form_of(bench: Bench, job: Job, **changed: Any) -> dict[str, Any]:
    """The form as the page shows it, some of it changed."""
    response = bench.client.get(reverse("workshop-job-propose", args=[job.code]))
    form: dict[str, Any] = {"seen": job.revision, "do": "look", "reason": ""}
    form |= {f"stroke-{key}": value for key, value in (("TOTAL_FORMS", 3), ("INITIAL_FORMS", 0))}
    form |= dict(response.context["form"].initial.items())
    return form | changed


def bridge(at: int, y_mm: float, pen: str = "white") -> dict[str, Any]:
    """A stroke of 2 mm across the ring at its left (0) or right (1) side."""
    x1, x2 = ((44.0, 54.0), (98.0, 108.0))[at]
    values = {"pen": pen, "x1": x1, "y1": y_mm, "x2": x2, "y2": y_mm, "width": 2}
    return {f"stroke-{at}-{name}": value for name, value in values.items()}


def test_the_page_shows_where_the_drawing_lies(bench: Bench, job: Job) -> None:
    form = form_of(bench, job)
    assert float(form["x_mm"]) == pytest.approx(76.2, abs=0.1)
    assert float(form["y_mm"]) == pytest.approx(76.2, abs=0.1)
    assert (form["scale_percent"], form["turn_deg"], form["ink_percent"]) == ("100", "0", "")


def test_two_white_strokes_hold_the_middle_and_the_look_says_so(bench: Bench, job: Job) -> None:
    form = form_of(bench, job, **bridge(0, 76.2), **bridge(1, 76.2))
    response = bench.press("workshop-job-propose", job.code, **form)
    page = response.content.decode()
    assert len(response.context["rows"].forms) == 5  # the two typed, three empty ones more
    assert "It would pass" in page
    assert "data:image/png;base64," in page
    assert 'value="98.0"' in page
    assert Version.objects.count() == 1


def test_a_version_that_would_not_pass_is_not_sent(bench: Bench, job: Job) -> None:
    form = form_of(bench, job, do="propose", reason="Moved.", x_mm="80")
    response = bench.press("workshop-job-propose", job.code, **form)
    (told,) = [str(m) for m in response.context["messages"]]
    assert told.startswith("As changed it would not pass: ")
    assert told.endswith(" Not sent.")
    assert "It would be rejected" in response.content.decode()
    assert Version.objects.count() == 1


def test_a_proposal_is_offered_once_with_its_reason_and_a_mail(
    bench: Bench, job: Job, artist: Actor
) -> None:
    form = form_of(
        bench,
        job,
        do="propose",
        reason="The middle fell out.",
        x_mm="80",
        scale_percent="90",
        **bridge(0, 76.2),
        **bridge(1, 76.2),
    )
    told = bench.told("workshop-job-propose", job.code, **form)
    assert told == [
        (
            f"The changed version of job {job.code} is offered to the artist. "
            "The mail goes in 2 minutes; until then undo withdraws it."
        )
    ]
    job.refresh_from_db()
    assert job.status == Job.Status.NEEDS_CHANGES
    proposal = job.proposals.get()
    assert proposal.recipe["scale"] == 0.9
    assert proposal.recipe["place_mm"][0] == 80
    assert [stroke["pen"] for stroke in proposal.recipe["strokes"]] == ["white", "white"]
    assert "The middle fell out." in Mail.objects.get(kind="proposal").body
    again = bench.told("workshop-job-propose", job.code, **form)
    assert again == [f"Job {job.code} is “needs changes” now, so nothing can be proposed."]
    assert job.proposals.count() == 1
    assert "waiting for the artist" in bench.see("workshop-job", job.code)
    checking.look_at(proposal.pk)
    workflow.accept_proposal(proposal, artist)
    job.refresh_from_db()
    assert (job.version, job.status) == (proposal, Job.Status.RECEIVED)


def test_scale_and_place_come_out_as_typed(bench: Bench, job: Job) -> None:
    """The ring of 60 mm at 50 % about (60, 50) mm: its openings' box is known by arithmetic."""
    from orders.workshop.views_propose import look

    looked = look(job.version, {"scale": 0.5, "place_mm": [60, 50]})
    left, top, right, bottom = looked.stencil.openings[0].bounds
    assert (left, top, right, bottom) == pytest.approx((45, 35, 75, 65), abs=0.15)


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        (
            {"do": "propose", "reason": "So."},
            "Nothing differs from the artist's version. Change something first.",
        ),
        (
            {"do": "propose", **bridge(0, 76.2), **bridge(1, 76.2)},
            "Say why, in a sentence; the artist reads it.",
        ),
    ],
)
def test_what_cannot_be_offered_is_one_sentence(
    bench: Bench, job: Job, changed: dict[str, Any], sentence: str
) -> None:
    assert bench.told("workshop-job-propose", job.code, **form_of(bench, job, **changed)) == [
        sentence
    ]


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"scale_percent": "0"}, "Scale, %: Ensure this value is greater than or equal to 5."),
        ({"x_mm": "left"}, "Centre from the left, mm: Enter a number."),
        ({"stroke-0-pen": "white"}, "Stroke 1: A stroke needs both points and a width in mm."),
        ({"stroke-1-x1": "5"}, "Stroke 2, Pen: Choose the pen of this stroke."),
    ],
)
def test_odd_values_are_told_and_what_was_typed_stays(
    bench: Bench, job: Job, changed: dict[str, str], sentence: str
) -> None:
    form = form_of(bench, job, **({"reason": "Kept words"} | changed))
    page = bench.press("workshop-job-propose", job.code, **form).content.decode()
    assert sentence in page
    assert "Kept words" in page


def test_an_outdated_page_offers_nothing(bench: Bench, job: Job) -> None:
    form = form_of(bench, job, do="propose", reason="So.", **bridge(0, 76.2), **bridge(1, 76.2))
    Job.objects.filter(pk=job.pk).update(revision=7)
    (told,) = bench.told("workshop-job-propose", job.code, **form)
    assert told.startswith(f"Somebody else changed job {job.code} a moment ago:")
    assert Version.objects.count() == 1


def test_a_job_that_is_cut_takes_no_proposal(bench: Bench) -> None:
    done = factories.make_job(status="cut")
    response = bench.client.get(reverse("workshop-job-propose", args=[done.code]), follow=True)
    assert [str(m) for m in response.context["messages"]] == [
        f"Job {done.code} is “cut” now, so nothing can be proposed."
    ]
