"""Every row of every life: the action works from its sources for its roles, and only there."""

import pytest

from orders import workflow
from orders.errors import NotAllowedError, NotNowError
from orders.models import Event, Job, Quote, SheetRun, Version
from orders.workflow import Actor, moves, tables
from tests import factories

JOB_CASES = [
    (step, status, role)
    for step in tables.JOB
    for status in Job.Status.values
    for role in (Event.Role.ARTIST, Event.Role.WORKSHOP)
]


def job_in(status: str) -> Job:
    return factories.make_job(status=status)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("step", "status", "role"), JOB_CASES, ids=lambda value: str(getattr(value, "action", value))
)
def test_a_job_moves_only_along_its_table(step: tables.Step, status: str, role: str) -> None:
    job = job_in(status)
    actor = Actor(role, factories.artist_person())
    if role not in step.who:
        with pytest.raises(NotAllowedError):
            moves.move(job, step.action, actor)
    elif status not in step.sources:
        with pytest.raises(NotNowError):
            moves.move(job, step.action, actor)
    else:
        event = moves.move(job, step.action, actor)
        assert (event.from_status, event.to_status) == (status, step.targets[0])
        assert job.status == step.targets[0]
        return
    job.refresh_from_db()
    assert job.status == status
    assert not job.events.exists()


def test_every_status_of_a_life_is_known_to_its_model() -> None:
    known = {
        "version": set(Version.Status.values),
        "proposal": set(Version.Proposal.values),
        "quote": set(Quote.Status.values),
        "job": set(Job.Status.values),
        "run": set(SheetRun.Status.values),
    }
    for life, steps in workflow.LIVES.items():
        for step in steps:
            assert {*step.sources, *step.targets} <= known[life], f"{life} {step.action}"


def test_every_status_can_be_reached_or_is_where_a_life_begins() -> None:
    begins = {"version": {"waiting"}, "quote": {"draft"}, "job": set(), "run": {"planned"}}
    for life, start in begins.items():
        targets = {t for step in workflow.LIVES[life] for t in step.targets}
        status = {"version": Version, "quote": Quote, "job": Job, "run": SheetRun}[life].Status
        assert set(status.values) == targets | start


def test_actions_are_told_by_status_and_role() -> None:
    assert workflow.actions_from("job", "received", "artist") == ["cancel"]
    assert workflow.actions_from("job", "packed", "workshop") == [
        "unpack",
        "ship",
        "hand-over",
        "ship-part",
        "hand-over-part",
        "hold",
    ]
    assert workflow.actions_from("job", "shipped", "workshop") == []
