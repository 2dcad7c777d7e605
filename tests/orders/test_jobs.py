"""Jobs from received to shipped: fit to be cut, counted, packed with cut-outs, sent together."""

import pytest
from django.db import IntegrityError, transaction

from orders import workflow
from orders.errors import NotNowError, RefusedError
from orders.models import Event, Job, Mail, Version
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_rejected_version_is_queued_only_after_every_reject_is_overridden(
    cutter: Actor,
) -> None:
    version = factories.make_version(status="rejected")
    job = factories.make_job(status="received", version=version)
    with pytest.raises(RefusedError, match="does not pass yet"):
        workflow.queue(job, cutter)
    key = factories.ISLAND["key"]
    workflow.override(version, key, cutter, why="It is wanted as a loose piece.")
    workflow.override(version, key, cutter, why="Pressed twice.")
    assert version.overrides.count() == 1
    workflow.queue(job, cutter)
    assert job.status == "queued"


def test_an_override_needs_the_workshop_a_reason_and_a_finding(
    cutter: Actor, artist: Actor
) -> None:
    version = factories.make_version(status="rejected")
    key = factories.ISLAND["key"]
    with pytest.raises(NotNowError):
        workflow.override(version, key, artist, why="Please.")
    with pytest.raises(RefusedError):
        workflow.override(version, key, cutter, why="")
    with pytest.raises(RefusedError, match="not in this version"):
        workflow.override(version, "flap@1,1", cutter, why="Yes.")


def test_status_follows_the_counts(cutter: Actor) -> None:
    job = factories.make_job(status="cutting", quantity=3)
    workflow.count(job, cutter, good=1, spoiled=1)
    assert (job.status, job.to_cut) == ("cutting", 2)
    with pytest.raises(RefusedError, match="4 pieces, and 3 were ordered"):
        workflow.count(job, cutter, good=3)
    workflow.count(job, cutter, good=2)
    assert (job.status, job.cut, job.spoiled) == ("cut", 3, 1)


def test_the_letter_that_all_is_cut_goes_once_for_the_last_job(cutter: Actor) -> None:
    first = factories.make_job(status="cutting")
    second = factories.make_job(first.order, status="cutting")
    workflow.count(first, cutter, good=2)
    assert not Mail.objects.filter(kind="all-cut").exists()
    workflow.count(second, cutter, good=2)
    assert Mail.objects.filter(kind="all-cut").count() == 1


def test_packing_asks_for_the_counted_cut_outs(cutter: Actor) -> None:
    job = factories.make_job(status="cut", quantity=2)
    assert job.cut_outs_expected == 2
    with pytest.raises(RefusedError, match="Count the cut-outs"):
        workflow.pack(job, cutter)
    workflow.pack(job, cutter, cut_outs_bagged=1)
    assert (job.status, job.packed, job.cut_outs_bagged, job.cut_outs_fate) == (
        "packed",
        2,
        1,
        "bagged",
    )


def test_declined_cut_outs_are_recycled_or_kept_and_recorded(cutter: Actor) -> None:
    job = factories.make_job(status="cut", with_cut_outs=False)
    with pytest.raises(RefusedError, match="recycled or kept"):
        workflow.pack(job, cutter)
    workflow.pack(job, cutter, fate="recycled")
    assert job.cut_outs_fate == "recycled"


def test_packed_jobs_of_an_order_leave_together_and_come_back_together(cutter: Actor) -> None:
    first = factories.make_job(status="packed")
    second = factories.make_job(first.order, status="packed", quantity=5)
    with pytest.raises(RefusedError, match="who carries"):
        workflow.ship(first.order, cutter, [first])
    parcel = workflow.ship(
        first.order, cutter, [first, second], carrier="Harbour Post", tracking="HP 1"
    )
    assert [(line.job_id, line.count) for line in parcel.lines.all()] == [
        (first.pk, 2),
        (second.pk, 5),
    ]
    assert Mail.objects.get(kind="shipped").status == "waiting"
    workflow.undo(first, cutter)
    second.refresh_from_db()
    parcel.refresh_from_db()
    assert (first.status, second.status) == ("packed", "packed")
    assert parcel.withdrawn_at is not None
    assert Mail.objects.get(kind="shipped").status == "withdrawn"


def test_another_orders_job_never_leaves_in_this_parcel(cutter: Actor) -> None:
    job, stranger = factories.make_job(status="packed"), factories.make_job(status="packed")
    with pytest.raises(RefusedError, match="another order"):
        workflow.ship(job.order, cutter, [job, stranger], carrier="Harbour Post")
    job.refresh_from_db()
    assert job.status == "packed"
    assert not job.order.parcels.exists()


def test_holding_and_resuming_leads_back_to_the_same_place(cutter: Actor) -> None:
    job = factories.make_job(status="cut")
    workflow.hold(job, cutter, why="Address is missing.")
    workflow.resume(job, cutter)
    assert (job.status, job.before_hold) == ("cut", "")


def test_the_artist_cancels_only_before_the_queue(artist: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.cancel(job, artist)
    assert job.status == "cancelled"
    queued = factories.make_job(status="queued")
    with pytest.raises(NotNowError):
        workflow.cancel(queued, artist)


def test_a_mended_version_answers_the_workshops_question(cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    workflow.ask_changes(job, cutter, why="Leave a bridge at the left eye.")
    mended = factories.make_version(job.version.design)
    other = factories.make_version()
    with pytest.raises(RefusedError, match="another drawing"):
        workflow.answer(job, other, artist)
    workflow.answer(job, mended, artist)
    assert (job.status, job.version) == ("received", mended)
    assert Mail.objects.filter(kind="answered").count() == 0  # no address of the workshop yet


def test_a_proposal_is_cut_only_when_the_artist_takes_it(cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    own = job.version
    proposal = factories.make_version(
        own.design,
        status="waiting",
        origin=Version.Origin.PROPOSAL,
        proposal="offered",
        proposal_reason="Moved clear of the edge.",
        proposed_for=job,
    )
    workflow.propose(job, proposal, cutter)
    assert (job.status, job.version) == ("needs-changes", own)
    with pytest.raises(NotNowError, match="has not passed"):
        workflow.accept_proposal(proposal, artist)
    Version.objects.filter(pk=proposal.pk).update(status="passed")
    workflow.accept_proposal(proposal, artist)
    workflow.accept_proposal(proposal, artist)
    job.refresh_from_db()
    assert (job.status, job.version) == ("received", proposal)
    assert proposal.may_be_cut
    assert job.events.filter(action="answer").count() == 1


def test_a_refused_proposal_leaves_the_artists_version(cutter: Actor, artist: Actor) -> None:
    job = factories.make_job(status="received")
    own = job.version
    proposal = factories.make_version(own.design, proposal="offered", proposed_for=job)
    workflow.propose(job, proposal, cutter)
    workflow.refuse_proposal(proposal, artist, why="I like it at the edge.")
    job.refresh_from_db()
    assert (job.status, job.version, proposal.may_be_cut) == ("received", own, False)
    assert job.events.get(action="answer").why == "I like it at the edge."
    assert Event.objects.filter(action="refuse-proposal").count() == 1


def test_counts_never_fall_out_of_order(cutter: Actor) -> None:
    job = factories.make_job(status="packed", quantity=2)
    with pytest.raises(RefusedError, match="fewer pieces than are packed"):
        workflow.count(job, cutter, good=-1)
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.filter(pk=job.pk).update(cut=1)


def test_letters_that_are_not_true_any_more_are_withdrawn(cutter: Actor, artist: Actor) -> None:
    factories.workshop()
    job = factories.make_job(status="received")
    other = factories.make_job(job.order, status="received")
    for asked in (job, other):
        workflow.ask_changes(asked, cutter, why="Leave a bridge at the left eye.")
    workflow.answer(job, factories.make_version(job.version.design), artist)
    asked_of = Mail.objects.filter(kind="ask-changes")
    assert asked_of.get(event__job=job).status == "withdrawn"
    assert asked_of.get(event__job=other).status == "waiting"
    workflow.cancel(other, artist)
    assert asked_of.get(event__job=other).status == "withdrawn"


def test_that_all_is_cut_is_not_told_once_it_has_left(cutter: Actor) -> None:
    job = factories.make_job(status="cutting")
    workflow.count(job, cutter, good=2)
    workflow.pack(job, cutter, cut_outs_bagged=2)
    workflow.ship(job.order, cutter, [job], collected=True)
    letters = dict(Mail.objects.values_list("kind", "status"))
    assert letters == {"all-cut": "withdrawn", "handed-over": "waiting"}
