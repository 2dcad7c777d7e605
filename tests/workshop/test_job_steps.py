"""Every step of a job by its button: what it leads to, and what an outdated press is told."""

from typing import Any

import pytest
from django.urls import reverse

from orders import planning, workflow
from orders.models import Job, Mail
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

NO_CUT_OUTS = {"cut_outs_expected": 0}


def make(status: str, **values: Any) -> Job:
    job = factories.make_job(status=status, **values)
    Job.objects.filter(pk=job.pk).update(**NO_CUT_OUTS)
    return job


STEPS = [
    ("queue", "received", {}, "queued", "is in the queue. Next: lay it on a sheet."),
    ("unqueue", "queued", {}, "received", "is back with the jobs to look over."),
    ("start", "queued", {}, "cutting", "is being cut. Next: count the pieces."),
    ("stop", "cutting", {}, "queued", "is back in the queue."),
    ("count", "cutting", {"good": 2, "spoiled": 0}, "cut", "is counted."),
    (
        "found-spoiled",
        "cut",
        {"pieces": 1, "reason": "melted"},
        "queued",
        "is to be cut again in part.",
    ),
    ("pack", "cut", {}, "packed", "is packed. Next: post it or hand it over."),
    ("unpack", "packed", {}, "cut", "is out of its envelope again."),
    ("hold", "queued", {"why": "No film."}, "on-hold", "is on hold."),
    (
        "ask-changes",
        "received",
        {"why": "Thicker, please."},
        "needs-changes",
        "waits for the artist. The mail goes in 2 minutes.",
    ),
    (
        "decline",
        "received",
        {"why": "Too fine."},
        "declined",
        "is declined. The mail goes in 2 minutes.",
    ),
    (
        "call-off",
        "queued",
        {"why": "As agreed."},
        "cancelled",
        "is called off. The mail goes in 2 minutes.",
    ),
]


@pytest.mark.parametrize(("action", "before", "data", "after", "words"), STEPS)
def test_a_step_changes_the_status_and_says_what_comes_next(
    bench: Bench, action: str, before: str, data: dict[str, Any], after: str, words: str
) -> None:
    job = make(before)
    told = bench.told("workshop-job-step", job.code, action, seen=job.revision, **data)
    job.refresh_from_db()
    assert (job.status, told) == (after, [f"Job {job.code} {words}"])


@pytest.mark.parametrize(("action", "before", "data", "after", "words"), STEPS)
def test_the_same_press_twice_is_the_same_as_once(
    bench: Bench, action: str, before: str, data: dict[str, Any], after: str, words: str
) -> None:
    job = make(before)
    seen = job.revision
    bench.press("workshop-job-step", job.code, action, seen=seen, **data)
    once = Job.objects.values().get(pk=job.pk)
    bench.press("workshop-job-step", job.code, action, seen=seen, **data)
    assert Job.objects.values().get(pk=job.pk) == once
    assert job.events.count() == 1
    assert Mail.objects.count() <= 1


@pytest.mark.parametrize(("action", "before", "data", "after", "words"), STEPS)
def test_a_press_on_an_outdated_page_is_told_and_keeps_what_was_typed(
    bench: Bench, action: str, before: str, data: dict[str, Any], after: str, words: str
) -> None:
    job = make(before)
    Job.objects.filter(pk=job.pk).update(revision=5)
    response = bench.press("workshop-job-step", job.code, action, seen=3, **data)
    job.refresh_from_db()
    assert job.status == before
    assert [str(m) for m in response.context["messages"]] == [
        (
            f"Somebody else changed job {job.code} a moment ago: it is "
            f"“{job.get_status_display()}” now. Nothing of yours was done; look again and "
            "press once more if it still applies."
        )
    ]
    if "why" in data and action != "count":
        assert data["why"] in response.content.decode()
    assert 'name="seen" value="5"' in response.content.decode()


def test_resume_puts_a_job_back_where_it_was(bench: Bench, cutter: Actor) -> None:
    job = make("packed")
    workflow.hold(job, cutter, why="Address unclear.")
    bench.press("workshop-job-step", job.code, "resume", seen=job.revision)
    job.refresh_from_db()
    assert job.status == Job.Status.PACKED


def test_undo_takes_the_last_step_back_and_withdraws_its_mail(bench: Bench) -> None:
    job = make("received")
    bench.press("workshop-job-step", job.code, "decline", seen=0, why="Too fine.")
    assert "Undo: declined" in bench.see("workshop-job", job.code)
    told = bench.told("workshop-job-step", job.code, "undo", seen=1)
    job.refresh_from_db()
    assert told == [f"Job {job.code} is as it was one step ago."]
    assert job.status == Job.Status.RECEIVED
    assert Mail.objects.get().status == Mail.Status.WITHDRAWN
    assert "Undo:" not in bench.see("workshop-job", job.code)


def test_a_step_of_the_sheet_is_taken_back_on_the_sheet(bench: Bench, cutter: Actor) -> None:
    job = make("queued")
    (run,) = planning.plan_sheets(job.film, [(job, 2)], cutter)
    workflow.start_run(run, cutter)
    job.refresh_from_db()
    page = bench.see("workshop-job", job.code)
    assert "Undo:" not in page
    assert f"Say on sheet {run.code} what was cut" in page
    told = bench.told("workshop-job-step", job.code, "undo", seen=job.revision)
    assert told == ["This job moved with its sheet. Stop or reopen the sheet instead."]
    for piece in run.pieces.all():
        workflow.mark_piece(piece, "good", cutter)
    workflow.finish_run(run, cutter)
    job.refresh_from_db()
    told = bench.told("workshop-job-step", job.code, "undo", seen=job.revision)
    assert told == ["This job moved with its sheet. Stop or reopen the sheet instead."]
    assert job.status == Job.Status.CUT


def test_an_unknown_step_is_refused_and_steps_are_not_links(bench: Bench) -> None:
    job = make("received")
    address = reverse("workshop-job-step", args=[job.code, "fly"])
    assert bench.client.post(address).status_code == 400
    assert bench.client.get(address).status_code == 405


def test_an_artist_cannot_press_the_workshops_buttons(bench: Bench) -> None:
    job = make("received")
    bench.client.force_login(
        factories.artist_person(), "allauth.account.auth_backends.AuthenticationBackend"
    )
    address = reverse("workshop-job-step", args=[job.code, "queue"])
    assert bench.client.post(address, {"seen": 0}).status_code == 403
    job.refresh_from_db()
    assert job.status == Job.Status.RECEIVED
