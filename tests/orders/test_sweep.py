"""The sweep: no step holds up another, nothing irrevocable under a jumping clock, no orphans."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import OperationalError
from django.utils import timezone

from geometry import check as geometry_check
from orders import checking, orphans, outbox, tasks, workflow
from orders.models import Closer, Version
from orders.steady import WAIT_S, SteadyClock
from tests import factories

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def test_a_step_that_fails_holds_up_none_of_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> int:
        raise OperationalError("database is locked")

    def no_room() -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outbox, "return_unsent", broken)
    monkeypatch.setattr(outbox, "send_due", no_room)
    monkeypatch.setattr(workflow, "expire_old", lambda: 3)
    done = tasks.sweep()
    assert (done["unsent"], done["sent"], done["expired"]) == (0, 0, 3)


class Clocks:
    """A clock of the day and one that cannot be set, moved by hand."""

    def __init__(self) -> None:
        self.day, self.steady = 1_000_000.0, 50.0

    def go(self, seconds: float, *, jump: float = 0.0) -> None:
        self.day += seconds + jump
        self.steady += seconds

    def made(self) -> SteadyClock:
        return SteadyClock(lambda: self.day, lambda: self.steady)


@pytest.mark.parametrize("jump", [61.0, -61.0, 60 * 86400.0])
def test_a_clock_that_jumps_is_not_trusted_for_an_hour(jump: float) -> None:
    clocks = Clocks()
    clock = clocks.made()
    clocks.go(5)
    assert clock.is_steady()
    clocks.go(5, jump=jump)
    assert not clock.is_steady()
    clocks.go(WAIT_S - 1)
    assert not clock.is_steady()
    clocks.go(1)
    assert clock.is_steady()


def test_a_clock_that_is_set_right_by_a_little_is_trusted() -> None:
    clocks = Clocks()
    clock = clocks.made()
    clocks.go(5, jump=60.0)
    assert clock.is_steady()


def test_under_a_jumping_clock_no_quote_is_closed_and_letters_go(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clocks = Clocks()
    monkeypatch.setattr(tasks, "CLOCK", clocks.made())
    clocks.go(5, jump=90.0)
    done = tasks.sweep(daily=True)
    assert not {"expired", "erased", "books", "orphans"} & set(done)
    assert "sent" in done


def aged(name: str, age: timedelta) -> str:
    """Store a file that no row names, as old as that."""
    stored = default_storage.save(name, ContentFile(b"left behind"))
    at = (timezone.now() - age).timestamp()
    os.utime(default_storage.path(stored), (at, at))
    return stored


def test_a_file_without_a_row_goes_after_a_day_and_one_with_a_row_stays() -> None:
    version = factories.make_version()
    kept = str(version.upload.file.name)
    os.utime(default_storage.path(kept), (0, 0))
    old, young = aged("checks/old.png", DAY * 1.01), aged("uploads/young", DAY * 0.99)
    assert orphans.orphans() == [old]
    assert orphans.delete_orphans() == 1
    assert not default_storage.exists(old)
    assert default_storage.exists(young)
    assert default_storage.exists(kept)
    call_command("orphans", "--hours", "0", "--delete")
    assert not default_storage.exists(young)
    assert default_storage.exists(kept)


def test_nothing_is_deleted_where_no_row_names_a_file_at_all() -> None:
    """An empty database beside full files is taken for the wrong one."""
    old = aged("uploads/somebodys", DAY * 30)
    assert orphans.delete_orphans() == 0
    assert default_storage.exists(old)


def test_uploads_that_never_arrived_are_cleared(settings: object, tmp_path: Path) -> None:
    settings.FILE_UPLOAD_TEMP_DIR = str(tmp_path)  # type: ignore[attr-defined]
    old, young = tmp_path / "old.upload", tmp_path / "young.upload"
    for path in (old, young):
        path.write_bytes(b"half")
    os.utime(old, (0, 0))
    assert orphans.clear_incoming() == 1
    assert not old.exists()
    assert young.exists()


def test_a_check_that_the_machine_stopped_is_taken_up_again_as_if_not_begun(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A full disk must not call a drawing unreadable after three tries."""
    version = factories.make_version(status="waiting")

    def no_room(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(geometry_check, "check", no_room)
    for _ in range(workflow.versions.ATTEMPTS + 2):
        assert not checking.look_at(version.pk)
    version.refresh_from_db()
    assert (version.status, version.attempt) == ("waiting", 0)


def test_leases_and_nudges_from_before_the_clock_was_put_back_are_over() -> None:
    ahead = timezone.now() + DAY
    checked, waiting = (factories.make_version(status="waiting") for _ in range(2))
    Version.objects.filter(pk=checked.pk).update(status="checking", lease_until=ahead)
    Version.objects.filter(pk=waiting.pk).update(nudged_at=ahead)
    closer = Closer.objects.create(version=waiting, status="working", lease_until=ahead)
    assert workflow.return_expired() == 1
    assert workflow.return_expired_closer() == 1
    assert set(workflow.waiting_too_long()) == {checked.pk, waiting.pk}
    closer.refresh_from_db()
    assert closer.status == "waiting"


def test_a_lease_that_runs_is_left_alone() -> None:
    version = factories.make_version(status="waiting")
    assert workflow.claim(version.pk) == 1
    assert workflow.return_expired() == 0
