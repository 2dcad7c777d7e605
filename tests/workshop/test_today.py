"""The page that says what needs the cutter."""

import pytest
from django.urls import reverse

from orders import planning, workflow
from orders.models import Mail
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def tallies(bench: Bench) -> dict[str, int]:
    response = bench.client.get(reverse("workshop-today"))
    return {tally["words"]: tally["count"] for tally in response.context["tallies"]}


def test_an_empty_workshop_is_told_that_nothing_is_late(bench: Bench) -> None:
    page = bench.see("workshop-today")
    assert "Nothing is late or due within 2 days." in page
    assert "Nothing new has come in." in page
    assert tallies(bench) == {
        "late": 0,
        "due within 2 days": 0,
        "to look over": 0,
        "to cut": 0,
        "to pack": 0,
        "to post": 0,
    }


def test_jobs_sheets_and_failed_mails_are_counted_where_they_stand(
    bench: Bench, cutter: Actor
) -> None:
    late = factories.make_job(promise_in_days=-1)
    factories.make_job(status="received", promise_in_days=2)
    factories.make_job(status="received", promise_in_days=3)
    factories.make_job(status="cut", promise_in_days=9)
    factories.make_job(status="packed", promise_in_days=9)
    factories.make_job(status="shipped", promise_in_days=-9)
    planning.plan_sheets(late.film, [(late, 1)], cutter)
    Mail.objects.create(to="wren@harbour.example", subject="x", body="x", status="failed")
    assert tallies(bench) == {
        "late": 1,
        "due within 2 days": 1,
        "to look over": 2,
        "to cut": 1,
        "sheets to cut": 1,
        "to pack": 1,
        "to post": 1,
        "mails that failed": 1,
    }


def test_late_jobs_stand_first_with_how_late_they_are(bench: Bench) -> None:
    soon = factories.make_job(promise_in_days=1)
    late = factories.make_job(promise_in_days=-3)
    page = bench.see("workshop-today")
    assert "3 days late" in page
    assert "tomorrow" in page
    assert page.index(late.code) < page.index(soon.code)


def test_an_answer_of_the_artist_is_marked(bench: Bench, cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.ask_changes(job, cutter, why="Draw the rope thicker.")
    assert "artist answered" not in bench.see("workshop-today")
    workflow.answer(job, factories.make_version(job.version.design), artist)
    assert "artist answered" in bench.see("workshop-today")
