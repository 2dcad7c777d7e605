"""A change of status is one guarded write that leaves a record, and can be repeated safely."""

from datetime import timedelta

import pytest

from orders import workflow
from orders.errors import NotNowError, RefusedError, StaleError
from orders.models import Event, Job, Mail
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_change_records_who_when_from_where_and_why(cutter: Actor) -> None:
    job = factories.make_job(status="queued")
    event = workflow.hold(job, cutter, why="The film comes on Monday.")
    assert (event.from_status, event.to_status, event.why) == (
        "queued",
        "on-hold",
        "The film comes on Monday.",
    )
    assert (event.by, event.role, event.order, event.job) == (
        cutter.person,
        "workshop",
        job.order,
        job,
    )
    assert job.revision == 1


def test_the_same_press_twice_is_one_change(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    first = workflow.queue(job, cutter, seen=0)
    again = workflow.queue(job, cutter, seen=0)
    assert first == again
    assert job.events.count() == 1


def test_two_people_pressing_different_buttons_one_wins_and_the_other_is_told(
    cutter: Actor,
) -> None:
    job = factories.make_job(status="queued")
    other = Actor(Event.Role.WORKSHOP, factories.workshop_person("mate@harbour.example"))
    workflow.start(job, cutter, seen=0)
    with pytest.raises(StaleError) as told:
        workflow.hold(Job.objects.get(pk=job.pk), other, why="Wait.", seen=0)
    assert told.value.sentence == (
        f"Somebody else changed job {job.code} a moment ago: it is “being cut” now. "
        "Nothing of yours was done; look again and press once more if it still applies."
    )
    assert job.events.count() == 1


def test_a_copy_read_before_the_change_cannot_overwrite_it(cutter: Actor) -> None:
    job = factories.make_job(status="queued")
    workflow.start(Job.objects.get(pk=job.pk), cutter)
    with pytest.raises(NotNowError) as told:
        workflow.unqueue(job, cutter)
    assert "is “being cut” now" in told.value.sentence


def test_undo_restores_every_field_and_withdraws_the_letter(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.ask_changes(job, cutter, why="The knot is too fine.")
    assert Mail.objects.get(kind="ask-changes").status == "waiting"
    workflow.undo(job, cutter)
    assert job.status == "received"
    assert Mail.objects.get(kind="ask-changes").status == "withdrawn"
    assert [e.action for e in job.events.all()] == ["ask-changes", "undo"]


def test_undo_of_counts_puts_the_numbers_back(cutter: Actor) -> None:
    job = factories.make_job(status="cutting", quantity=3)
    workflow.count(job, cutter, good=3, spoiled=1)
    assert (job.status, job.cut, job.spoiled) == ("cut", 3, 1)
    workflow.undo(job, cutter)
    assert (job.status, job.cut, job.spoiled) == ("cutting", 0, 0)


def test_undo_is_refused_when_it_is_too_late_or_done(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.queue(job, cutter)
    job.events.update(at=job.events.get().at - workflow.UNDO_WITHIN - timedelta(seconds=1))
    with pytest.raises(NotNowError, match="nothing left to undo"):
        workflow.undo(job, cutter)
    workflow.unqueue(job, cutter)
    workflow.undo(job, cutter)
    with pytest.raises(NotNowError, match="nothing left to undo"):
        workflow.undo(job, cutter)


def test_the_artist_cannot_undo_what_the_workshop_did(cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.queue(job, cutter)
    with pytest.raises(NotNowError):
        workflow.undo(job, artist)


def test_a_reason_is_asked_for_where_the_artist_reads_it(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    for step in (workflow.ask_changes, workflow.decline, workflow.hold):
        with pytest.raises(RefusedError, match="Write a reason"):
            step(job, cutter, why="  ")
    assert job.events.count() == 0
