"""Messages: written once, changed or taken back in time, mailed once, counted as new."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.core import mail as sent_mail
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone
from PIL import Image

from orders import messages, outbox, workflow
from orders.errors import NotNowError, RefusedError
from orders.messages import ARTIST, WORKSHOP, Pin
from orders.models import Job, Mail, Message
from orders.thread import thread_of
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _shop(media: Path) -> None:
    factories.workshop()


@pytest.fixture
def wren() -> Actor:
    return Actor(ARTIST, factories.artist_person())


@pytest.fixture
def ebb() -> Actor:
    return Actor(WORKSHOP, factories.workshop_person())


@pytest.fixture
def job() -> Job:
    design = factories.make_design(owner=factories.artist_person(), title="Tide snail")
    return factories.make_job(version=factories.make_version(design))


def later(minutes: float) -> None:
    """Let time pass for every message and letter."""
    by = timedelta(minutes=minutes)
    for row in Message.objects.all():
        Message.objects.filter(pk=row.pk).update(at=row.at - by)
    for letter in Mail.objects.all():
        Mail.objects.filter(pk=letter.pk).update(
            send_after=letter.send_after - by, created_at=letter.created_at - by
        )


def test_the_letter_to_the_artist_word_by_word(job: Job, ebb: Actor) -> None:
    messages.write(
        job.order, ebb, "Shall I round\nthis corner?", press="1", job=job, pin=Pin(40, 30)
    )
    assert outbox.send_due() == 0
    later(2.1)
    assert outbox.send_due() == 1
    letter = sent_mail.outbox[0]
    assert letter.to == ["wren@harbour.example"]
    assert letter.subject == f"A message about your order {job.order.code}"
    assert letter.body == (
        "Hello Wren Saltmarsh,\n\n"
        "Slipway Cutting Shed wrote about your order:\n\n"
        "About “Tide snail”, with a pin on the drawing:\n"
        "    Shall I round\n"
        "    this corner?\n\n"
        "Read it and answer here; no sign-in is needed for this order:\n\n"
        f"http://127.0.0.1:8000/order/{job.order.link_token}/#talk\n\n"
        "Slipway Cutting Shed\n"
    )


def test_the_letter_to_the_workshop_names_no_address(job: Job, wren: Actor) -> None:
    messages.write(job.order, wren, "Thank you.", press="1")
    letter = Mail.objects.get(kind="message-in")
    assert letter.to == "shed@harbour.example"
    assert letter.subject == f"A message about order {job.order.code}"
    assert letter.body == (
        f"Wren Saltmarsh wrote about order {job.order.code}:\n\n"
        "    Thank you.\n\n"
        "Answer here:\n\n"
        f"http://127.0.0.1:8000/workshop/order/{job.order.code}/#talk\n"
    )
    private = (job.order.link_token, "wren@", job.order.ship_line1, job.order.ship_city)
    assert [word for word in private if word in letter.body] == []


def test_several_in_a_row_make_one_letter(job: Job, wren: Actor) -> None:
    for number in range(3):
        messages.write(job.order, wren, f"Thought {number}.", press=str(number))
        later(1)
    letter = Mail.objects.get(kind="message-in")
    assert letter.subject == f"3 messages about order {job.order.code}"
    assert [f"Thought {n}." in letter.body for n in range(3)] == [True] * 3
    later(3)
    assert outbox.send_due() == 1
    messages.write(job.order, wren, "One more.", press="later")
    assert Mail.objects.filter(kind="message-in").count() == 2


def test_a_letter_waits_ten_minutes_at_the_most(job: Job, wren: Actor) -> None:
    for number in range(12):
        messages.write(job.order, wren, f"Thought {number}.", press=str(number))
        later(1)
        outbox.send_due()
    assert Mail.objects.filter(kind="message-in", status=Mail.Status.SENT).count() == 1


def test_the_same_form_twice_is_one_message_and_one_letter(job: Job, wren: Actor) -> None:
    first = messages.write(job.order, wren, "Once.", press="same")
    assert messages.write(job.order, wren, "Once.", press="same") == first
    assert Message.objects.count() == Mail.objects.filter(kind="message-in").count() == 1
    assert job.order.events.filter(action="message").count() == 1


def test_a_changed_message_is_mailed_as_changed(job: Job, wren: Actor) -> None:
    message = messages.write(job.order, wren, "Blue, please.", press="1")
    messages.change(message, wren, "Green, please.")
    letter = Mail.objects.get(kind="message-in")
    assert "Green, please." in letter.body
    assert "Blue" not in letter.body


def test_a_message_taken_back_is_gone_with_its_letter_and_its_picture(
    job: Job, wren: Actor, media: Path, django_capture_on_commit_callbacks: Any
) -> None:
    picture = SimpleUploadedFile("crab.png", factories.picture_png())
    message = messages.write(job.order, wren, "Oh.", press="1", picture=picture)
    stored = Path(media, message.photo.name)
    assert stored.exists()
    with django_capture_on_commit_callbacks(execute=True):
        for _ in range(2):
            messages.take_back(message, wren)
    assert not stored.exists()
    message.refresh_from_db()
    assert (message.text, message.photo.name) == ("", "")
    assert Mail.objects.get(kind="message-in").status == Mail.Status.WITHDRAWN
    assert thread_of(job.order, WORKSHOP).entries == []
    assert job.order.events.filter(action="message-undo").count() == 1


def test_after_two_minutes_or_by_the_other_side_nothing_is_changed(
    job: Job, wren: Actor, ebb: Actor
) -> None:
    message = messages.write(job.order, wren, "As it is.", press="1")
    with pytest.raises(NotNowError):
        messages.change(message, ebb, "Mine.")
    later(2.1)
    with pytest.raises(NotNowError, match="is on its way and stays"):
        messages.change(message, wren, "Other.")
    with pytest.raises(NotNowError):
        messages.take_back(message, wren)
    message.refresh_from_db()
    assert message.text == "As it is."


@pytest.mark.parametrize(
    ("text", "pin", "sentence"),
    [
        (" \n\u200b ", None, "the message is empty"),
        ("x" * 2001, None, "That message has 2001 letters and signs; 2000 fit."),
        ("Here.", Pin(152.41, 1), "The pin lies beside the drawing"),
        ("Here.", Pin(1, -0.1), "from the top 0 to 152.4 mm"),
        ("Here.", Pin(float("nan"), 1), "The pin lies beside the drawing"),
    ],
)
def test_what_cannot_be_a_message_is_told_and_not_stored(
    job: Job, wren: Actor, text: str, pin: Pin | None, sentence: str
) -> None:
    with pytest.raises(RefusedError, match=sentence):
        messages.write(job.order, wren, text, press="1", job=job, pin=pin)
    assert not Message.objects.exists()
    assert not Mail.objects.exists()


def test_a_pin_on_the_very_corner_is_on_the_drawing(job: Job, wren: Actor) -> None:
    message = messages.write(job.order, wren, "Here.", press="1", job=job, pin=Pin(152.4, 0))
    assert (message.pin_x_mm, message.pin_y_mm) == (152.4, 0)


def test_forty_messages_an_hour_are_the_most_of_one_side(job: Job, wren: Actor, ebb: Actor) -> None:
    for number in range(messages.MOST_AN_HOUR):
        messages.write(job.order, wren, "Still here.", press=str(number))
    with pytest.raises(RefusedError, match="40 messages in an hour"):
        messages.write(job.order, wren, "Still here.", press="one more")
    assert messages.write(job.order, ebb, "We know.", press="theirs").pk
    later(61)
    assert messages.write(job.order, wren, "Good morning.", press="morning").pk


def test_a_picture_is_redrawn_without_what_the_camera_wrote(job: Job, wren: Actor) -> None:
    out, exif = BytesIO(), Image.Exif()
    exif[0x010F] = "Harbour Camera"  # Make, Exif 2.3
    exif[0x8825] = {1: "N", 2: (50.0, 0.0, 0.0)}  # GPS position
    Image.new("RGB", (64, 48), "white").save(out, "JPEG", exif=exif)
    file = SimpleUploadedFile("quay.jpg", out.getvalue())
    message = messages.write(job.order, wren, "", press="1", picture=file)
    with message.photo.open("rb") as stored:
        data = stored.read()
    assert b"Harbour Camera" in out.getvalue()
    assert b"Harbour Camera" not in data
    assert dict(Image.open(BytesIO(data)).getexif()) == {}


def test_text_comes_out_plain(job: Job, wren: Actor) -> None:
    message = messages.write(job.order, wren, "a\r\nb\x00\x1b\u202e\tc ", press="1")
    assert message.text == "a\nb c"


def test_new_is_what_the_other_side_wrote_until_the_thread_is_opened(
    job: Job, wren: Actor, ebb: Actor
) -> None:
    for number in range(2):
        messages.write(job.order, wren, "Hello?", press=str(number))
    assert messages.unseen_counts([job.order.pk], WORKSHOP) == {job.order.pk: 2}
    assert messages.unseen_counts([job.order.pk], ARTIST) == {}
    assert thread_of(job.order, WORKSHOP).new == 2
    messages.write(job.order, ebb, "Yes.", press="answer")  # whoever answers has read
    assert messages.unseen_counts([job.order.pk], WORKSHOP) == {}
    assert messages.mark_seen(job.order, ARTIST) == 1
    assert messages.mark_seen(job.order, ARTIST) == 0


def test_pins_keep_their_numbers_when_one_is_taken_back(job: Job, wren: Actor) -> None:
    rows = [
        messages.write(job.order, wren, "Here.", press=str(n), job=job, pin=Pin(n * 10, 5))
        for n in (1, 2, 3)
    ]
    messages.take_back(rows[1], wren)
    (plate,) = thread_of(job.order, ARTIST).plates
    assert [(pin.number, pin.x_mm) for pin in plate.pins] == [(1, 10), (3, 30)]


def test_a_pin_stays_on_the_version_it_was_put_on(job: Job, wren: Actor) -> None:
    messages.write(job.order, wren, "Here.", press="1", job=job, pin=Pin(10, 5))
    old = job.version
    Job.objects.update(version=factories.make_version(old.design))
    (plate,) = thread_of(job.order, ARTIST).plates
    assert plate.version == old


def test_questions_and_proposals_stand_in_the_thread_in_both_sides_words(
    job: Job, wren: Actor, ebb: Actor
) -> None:
    workflow.ask_changes(job, ebb, why="Thicker ropes, please.")
    mended = factories.make_version(job.version.design)
    workflow.answer(job, mended, wren)
    proposal = factories.make_version(
        job.version.design, proposal="offered", origin="proposal", proposed_for=job,
        proposal_reason="A little smaller.",
    )  # fmt: skip
    workflow.propose(job, proposal, ebb)
    workflow.accept_proposal(proposal, wren)
    said = [(entry.words, entry.text) for entry in thread_of(job.order, ARTIST).entries]
    assert sorted(said) == sorted(
        [
            ("The workshop asks for a change to “Tide snail”.", "Thicker ropes, please."),
            ("You sent version 2 of “Tide snail”.", ""),
            ("The workshop proposes a version of “Tide snail”.", "A little smaller."),
            ("You took the workshop’s version of “Tide snail”.", ""),
        ]
    )
    theirs = [entry.words for entry in thread_of(job.order, WORKSHOP).entries]
    assert "The artist took your version of “Tide snail”." in theirs


def test_what_was_undone_was_never_said(job: Job, ebb: Actor) -> None:
    workflow.ask_changes(job, ebb, why="A slip of the hand.")
    workflow.undo(job, ebb)
    proposal = factories.make_version(
        job.version.design, proposal="offered", origin="proposal", proposed_for=job
    )
    workflow.propose(job, proposal, ebb)
    workflow.undo(job, ebb)
    assert thread_of(job.order, ARTIST).entries == []


def test_a_thread_asks_the_database_little_however_long_it_is(
    job: Job, wren: Actor, django_assert_max_num_queries: Any
) -> None:
    for number in range(20):
        messages.write(job.order, wren, "On.", press=str(number), job=job, pin=Pin(number, 5))
    with django_assert_max_num_queries(8):
        thread = thread_of(job.order, ARTIST)
    assert len(thread.entries) == 20
    assert timezone.now() - thread.entries[-1].at < timedelta(minutes=1)
