"""What the cutter types on a job: counts, cut-outs, reasons, findings allowed to stand."""

import pytest

from orders import workflow
from orders.models import Job
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def test_a_count_needs_a_cause_for_spoiled_pieces(bench: Bench) -> None:
    job = factories.make_job(status="cutting", quantity=3)
    response = bench.press("workshop-job-step", job.code, "count", seen=0, good=1, spoiled=1)
    page = response.content.decode()
    assert "Say what spoiled the pieces." in page
    assert "Nothing was done and nothing typed was lost." in page
    assert 'name="good" value="1"' in page
    job.refresh_from_db()
    assert (job.cut, job.spoiled) == (0, 0)


def test_a_count_beyond_the_order_is_refused(bench: Bench) -> None:
    job = factories.make_job(status="cutting", quantity=3)
    told = bench.told("workshop-job-step", job.code, "count", seen=0, good=4, spoiled=0)
    assert told == ["That would make 4 pieces, and 3 were ordered. Correct the number."]


def test_the_history_tells_what_each_count_came_to(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(status="cutting", quantity=3)
    bench.press("workshop-job-step", job.code, "count", seen=0, good=1, spoiled=1, why="melted")
    bench.press("workshop-job-step", job.code, "count", seen=1, good=2, spoiled=0)
    bench.press("workshop-job-step", job.code, "found-spoiled", seen=2, pieces=1, reason="shifted")
    page = bench.see("workshop-job", job.code)
    assert "1 piece cut well, 1 spoiled" in page
    assert "2 pieces cut well" in page
    assert "1 piece no longer counted as cut well, 1 spoiled" in page
    assert "spoiled: melted" in page
    assert "Ebb Harbourside" in page


def test_more_spoiled_than_were_cut_is_refused(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=2)
    told = bench.told(
        "workshop-job-step", job.code, "found-spoiled", seen=0, pieces=3, reason="melted"
    )
    assert told == ["Counted as cut well and not packed: only 2 pieces. Correct the number."]


def test_wanted_cut_outs_are_counted_before_packing(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=2)
    told = bench.told("workshop-job-step", job.code, "pack", seen=0)
    assert told == ["Count the cut-outs in the bag and enter the number (0 if none)."]
    bench.press("workshop-job-step", job.code, "pack", seen=0, cut_outs_bagged=0)
    job.refresh_from_db()
    assert (job.status, job.cut_outs_bagged, job.cut_outs_fate) == ("packed", 0, "bagged")


def test_of_declined_cut_outs_it_is_said_what_became_of_them(bench: Bench) -> None:
    job = factories.make_job(status="cut", with_cut_outs=False)
    told = bench.told("workshop-job-step", job.code, "pack", seen=0)
    assert told == ["The artist declined the cut-outs. Say if they are recycled or kept."]
    bench.press("workshop-job-step", job.code, "pack", seen=0, fate="recycled")
    assert "declined by the artist (2 pieces), recycled" in bench.see("workshop-job", job.code)


@pytest.mark.parametrize("action", ["hold", "ask-changes", "decline", "call-off"])
def test_a_reason_is_wanted(bench: Bench, action: str) -> None:
    job = factories.make_job(status="received")
    response = bench.press("workshop-job-step", job.code, action, seen=0, why="  ")
    assert "Write a reason; it stays in the job" in response.content.decode()
    job.refresh_from_db()
    assert job.status == Job.Status.RECEIVED


def rejected_job() -> Job:
    findings = [dict(factories.ISLAND), dict(factories.THIN_WEB) | {"id": 2}]
    version = factories.make_version(status="rejected", findings=findings)
    return factories.make_job(status="received", version=version)


def test_findings_stand_numbered_on_the_drawing_and_in_the_list(bench: Bench) -> None:
    job = rejected_job()
    page = bench.see("workshop-job", job.code)
    assert 'aria-label="Finding 1, must be mended"' in page
    assert 'id="finding-2"' in page
    assert "thin-web: 0.70 mm wide, 4.0 mm long, limit 1.00 mm" in page
    assert "It cannot go into the queue yet: 1 finding rejects it." in page


def test_a_finding_stands_by_a_reason_and_the_job_may_go_on(bench: Bench, cutter: Actor) -> None:
    job = rejected_job()
    key = factories.ISLAND["key"]
    for _ in range(2):
        told = bench.told(
            "workshop-job-override", job.code, key=key, why="The middle is meant to go."
        )
        assert told == ["The finding stands; the reason stays with the drawing."]
    assert job.version.overrides.count() == 1
    page = bench.see("workshop-job", job.code)
    assert "The middle is meant to go." in page
    assert "Put into the queue" in page
    workflow.queue(job, cutter)


def test_a_finding_without_a_reason_or_not_there_is_told(bench: Bench) -> None:
    job = rejected_job()
    response = bench.press("workshop-job-override", job.code, key=factories.ISLAND["key"], why="")
    assert "Write a reason; it stays with the drawing." in response.content.decode()
    told = bench.told("workshop-job-override", job.code, key="speck@1,1", why="Small.")
    assert told == ["That finding is not in this version any more."]
    assert job.version.overrides.count() == 0


def test_more_than_twenty_findings_of_a_kind_are_counted(bench: Bench) -> None:
    findings = [
        dict(factories.THIN_WEB) | {"id": number, "key": f"thin-web@{number}"}
        for number in range(1, 24)
    ]
    job = factories.make_job(version=factories.make_version(findings=findings))
    page = bench.see("workshop-job", job.code)
    assert 'id="finding-20"' in page
    assert 'id="finding-21"' not in page
    assert "and 3 more of the kind “thin web”." in page
