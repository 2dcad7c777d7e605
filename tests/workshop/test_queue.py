"""The queue: what is shown, in which order, and what is done with what is ticked."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from orders import planning, workflow
from orders.models import Job
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def codes(bench: Bench, **query: Any) -> list[str]:
    response = bench.client.get(reverse("workshop-queue"), query)
    assert response.status_code == 200
    return [job.code for job in response.context["jobs"]]


def test_the_queue_shows_what_is_to_cut_by_promised_day(bench: Bench) -> None:
    later, sooner = factories.make_job(promise_in_days=6), factories.make_job(promise_in_days=1)
    factories.make_job(status="received")
    factories.make_job(status="packed")
    assert codes(bench) == [sooner.code, later.code]


def test_a_row_tells_pieces_size_film_and_how_late(bench: Bench) -> None:
    job = factories.make_job(quantity=6, cut=2, promise_in_days=-2)
    page = bench.see("workshop-queue")
    assert f"{job.code}</b>" in page
    assert "<b>4</b> to cut · 6 × 6 in · 0.19 mm" in page
    assert "2 days late" in page


def test_pieces_already_on_a_sheet_are_told(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(quantity=6)
    planning.plan_sheets(job.film, [(job, 4)], cutter)
    assert "4 laid" in bench.see("workshop-queue")


def test_filters_and_sort_live_in_the_address(bench: Bench) -> None:
    small = factories.make_job(
        version=factories.make_version(blank_code="4x4in"), quantity=1, promise_in_days=9
    )
    thin = factories.make_job(
        film=factories.make_film("pet-0.127", name="PET 0.127 mm", thickness_mm="0.127"),
        quantity=9,
        promise_in_days=-1,
    )
    on_hold = factories.make_job(status="on-hold", promise_in_days=3)
    assert codes(bench, blank="4x4in") == [small.code]
    assert codes(bench, film="pet-0.127") == [thin.code]
    assert codes(bench, due="late") == [thin.code]
    assert codes(bench, due="week") == [thin.code, on_hold.code]
    assert codes(bench, state="on-hold") == [on_hold.code]
    assert codes(bench, state="open", sort="quantity") == [thin.code, on_hold.code, small.code]
    assert codes(bench, state="no-such-state", due="x", blank="y", sort="z") == [
        thin.code,
        small.code,
    ]


def test_search_looks_everywhere_by_code_title_and_artist(bench: Bench) -> None:
    version = factories.make_version(factories.make_design(title="Bell buoy"))
    job = factories.make_job(version=version, status="packed")
    assert codes(bench, q="bell BUOY") == [job.code]
    assert codes(bench, q=job.code.lower()) == [job.code]
    assert codes(bench, q="saltmarsh") == [job.code]
    assert codes(bench, q="nothing like it") == []


def test_empty_states_say_what_to_do(bench: Bench) -> None:
    assert "No job stands at this step." in bench.see("workshop-queue")
    assert "Nothing matches this search and these filters." in bench.see("workshop-queue", q="x")


def test_ticked_jobs_lead_to_a_new_sheet(bench: Bench) -> None:
    first, second = factories.make_job(), factories.make_job()
    response = bench.client.post(
        reverse("workshop-queue-selected"),
        {"do": "sheet", "job": [f"{first.code}.0", f"{second.code}.0"]},
    )
    assert response["Location"] == (
        f"{reverse('workshop-sheet-new')}?job={first.code}&job={second.code}"
    )


def test_ticked_jobs_go_into_the_queue_and_the_others_are_told(bench: Bench) -> None:
    fit = factories.make_job(status="received")
    unfit = factories.make_job(status="received", version=factories.make_version(status="rejected"))
    told = bench.told(
        "workshop-queue-selected", do="queue", job=[f"{fit.code}.0", f"{unfit.code}.0"]
    )
    assert told == [
        (
            f"{unfit.version} does not pass yet. Override each finding that rejects it, "
            "propose a version, or ask the artist for changes."
        ),
        f"1 job is in the queue: {fit.code}. Next: lay them on a sheet.",
    ]
    fit.refresh_from_db()
    assert fit.status == Job.Status.QUEUED


def test_a_tick_on_an_outdated_page_is_told_and_not_obeyed(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.hold(job, cutter, why="Waiting for film.")
    told = bench.told("workshop-queue-selected", do="queue", job=[f"{job.code}.0"])
    assert told == [
        (
            f"Somebody else changed job {job.code} a moment ago: it is “on hold” now. "
            "Nothing of yours was done; look again and press once more if it still applies."
        )
    ]


def test_nothing_ticked_is_one_sentence_and_keeps_the_filters(bench: Bench) -> None:
    here = reverse("workshop-queue") + "?due=late"
    response = bench.press("workshop-queue-selected", do="sheet", back=here)
    assert response.redirect_chain[-1][0] == here
    assert [str(m) for m in response.context["messages"]] == [
        "Tick at least one job first. Nothing was done."
    ]
    away = bench.press("workshop-queue-selected", back="https://elsewhere.example/")
    assert away.redirect_chain[-1][0] == reverse("workshop-queue")


@pytest.mark.parametrize("address", ["workshop-queue", "workshop-today", "workshop-post"])
def test_two_hundred_jobs_take_as_many_queries_as_five(bench: Bench, address: str) -> None:
    def queries() -> int:
        with CaptureQueriesContext(
            connection,
        ) as caught:
            bench.client.get(reverse(address))
        return len(caught)

    order = factories.make_order(accepted=True)
    versions = [factories.make_version(), factories.make_version(status="rejected")]
    statuses = ("queued", "received", "packed", "cutting")

    def make(number: int) -> None:
        factories.make_job(
            order if number % 3 else factories.make_order(accepted=True),
            version=versions[number % 2],
            status=statuses[number % 4],
        )

    for number in range(5):
        make(number)
    bench.client.get(reverse(address))  # the session is written once
    few = queries()
    for number in range(5, 200):
        make(number)
    assert queries() == few
    assert few < 20
