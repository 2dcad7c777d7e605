"""Sheet runs: what may be laid on them, and the jobs and counts that follow them."""

import pytest

from orders import workflow
from orders.errors import NotNowError, RefusedError
from orders.models import Job, Piece, SheetRun
from orders.workflow import Actor, Place
from tests import factories

pytestmark = pytest.mark.django_db


def planned(cutter: Actor, *jobs: tuple[Job, int]) -> SheetRun:
    places = [Place(job, 0, 160.0 * i) for job, pieces in jobs for i in range(pieces)]
    return workflow.plan_run(jobs[0][0].film, places, cutter)


def mark_all(run: SheetRun, cutter: Actor, spoiled: int = 0) -> None:
    for number, piece in enumerate(run.pieces.all()):
        if number < spoiled:
            workflow.mark_piece(piece, "spoiled", cutter, why="melted")
        else:
            workflow.mark_piece(piece, "good", cutter)


def test_a_run_from_plan_to_done_moves_its_jobs(cutter: Actor) -> None:
    first, second = factories.make_job(quantity=2), factories.make_job(quantity=1)
    run = planned(cutter, (first, 2), (second, 1))
    workflow.start_run(run, cutter)
    first.refresh_from_db()
    assert (run.status, first.status) == ("cutting", "cutting")
    mark_all(run, cutter, spoiled=1)
    workflow.finish_run(run, cutter)
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.status, first.cut, first.spoiled, first.to_cut) == ("queued", 1, 1, 1)
    assert (second.status, second.cut) == ("cut", 1)


def test_a_run_ends_only_when_every_piece_has_its_result(cutter: Actor) -> None:
    run = planned(cutter, (factories.make_job(), 2))
    workflow.start_run(run, cutter)
    workflow.mark_piece(run.pieces.all()[0], "good", cutter)
    with pytest.raises(RefusedError, match="Say how 1 more piece"):
        workflow.finish_run(run, cutter)


def test_finishing_twice_counts_once(cutter: Actor) -> None:
    job = factories.make_job(quantity=2)
    run = planned(cutter, (job, 2))
    workflow.start_run(run, cutter)
    mark_all(run, cutter)
    seen = run.revision
    workflow.finish_run(run, cutter, seen=seen)
    workflow.finish_run(run, cutter, seen=seen)
    job.refresh_from_db()
    assert (job.cut, job.status) == (2, "cut")


def test_a_finished_run_can_be_corrected_until_its_jobs_are_packed(cutter: Actor) -> None:
    job = factories.make_job(quantity=2)
    run = planned(cutter, (job, 2))
    workflow.start_run(run, cutter)
    mark_all(run, cutter)
    workflow.finish_run(run, cutter)
    workflow.reopen_run(run, cutter)
    job.refresh_from_db()
    assert (job.status, job.cut, run.status) == ("cutting", 0, "cutting")
    workflow.finish_run(run, cutter)
    job.refresh_from_db()
    workflow.pack(job, cutter, cut_outs_bagged=2)
    with pytest.raises(NotNowError, match="Unpack it"):
        workflow.reopen_run(run, cutter)


def test_no_piece_is_laid_twice_or_beyond_what_is_wanted(cutter: Actor) -> None:
    job = factories.make_job(quantity=2)
    planned(cutter, (job, 1))
    with pytest.raises(RefusedError, match=r"has 1 piece left to lay, not 2"):
        planned(cutter, (job, 2))


def test_only_queued_jobs_of_the_same_film_are_laid(cutter: Actor) -> None:
    received = factories.make_job(status="received")
    with pytest.raises(RefusedError, match="not in the queue"):
        planned(cutter, (received, 1))
    thick = factories.make_job(film=factories.make_film("pet-0.254", name="PET 0.25 mm"))
    with pytest.raises(RefusedError, match="another film"):
        planned(cutter, (factories.make_job(), 1), (thick, 1))
    with pytest.raises(RefusedError, match="at least one piece"):
        workflow.plan_run(received.film, [], cutter)


def test_holding_a_job_takes_it_off_the_planned_sheet(cutter: Actor) -> None:
    job, other = factories.make_job(), factories.make_job()
    run = planned(cutter, (job, 2), (other, 1))
    workflow.hold(job, cutter, why="Wait for the artist.")
    assert [piece.job for piece in run.pieces.all()] == [other]
    workflow.start_run(run, cutter)


def test_a_sheet_stopped_uncut_gives_its_jobs_back(cutter: Actor) -> None:
    job = factories.make_job()
    run = planned(cutter, (job, 2))
    workflow.start_run(run, cutter)
    workflow.mark_piece(run.pieces.all()[0], "good", cutter)
    workflow.stop_run(run, cutter)
    job.refresh_from_db()
    assert (job.status, run.status) == ("queued", "planned")
    assert not run.pieces.exclude(result="").exists()
    workflow.abandon_run(run, cutter)
    assert workflow.planned_pieces(job) == 0


def test_marking_needs_a_reason_for_a_spoiled_piece_and_a_sheet_on_the_laser(
    cutter: Actor,
) -> None:
    run = planned(cutter, (factories.make_job(), 1))
    piece = run.pieces.get()
    with pytest.raises(NotNowError):
        workflow.mark_piece(piece, "good", cutter)
    workflow.start_run(run, cutter)
    with pytest.raises(RefusedError, match="what went wrong"):
        workflow.mark_piece(piece, "spoiled", cutter)
    with pytest.raises(RefusedError):
        workflow.mark_piece(piece, "lost", cutter)


def test_a_piece_comes_off_a_planned_sheet_only(cutter: Actor) -> None:
    run = planned(cutter, (factories.make_job(), 2))
    workflow.take_off(run.pieces.all()[0], cutter)
    assert run.pieces.count() == 1
    workflow.start_run(run, cutter)
    with pytest.raises(NotNowError):
        workflow.take_off(run.pieces.get(), cutter)
    assert Piece.objects.count() == 1


def test_pieces_on_a_sheet_are_told_there_and_never_counted_twice(cutter: Actor) -> None:
    job = factories.make_job(quantity=2)
    run = planned(cutter, (job, 1))
    workflow.start_run(run, cutter)
    workflow.count(job, cutter, good=1)
    with pytest.raises(RefusedError, match="lie on a sheet"):
        workflow.count(job, cutter, good=1)
    mark_all(run, cutter)
    workflow.finish_run(run, cutter)
    job.refresh_from_db()
    assert (job.cut, job.status) == (2, "cut")
