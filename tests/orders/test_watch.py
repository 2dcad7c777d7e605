"""Is everything well? Pulses, answers, the one letter about a standstill, /readyz."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import pulses, tasks, watch
from orders.models import Mail, Pulse, Version, Workshop
from tests import factories

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


@pytest.fixture(autouse=True)
def _asked_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer to /readyz is kept from test to test."""
    monkeypatch.setattr(watch, "_kept", watch._Kept({}))


@pytest.fixture(autouse=True)
def shop() -> None:
    factories.workshop()
    Workshop.objects.update(email="bench@harbour.example")


def set_pulse(name: Pulse.Name, minutes_ago: float) -> None:
    at = timezone.now() - minutes_ago * MINUTE
    Pulse.objects.update_or_create(name=name, defaults={"at": at})


def waiting(minutes: float) -> Version:
    version = factories.make_version()
    since = timezone.now() - minutes * MINUTE
    Version.objects.filter(pk=version.pk).update(status="waiting", created_at=since)
    return version


def awake(minutes: float = 60) -> None:
    """The sweep and the worker run, and have done so for a while."""
    set_pulse(Pulse.Name.AWAKE, minutes)
    set_pulse(Pulse.Name.SWEEP, 0)
    set_pulse(Pulse.Name.WORKER, 0)


def answer(question: str) -> watch.Look:
    return watch.LOOKS[question]()


def letters() -> list[Mail]:
    return list(Mail.objects.filter(kind="standstill"))


def test_a_pulse_is_written_once_in_its_time() -> None:
    assert pulses.beat(Pulse.Name.WORKER)
    assert not pulses.beat(Pulse.Name.WORKER)
    set_pulse(Pulse.Name.WORKER, 1)
    assert pulses.beat(Pulse.Name.WORKER)


def test_a_pulse_from_the_future_is_put_right() -> None:
    set_pulse(Pulse.Name.WORKER, -30)
    assert pulses.beat(Pulse.Name.WORKER)
    assert not Pulse.objects.filter(at__gt=timezone.now()).exists()


def test_the_worker_says_that_it_is_there_when_the_sweep_asks() -> None:
    tasks.pulse()
    assert answer("Is the worker at work?").state == watch.GOOD


def test_a_part_that_was_never_seen_is_bad() -> None:
    for question in ("Is the worker at work?", "Does the sweep run?"):
        assert answer(question).state == watch.BAD


def test_a_worker_that_starts_just_now_is_no_alarm() -> None:
    pulses.sweep_beat()
    assert answer("Is the worker at work?").state == watch.LOOK
    set_pulse(Pulse.Name.AWAKE, 3)
    assert answer("Is the worker at work?").state == watch.BAD


def test_a_drawing_that_waits_ten_minutes_is_told_in_one_letter() -> None:
    awake()
    waiting(11)
    assert pulses.tell_standstill()
    assert not pulses.tell_standstill()
    (letter,) = letters()
    assert letter.to == "bench@harbour.example"
    assert "has waited for its check since" in letter.body
    assert reverse("workshop-well") in letter.body


def test_after_it_moved_again_the_next_standstill_is_told_again() -> None:
    awake()
    version = waiting(11)
    pulses.tell_standstill()
    Version.objects.filter(pk=version.pk).update(status="passed")
    assert not pulses.tell_standstill()
    waiting(12)
    assert pulses.tell_standstill()
    assert len(letters()) == 2


def test_a_worker_that_is_not_seen_is_told_though_no_drawing_waits() -> None:
    awake()
    set_pulse(Pulse.Name.WORKER, 11)
    assert pulses.tell_standstill()
    assert "worker" in letters()[0].body


def test_a_laptop_that_slept_raises_no_alarm() -> None:
    awake()
    set_pulse(Pulse.Name.SWEEP, 500)
    set_pulse(Pulse.Name.WORKER, 500)
    waiting(500)
    pulses.sweep_beat()
    assert not pulses.tell_standstill()
    assert letters() == []


def test_a_drawing_that_waits_nine_minutes_is_not_told() -> None:
    awake()
    waiting(9)
    assert not pulses.tell_standstill()


def test_without_an_address_of_the_workshop_the_page_still_says_it() -> None:
    awake()
    Workshop.objects.update(email="")
    waiting(11)
    pulses.tell_standstill()
    assert letters() == []
    assert watch.something_is_bad()


def test_the_sweep_tells_it(monkeypatch: pytest.MonkeyPatch) -> None:
    awake()
    waiting(11)
    monkeypatch.setattr(tasks, "send", lambda *_: None)
    assert tasks.sweep()["told"] == 1


def test_letters_that_failed_want_a_look() -> None:
    assert answer("Do letters go out?").state == watch.GOOD
    Mail.objects.create(to="a@b.example", subject="s", body="b", kind="quote", status="failed")
    assert answer("Do letters go out?").state == watch.LOOK


def test_a_full_disk_is_bad(monkeypatch: pytest.MonkeyPatch) -> None:
    usage = type("Usage", (), {"free": 100_000_000})
    monkeypatch.setattr(watch.shutil, "disk_usage", lambda _: usage)
    assert answer("Is there room on the disk?").state == watch.BAD


def test_an_old_backup_wants_a_look() -> None:
    assert answer("Is there a backup?").state == watch.LOOK
    pulses.beat(Pulse.Name.BACKUP)
    assert answer("Is there a backup?").state == watch.GOOD
    set_pulse(Pulse.Name.BACKUP, 60 * 24 * 9)
    assert answer("Is there a backup?").state == watch.LOOK


def test_the_clock_of_the_database_and_ours_agree() -> None:
    assert answer("Is the clock right?").state == watch.GOOD
    set_pulse(Pulse.Name.BACKUP, -10)
    assert answer("Is the clock right?").state == watch.LOOK


def test_a_question_that_breaks_hides_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks() -> watch.Look:
        raise OSError("the disk is gone")

    monkeypatch.setitem(watch.LOOKS, "Can files be written and read?", breaks)
    asked = watch.look_at_all()
    broken = next(one for one in asked if one.question == "Can files be written and read?")
    assert broken.look.state == watch.BAD
    assert "disk is gone" not in broken.look.words
    assert len(asked) == len(watch.LOOKS)


def cutter() -> Client:
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    return client


def test_the_page_says_yes_when_everything_is_well(media: Any) -> None:
    awake()
    pulses.beat(Pulse.Name.BACKUP)
    text = cutter().get(reverse("workshop-well")).content.decode()
    assert "Yes, everything is well." in text
    assert default_storage.listdir("looks")[1] == []


def test_the_page_says_no_when_the_worker_is_away(media: Any) -> None:
    awake()
    set_pulse(Pulse.Name.WORKER, 20)
    text = cutter().get(reverse("workshop-well")).content.decode()
    assert "something stands still" in text
    assert "20 minutes ago" in text


def test_today_says_that_something_stands_still() -> None:
    awake()
    assert "Something stands still" not in cutter().get(reverse("workshop-today")).content.decode()
    Pulse.objects.create(name=Pulse.Name.ALARM)
    assert "Something stands still" in cutter().get(reverse("workshop-today")).content.decode()


def test_readyz_answers(client: Client, media: Any) -> None:
    response = client.get("/readyz")
    assert response.status_code == 200
    assert response.content.decode() == "database ok\nfiles ok\n"
    assert response["Cache-Control"] == "no-store"


def test_readyz_says_what_is_away_and_no_more(
    client: Client, media: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks() -> None:
        raise OSError("/secret/path is full")

    monkeypatch.setattr(watch, "stored_files_answer", breaks)
    response = client.get("/readyz")
    assert response.status_code == 503
    assert response.content.decode() == "database ok\nfiles away\n"


def test_readyz_keeps_its_answer_for_a_moment(
    client: Client, media: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    monkeypatch.setattr(watch, "stored_files_answer", lambda: asked.append(clock[0]))
    clock = [100.0]
    monkeypatch.setattr(watch.time, "monotonic", lambda: clock[0])
    for clock[0] in (100.0, 101.0, 104.9, 105.0, 106.0):
        assert client.get("/readyz").status_code == 200
    assert asked == [100.0, 105.0]
