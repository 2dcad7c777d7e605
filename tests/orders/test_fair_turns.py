"""Everybody's drawing in turn: fifty at once of one artist do not hold another's up.

Runs on SQLite and on PostgreSQL alike, with several workers at once.
"""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from orders import fair_turns, tasks, workflow
from orders.models import Design, Person, Version
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


def waiting(count: int, *, visitor: str = "", owner: Person | None = None, **more: str) -> set[int]:
    """So many drawings of one sender that wait."""
    rows = set()
    for _ in range(count):
        version = factories.make_version(visitor=visitor, owner=owner, status="waiting")
        Design.objects.filter(pk=version.design_id).update(**more)
        rows.add(version.pk)
    return rows


def look(version_id: int) -> bool:
    """A check that takes no time."""
    attempt = workflow.claim(version_id)
    return attempt is not None and workflow.finish(
        version_id, attempt, factories.make_report("passed", [], "6x6in")
    )


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The versions in the order in which they were looked at."""
    order: list[int] = []

    def look_at(version_id: int) -> bool:
        done = look(version_id)
        if done:
            order.append(version_id)
        return done

    monkeypatch.setattr("orders.checking.look_at", look_at)
    return order


def test_one_drawing_of_another_is_next_and_not_the_fifty_first(looked: list[int]) -> None:
    many = waiting(50, visitor="moss", sent_from="harbour")
    for version_id in sorted(many)[:3]:
        tasks.check_version(version_id)
    (one,) = waiting(1, visitor="wren", sent_from="hill")
    # the nudges come in the order of sending: the next one names the fourth of the fifty
    tasks.check_version(sorted(many)[3])
    assert looked[3] == one
    for version_id in [*sorted(many)[4:], one]:
        tasks.check_version(version_id)
    assert set(looked) == many | {one}
    assert len(looked) == 51


def test_two_behind_one_address_take_turns_as_well(looked: list[int]) -> None:
    """A school, a fair, one machine: the address says nothing, so the person decides."""
    many = waiting(10, visitor="moss", sent_from="school")
    (one,) = waiting(1, visitor="wren", sent_from="school")
    for _ in range(2):
        tasks.check_version(min(many))
    assert looked == [min(many), one]


def test_a_new_session_for_each_drawing_gains_nothing(looked: list[int]) -> None:
    for number in range(10):
        waiting(1, visitor=f"session-{number}", sent_from="one-machine")
    for _ in range(2):
        tasks.check_version(0)
    (honest,) = waiting(1, visitor="wren", sent_from="hill")
    tasks.check_version(0)
    assert looked[-1] == honest


def test_two_with_many_take_turns_and_each_keeps_its_own_order(looked: list[int]) -> None:
    owner = factories.artist_person()
    moss, wren = waiting(6, visitor="moss"), waiting(6, owner=owner)
    for _ in range(12):
        tasks.check_version(0)
    owners = ["moss" if each in moss else "wren" for each in looked]
    assert all({owners[at], owners[at + 1]} == {"moss", "wren"} for at in range(0, 12, 2))
    assert [each for each in looked if each in wren] == sorted(wren)


def test_turns_are_forgotten_after_a_minute() -> None:
    moss, wren = waiting(3, visitor="moss"), waiting(1, visitor="wren")
    long_ago = timezone.now() - fair_turns.REMEMBERED - timedelta(seconds=1)
    assert look(min(moss))
    assert fair_turns.next_waiting() == min(wren)
    Version.objects.filter(pk=min(moss)).update(checked_at=long_ago)
    assert fair_turns.next_waiting() == sorted(moss)[1]


def test_a_lost_nudge_costs_nobody_a_turn_and_nothing_waits_is_no_error() -> None:
    assert fair_turns.next_waiting() is None
    tasks.check_version(12345)


def test_several_workers_look_at_each_drawing_once_and_at_the_lone_one_early(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    begun: list[int] = []  # who ends first is the database's affair: SQLite lets writers wait
    claim = workflow.claim

    def noted_claim(version_id: int) -> int | None:
        attempt = claim(version_id)
        if attempt is not None:
            begun.append(version_id)
        return attempt

    monkeypatch.setattr("orders.workflow.claim", noted_claim)
    monkeypatch.setattr("orders.checking.look_at", look)
    many = waiting(24, visitor="moss", sent_from="harbour")
    (one,) = waiting(1, visitor="wren", sent_from="hill")
    nudges = iter([*sorted(many), one])
    lock = threading.Lock()

    def work() -> None:
        try:
            while True:
                with lock:
                    nudge = next(nudges, None)
                if nudge is None:
                    return
                tasks.check_version(nudge)
        finally:
            connection.close()

    workers = [threading.Thread(target=work) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(timeout=60)
    tasks.check_version(0)  # a turn that all four lost to each other comes with the sweep's nudge
    assert sorted(begun) == sorted(many | {one})
    assert begun.index(one) <= 8  # the four that were begun first, and those beside it
