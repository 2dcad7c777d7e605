"""What else has to go when a step is taken back: offers, places on sheets, letters."""

from __future__ import annotations

import pytest
from django.test import Client

from orders import workflow
from orders.errors import NotNowError
from orders.models import Mail, Version
from orders.workflow import Actor, Place
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_proposal_taken_back_cannot_be_accepted_later(cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    proposed = factories.make_version(
        job.version.design, proposal="offered", proposal_reason="Wider.", proposed_for=job
    )
    workflow.propose(job, proposed, cutter)
    workflow.undo(job, cutter)
    workflow.ask_changes(job, cutter, why="Please draw the shell again.")
    page = Client().get(f"/order/{job.order.link_token}/").content.decode()
    assert f"/proposal/{proposed.number}/" not in page
    with pytest.raises(NotNowError):
        workflow.accept_proposal(proposed, artist)
    job.refresh_from_db()
    assert job.version_id != proposed.pk


def test_a_proposal_stays_open_when_a_later_step_is_taken_back(
    cutter: Actor, artist: Actor
) -> None:
    job = factories.make_job(status="received")
    proposed = factories.make_version(
        job.version.design, proposal="offered", proposal_reason="Wider.", proposed_for=job
    )
    workflow.propose(job, proposed, cutter)
    workflow.decline(job, cutter, why="No film.")
    workflow.undo(job, cutter)
    assert Version.objects.get(pk=proposed.pk).proposal == "offered"
    workflow.accept_proposal(proposed, artist)


def test_a_job_taken_back_out_of_the_queue_leaves_its_planned_sheet(cutter: Actor) -> None:
    job, other = factories.make_job(status="received"), factories.make_job()
    workflow.queue(job, cutter)
    run = workflow.plan_run(job.film, [Place(job, 0, 0), Place(other, 0, 200)], cutter)
    workflow.undo(job, cutter)
    assert [piece.job_id for piece in run.pieces.all()] == [other.pk]


def test_a_piece_found_spoiled_withdraws_the_letter_that_all_is_cut(cutter: Actor) -> None:
    job = factories.make_job(status="cutting", quantity=2)
    workflow.count(job, cutter, good=2)
    workflow.count(job, cutter, good=-1, spoiled=1, why="spoiled: melted")
    assert [mail.status for mail in Mail.objects.all()] == ["withdrawn"]
    workflow.start(job, cutter)
    workflow.count(job, cutter, good=1)
    assert sorted(mail.status for mail in Mail.objects.all()) == ["waiting", "withdrawn"]
