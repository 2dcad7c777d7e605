"""The lists of the bench ask the database a fixed number of times, however much there is."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.urls import reverse

from orders import workflow
from orders.models import Packaging, Workshop
from orders.workflow import Actor, Place
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

PAGES = ("today", "queue", "pack", "post", "sheets", "day", "letters")


def more(cutter: Actor) -> None:
    """One order more of each kind, abroad, with a sheet that is done."""
    for status in ("received", "queued", "cut", "packed"):
        order = factories.make_order(accepted=True, rush_days=3)
        for _ in range(2):
            factories.make_job(order, status=status)
    part = factories.make_job(status="queued", quantity=3, cut=2, packed=1)
    run = workflow.plan_run(part.film, [Place(part, 0, 0)], cutter)
    workflow.start_run(run, cutter)


def queries_of(bench: Bench, name: str) -> int:
    asked = []

    def count(execute: Any, sql: str, *rest: Any) -> Any:
        asked.append(sql)
        return execute(sql, *rest)

    with connection.execute_wrapper(count):
        assert bench.client.get(reverse(f"workshop-{name}")).status_code == 200
    return len(asked)


def test_more_jobs_ask_no_more_queries(bench: Bench, cutter: Actor) -> None:
    Workshop.objects.update(country="Skerryland")
    Packaging.objects.create(name="Board", weight_g="38")
    more(cutter)
    before = {name: queries_of(bench, name) for name in PAGES}
    for _ in range(3):
        more(cutter)
    assert {name: queries_of(bench, name) for name in PAGES} == before
    assert max(before.values()) <= 16


def test_rush_orders_are_told_and_found(bench: Bench) -> None:
    rush = factories.make_job(factories.make_order(accepted=True, rush_days=3))
    usual = factories.make_job()
    page = bench.see("workshop-queue")
    assert page.count("rush</span>") == 1
    only = bench.see("workshop-queue", due="rush")
    assert f"/job/{rush.code}/" in only
    assert f"/job/{usual.code}/" not in only


def test_many_jobs_at_once_are_printed_or_taken_out_of_the_queue(bench: Bench) -> None:
    jobs = [factories.make_job(), factories.make_job(status="packed")]
    ticked = [f"{job.code}.0" for job in jobs]
    told = bench.told("workshop-queue-selected", job=ticked, do="unqueue", back="")
    assert len(told) == 2
    assert f"1 job is back with the jobs to look over: {jobs[0].code}." in told
    response = bench.press("workshop-queue-selected", job=ticked, do="tickets")
    assert response.content.startswith(b"%PDF")
    assert "Tick at least one job" in bench.told("workshop-queue-selected", do="tickets")[0]
