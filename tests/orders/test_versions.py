"""A check is claimed once, fenced by its attempt, and finishes though workers die."""

from datetime import timedelta

import pytest
from django.utils import timezone

from orders import tasks, workflow
from orders.models import Event, Version
from tests import factories

pytestmark = pytest.mark.django_db

PASSED = {"schema": 1, "verdict": "passed", "findings": [], "error": None}


def test_a_waiting_version_is_claimed_by_one_only() -> None:
    version = factories.make_version(status="waiting")
    assert workflow.claim(version.pk) == 1
    assert workflow.claim(version.pk) is None


def test_an_answer_after_the_lease_was_lost_is_not_written() -> None:
    version = factories.make_version(status="waiting")
    first = workflow.claim(version.pk)
    Version.objects.filter(pk=version.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    assert workflow.return_expired() == 1
    second = workflow.claim(version.pk)
    assert (first, second) == (1, 2)
    assert not workflow.finish(version.pk, 1, {**PASSED, "verdict": "rejected"})
    assert workflow.finish(version.pk, 2, PASSED)
    assert not workflow.finish(version.pk, 2, PASSED)
    version.refresh_from_db()
    assert version.status == "passed"
    assert Event.objects.filter(action="checked").count() == 1


def test_a_check_that_dies_three_times_is_given_up_in_plain_words() -> None:
    version = factories.make_version(status="waiting")
    for _ in range(3):
        assert workflow.claim(version.pk)
        Version.objects.filter(pk=version.pk).update(
            lease_until=timezone.now() - timedelta(seconds=1)
        )
        workflow.return_expired()
    version.refresh_from_db()
    assert version.status == "unreadable"
    assert version.report["error"]["code"] == "gave-up"


def test_a_lost_nudge_is_sent_again_after_half_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[int] = []
    monkeypatch.setattr(tasks, "send", lambda task, version_id: sent.append(version_id))
    fresh = factories.make_version(status="waiting")
    late = factories.make_version(status="waiting")
    Version.objects.filter(pk=late.pk).update(nudged_at=timezone.now() - timedelta(seconds=31))
    assert tasks.sweep()["nudged"] == 1
    assert sent == [late.pk]
    assert tasks.sweep()["nudged"] == 0
    assert Version.objects.get(pk=fresh.pk).status == "waiting"


def test_a_broker_that_is_down_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def down(*args: object, **kwargs: object) -> None:
        raise ConnectionError("no broker")

    monkeypatch.setattr(tasks.check_version, "apply_async", down)
    version = factories.make_version(status="waiting")
    tasks.send(tasks.check_version, version.pk)
    version.refresh_from_db()
    assert version.status == "waiting"


def test_the_step_shown_belongs_to_the_present_attempt() -> None:
    version = factories.make_version(status="waiting")
    attempt = workflow.claim(version.pk)
    assert attempt == 1
    workflow.show_step(version.pk, 1, "ink")
    workflow.show_step(version.pk, 7, "paper")
    version.refresh_from_db()
    assert version.step == "ink"
