"""What was counted before there were tallies is written down from the events."""

from datetime import timedelta
from importlib import import_module

import pytest
from django.apps import apps
from django.utils import timezone

from orders import workflow
from orders.models import Parcel, Tally
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db

past = import_module("orders.migrations.0010_past_counts")


def rows() -> list[tuple[int, int, int, str]]:
    shown = Tally.objects.order_by("job", "event", "-good", "reason")
    return list(shown.values_list("job", "good", "spoiled", "reason"))


def test_past_counts_come_out_as_they_would_be_written_today(cutter: Actor) -> None:
    job = factories.make_job(status="cutting", quantity=5)
    other = factories.make_job(status="cutting", quantity=2)
    workflow.count(job, cutter, good=2, spoiled=1, why="spoiled: melted", reasons={"melted": 1})
    workflow.count(job, cutter, good=3)
    workflow.undo(job, cutter)
    workflow.count(job, cutter, good=1)
    workflow.count(other, cutter, spoiled=2, why="sheet 7KQ4M")
    written = rows()
    assert (job.pk, 2, 0, "") in written
    Tally.objects.all().delete()
    past.tally_counts(apps, None)
    assert rows() == written


def test_parcels_get_the_workshops_date(cutter: Actor) -> None:
    parcel = Parcel.objects.create(
        order=factories.make_order(), sent_at=timezone.now() - timedelta(days=40)
    )
    past.date_parcels(apps, None)
    parcel.refresh_from_db()
    assert parcel.sent_on == timezone.localdate(parcel.sent_at)
