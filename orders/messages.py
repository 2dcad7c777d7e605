"""Messages between artist and cutter: written, changed, taken back, seen, and mailed once.

A message is mailed to the other side two minutes after it was written; until then its writer may
change it or take it back. Several in a row share one letter. The same form sent twice is one
message: each form carries a random ``press``.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.db.models import Count, Q, QuerySet
from django.utils import timezone

from . import outbox, photos
from .codes import new_token
from .drawings import JOINERS
from .errors import NotNowError, RefusedError
from .models import Event, Job, Mail, Message, Order
from .workflow import Actor, record

MOST_SIGNS = 2000
MOST_AN_HOUR = 40
MOST_IN_ALL = 600
CHANGE_WITHIN = outbox.WAIT
LONGEST_WAIT = timedelta(minutes=10)  # a letter waits no longer, however many are added to it
ARTIST, WORKSHOP = Event.Role.ARTIST, Event.Role.WORKSHOP
LETTER = {ARTIST: "message-in", WORKSHOP: "message"}
OTHER = {ARTIST: WORKSHOP, WORKSHOP: ARTIST}


@dataclass(frozen=True)
class Pin:
    """A place on a job's drawing, in mm of the blank from its top left, y down."""

    x_mm: float
    y_mm: float


def write(
    order: Order,
    actor: Actor,
    text: str,
    *,
    press: str,
    job: Job | None = None,
    pin: Pin | None = None,
    picture: UploadedFile | None = None,
) -> Message:
    """Add a message to an order's thread. Safe to repeat with the same ``press``.

    Raises RefusedError with a sentence when it is empty, too long, one too many, or its pin lies
    beside the drawing; nothing is stored then.
    """
    text = tidy(text)
    _check(text, job, pin, picture)
    known = order.messages.filter(press=press).first()
    if known is not None:
        return known
    drawn = photos.redrawn_upload(picture) if picture is not None else None
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=order.pk)
        known = order.messages.filter(press=press).first()
        if known is not None:
            return known
        _check_count(order, actor)
        message = Message(
            order=order,
            job=job,
            version=job.version if job else None,
            role=actor.role,
            by=actor.person,
            text=text,
            press=(press or new_token())[:40],
            pin_x_mm=round(pin.x_mm, 2) if pin else None,
            pin_y_mm=round(pin.y_mm, 2) if pin else None,
        )
        if drawn is not None:
            message.photo.save("picture.jpg", ContentFile(drawn), save=False)
        message.save()
        event = record("order", "message", actor, order=order, job=job)
        mark_seen(order, actor.role)  # whoever answers has read
        _put_into_letter(message, event)
    return message


def change(message: Message, actor: Actor, text: str) -> Message:
    """Change the words of a message that is not mailed yet."""
    text = tidy(text)
    if not text and not message.photo:
        raise RefusedError("Nothing is left of the message. Take it back instead.")
    _check_length(text)
    with transaction.atomic():
        held = _held(message, actor)
        if held.text == text:
            return held
        held.text, held.changed_at = text, timezone.now()
        held.save(update_fields=["text", "changed_at"])
        _renew_letter(held)
        record("order", "message-change", actor, order=held.order, job=held.job)
    return held


def take_back(message: Message, actor: Actor) -> Message:
    """Take back a message that is not mailed yet. Safe to repeat."""
    with transaction.atomic():
        held = Message.objects.select_for_update(of=("self",)).get(pk=message.pk)
        if held.withdrawn_at is not None and held.role == actor.role:
            return held
        held = _held(message, actor)
        empty(held)
        held.withdrawn_at = timezone.now()
        held.save()
        _renew_letter(held)
        record("order", "message-undo", actor, order=held.order, job=held.job)
    return held


def empty(message: Message) -> None:
    """Leave nothing of what a message said; its file goes once the change is committed."""
    name, storage = message.photo.name, message.photo.storage
    message.text, message.photo = "", ""
    if name:
        transaction.on_commit(lambda: storage.delete(name))


def may_change(message: Message, role: str, now: datetime | None = None) -> bool:
    """Whether a message's own side may still change it or take it back."""
    now = now or timezone.now()
    return (
        message.role == role
        and message.withdrawn_at is None
        and now < message.at + CHANGE_WITHIN
        and (message.mail is None or message.mail.status == Mail.Status.WAITING)
    )


def mark_seen(order: Order, role: str) -> int:
    """Note that this side has opened the thread; return how many messages were new to it."""
    new = unseen_by(role).filter(order=order)
    # pages ask every few seconds, and even an update of no row would wait for SQLite's one writer
    return new.update(seen_at=timezone.now()) if new.exists() else 0


def unseen_by(role: str) -> QuerySet[Message]:
    """Return the messages that this side has not opened yet."""
    return Message.objects.filter(role=OTHER[Event.Role(role)], seen_at=None, withdrawn_at=None)


def unseen_counts(orders: Iterable[int], role: str) -> dict[int, int]:
    """Return order id -> how many messages are new to this side, only where there are any."""
    rows = unseen_by(role).filter(order__in=list(orders)).order_by().values("order")
    return dict(rows.annotate(new=Count("pk")).values_list("order", "new"))


def tidy(text: str) -> str:
    """Return plain text: one kind of line end, no signs that cannot be seen, no empty edges."""
    text = unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n"))
    text = text.replace("\t", " ")
    # signs that turn the reading direction could make words say something else than was typed
    kept = (c for c in text if c == "\n" or c in JOINERS or unicodedata.category(c)[0] != "C")
    return "".join(kept).strip()


def _check(text: str, job: Job | None, pin: Pin | None, picture: UploadedFile | None) -> None:
    if not text and picture is None:
        raise RefusedError("Write a few words, or choose a picture; the message is empty.")
    _check_length(text)
    if pin is None:
        return
    if job is None:
        raise RefusedError("Say which drawing the pin is on.")
    width_mm, height_mm = job.version.blank.size_mm
    if not (0 <= pin.x_mm <= width_mm and 0 <= pin.y_mm <= height_mm):
        raise RefusedError(
            f"The pin lies beside the drawing: from the left 0 to {width_mm:g} mm, "
            f"from the top 0 to {height_mm:g} mm."
        )


def _check_length(text: str) -> None:
    if len(text) > MOST_SIGNS:
        raise RefusedError(
            f"That message has {len(text)} letters and signs; {MOST_SIGNS} fit. "
            "Shorten it, or send it in two."
        )


def _check_count(order: Order, actor: Actor) -> None:
    lately = timezone.now() - timedelta(hours=1)
    counts = order.messages.aggregate(
        lately=Count("pk", filter=Q(role=actor.role, at__gt=lately)), all=Count("pk")
    )
    if counts["lately"] >= MOST_AN_HOUR:
        raise RefusedError(f"{MOST_AN_HOUR} messages in an hour are the most. Write again later.")
    if counts["all"] >= MOST_IN_ALL:
        raise RefusedError(
            f"This order has {MOST_IN_ALL} messages, which is the most. Write a mail instead."
        )


def _held(message: Message, actor: Actor) -> Message:
    """Return the message held for changing, if it is this side's and not mailed yet."""
    rows = Message.objects.select_for_update(of=("self",)).select_related("mail", "order", "job")
    held = rows.get(pk=message.pk)
    if not may_change(held, actor.role):
        raise NotNowError(
            "That message is on its way and stays. Within two minutes it could be changed; "
            "write another one."
        )
    return held


def _put_into_letter(message: Message, event: Event) -> None:
    """Add a message to the letter that waits, or begin one."""
    order, kind = message.order, LETTER[Event.Role(message.role)]
    waiting = Mail.objects.filter(order=order, kind=kind, status=Mail.Status.WAITING)
    letter = waiting.filter(to=outbox.address_for(kind, order)).order_by("-id").first()
    if letter is not None:
        told = [*_told_in(letter), message]
        later = min(timezone.now() + outbox.WAIT, letter.created_at + LONGEST_WAIT)
        send_after = max(letter.send_after, later)
        if outbox.write_anew(letter, order, send_after=send_after, messages=told):
            Message.objects.filter(pk=message.pk).update(mail=letter)
            message.mail = letter
            return
    letter = outbox.write_mail(kind, order, event, messages=[message])
    if letter is not None:
        Message.objects.filter(pk=message.pk).update(mail=letter)
        message.mail = letter


def _renew_letter(message: Message) -> None:
    """Write the waiting letter of a changed message anew; with nothing left it is withdrawn."""
    letter = message.mail
    if letter is None:
        return
    told = _told_in(letter)
    if told:
        is_changed = outbox.write_anew(letter, message.order, messages=told)
    else:
        waiting = Mail.objects.filter(pk=letter.pk, status=Mail.Status.WAITING)
        is_changed = waiting.update(status=Mail.Status.WITHDRAWN) == 1
    if not is_changed:
        raise NotNowError("That message went out a moment ago and stays. Write another one.")


def _told_in(letter: Mail) -> list[Message]:
    rows = letter.messages.filter(withdrawn_at=None).select_related("job__version__design")
    return list(rows)
