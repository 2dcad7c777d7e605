"""Letters wait for undo, go once, and are tried again when the mail server is away."""

from datetime import timedelta

import pytest
from django.core import mail as django_mail
from django.utils import timezone

from orders import outbox, workflow
from orders.models import Mail
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def letter(cutter: Actor) -> Mail:
    job = factories.make_job(status="received")
    workflow.ask_changes(job, cutter, why="Widen the bridge by the eye.")
    return Mail.objects.get()


def due(letter: Mail) -> None:
    Mail.objects.filter(pk=letter.pk).update(send_after=timezone.now())


def test_a_letter_waits_two_minutes(letter: Mail) -> None:
    assert letter.send_after - letter.created_at == timedelta(minutes=2)
    assert outbox.send_due() == 0
    assert django_mail.outbox == []


def test_a_letter_goes_once_with_the_reason_and_the_link(letter: Mail) -> None:
    due(letter)
    assert outbox.send_due() == 1
    assert outbox.send_due() == 0
    (sent,) = django_mail.outbox
    assert sent.to == ["wren@harbour.example"]
    assert "Widen the bridge by the eye." in sent.body
    assert f"/order/{letter.order.link_token}/" in sent.body
    assert "\n" not in sent.subject


def test_a_server_that_is_away_is_tried_again_later(
    letter: Mail, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: object) -> int:
        raise OSError("connection refused")

    monkeypatch.setattr("django.core.mail.EmailMessage.send", refuse)
    due(letter)
    assert outbox.send_due() == 0
    letter.refresh_from_db()
    assert (letter.status, letter.attempts) == ("waiting", 1)
    assert letter.send_after > timezone.now() + timedelta(minutes=1)
    for _ in range(outbox.ATTEMPTS - 1):
        due(letter)
        outbox.send_due()
    letter.refresh_from_db()
    assert letter.status == "failed"
    assert letter.failure == "OSError: connection refused"
    outbox.send_again(letter)
    letter.refresh_from_db()
    assert (letter.status, letter.failure) == ("waiting", "")


def test_a_letter_whose_sender_died_handing_it_over_is_not_sent_twice(letter: Mail) -> None:
    now = timezone.now()
    Mail.objects.filter(pk=letter.pk).update(
        status="sending", handed_at=now, lease_until=now - timedelta(seconds=1)
    )
    assert outbox.return_unsent() == 1
    assert outbox.send_due() == 0
    letter.refresh_from_db()
    assert letter.status == "in-doubt"


def test_every_kind_has_a_text_and_a_letter_of_it_reads_without_a_gap(cutter: Actor) -> None:
    factories.workshop()
    job = factories.make_job(status="received")
    event = workflow.queue(job, cutter)
    for kind in outbox.KINDS:
        letter = outbox.write_mail(kind, job.order, event)
        assert letter is not None
        assert letter.subject
        assert letter.body.endswith("\n")
        assert "{{" not in letter.body


@pytest.mark.parametrize("mark", ["\r", "\n", "\x0b", "\x0c", "\x85", "\u2028"])
def test_a_letter_goes_whatever_breaks_the_line_in_a_name(cutter: Actor, mark: str) -> None:
    """RFC 5322, 2.2: a header's body holds neither CR nor LF."""
    named = factories.make_version(factories.make_design(title=f"Tide{mark}Bcc: gull@reef.example"))
    workflow.decline(factories.make_job(status="received", version=named), cutter, why="No film.")
    Mail.objects.update(send_after=timezone.now())
    assert outbox.send_due() == 1
    (message,) = django_mail.outbox
    assert message.subject == " ".join(message.subject.split())
    assert message.message()["Bcc"] is None
