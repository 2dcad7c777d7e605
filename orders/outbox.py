"""Letters: written into the outbox with the change they tell of, sent a little later, once.

A letter waits two minutes, so that undo withdraws it. Sending claims a row by one conditional
UPDATE with a lease, so that two senders never send the same letter. The row is marked once more
at the last moment before the mail server takes it over (orders/posting.py): a sender that dies
before that has sent nothing, and the letter goes by itself; one that dies, or loses the line,
between that and the server's answer leaves a letter that may have gone. That one is never sent
again by itself: the mail page shows it and a person decides. Each letter keeps its Message-ID.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db import DatabaseError, close_old_connections, connection
from django.db.models import F, Q
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from pricing.money import format_money

from . import letters
from .models import Event, Job, Mail, Order, Workshop
from .posting import (
    InDoubtError,
    LeaseLostError,
    Post,
    PostError,
    RefusedForGoodError,
    UnreachableError,
)

logger = logging.getLogger(__name__)

WAIT = timedelta(minutes=2)
LEASE = timedelta(minutes=3)  # to reach the server; whoever takes longer is fenced by the mark
LEASE_ON_THE_LINE = timedelta(minutes=2)  # longer than the answer is waited for
# RFC 5321, 4.5.4.1: a sender tries for four or five days; half-hourly that is
ATTEMPTS = 200
LONGEST_PAUSE_MIN, LONGEST_AWAY_MIN = 30, 5
LONGEST_WAIT = timedelta(hours=1)  # none waits longer, unless the clock was put back
MARK_WITHIN_S = 60.0
TO_DECIDE = (Mail.Status.FAILED, Mail.Status.IN_DOUBT)  # by a person
IN_DOUBT = "It was on its way when the line broke. It may have arrived."

# kind -> (to the artist or the workshop, waits for undo)
KINDS: dict[str, tuple[str, bool]] = {
    "quote": ("artist", False),
    "new-link": ("artist", False),
    "accepted": ("artist", False),
    "new-order": ("workshop", False),
    "refused": ("workshop", False),
    "ask-changes": ("artist", True),
    "proposal": ("artist", True),
    "answered": ("workshop", False),
    "decline": ("artist", True),
    "call-off": ("artist", True),
    "all-cut": ("artist", True),
    "shipped": ("artist", True),
    "part-shipped": ("artist", True),
    "handed-over": ("artist", True),
    "part-handed-over": ("artist", True),
    "message": ("artist", True),
    "message-in": ("workshop", True),
}


def write_mail(kind: str, order: Order, event: Event, **context: Any) -> Mail | None:
    """Put one letter about an event into the outbox, inside the event's transaction.

    The subject is the first line of ``mail/<kind>.txt``, unless the workshop wrote a text of its
    own. Returns None when there is no address to write to. The same event and kind never make a
    second letter.
    """
    waits = KINDS[kind][1]
    address = address_for(kind, order)
    if not address:
        return None
    subject, body = _rendered(kind, order, event, context)
    now = timezone.now()
    mail, _ = Mail.objects.get_or_create(
        event=event,
        kind=kind,
        to=address,
        defaults={
            "order": order,
            "subject": subject,
            "body": body,
            "created_at": now,
            "send_after": now + WAIT if waits else now,
        },
    )
    return mail


def address_for(kind: str, order: Order) -> str:
    """Return where a letter of this kind goes, "" when there is no address."""
    return _address(KINDS[kind][0], order, Workshop.current())


def write_anew(
    mail: Mail, order: Order, *, send_after: datetime | None = None, **context: Any
) -> bool:
    """Write a waiting letter's text anew; False when it is on its way already.

    ``send_after`` moves the moment of sending. One conditional UPDATE: the sender reads the letter
    after claiming it, so it goes out whole, either as it was or as it is now.
    """
    event = mail.event
    if event is None:
        return False
    subject, body = _rendered(mail.kind, order, event, context)
    changed: dict[str, Any] = {"subject": subject, "body": body}
    if send_after is not None:
        changed["send_after"] = send_after
    waiting = Mail.objects.filter(pk=mail.pk, status=Mail.Status.WAITING)
    return waiting.update(**changed) == 1


def _rendered(kind: str, order: Order, event: Event, context: dict[str, Any]) -> tuple[str, str]:
    """Return a letter's subject and body: the workshop's own text, or ours from its template."""
    context = {
        **context,
        "order": order,
        "event": event,
        "job": event.job,
        "workshop": Workshop.current(),
        "order_address": absolute(reverse("order", args=[order.link_token])),
        "workshop_address": absolute(reverse("workshop-order", args=[order.code])),
    }
    quote = context.get("quote")
    if quote is not None:
        context["total"] = format_money(quote.total, quote.currency)
        context["quote_address"] = absolute(reverse("quote", args=[quote.token]))
    parcel = context.get("parcel")
    if parcel is not None:
        context["parcel_lines"] = parcel.lines.select_related("job__version__design")
    if kind in letters.LETTERS:
        return letters.written(kind, context)
    subject, _, body = render_to_string(f"mail/{kind}.txt", context).partition("\n")
    return " ".join(subject.split())[:200], body.strip() + "\n"  # a header is one line


def withdraw(order: Order, kinds: tuple[str, ...], *, job: Job | None = None) -> int:
    """Withdraw waiting letters that a later step made untrue; return how many there were."""
    waiting = Mail.objects.filter(order=order, kind__in=kinds, status=Mail.Status.WAITING)
    if job is not None:
        waiting = waiting.filter(event__job=job)
    return waiting.update(status=Mail.Status.WITHDRAWN)


def send_due(limit: int = 50) -> int:
    """Send the letters whose waiting time is over; return how many went out.

    Where the mail server cannot be reached the round ends: the others would wait for nothing.
    """
    now = timezone.now()
    over = Q(send_after__lte=now) | Q(send_after__gt=now + LONGEST_WAIT)
    due = Mail.objects.filter(over, status=Mail.Status.WAITING).order_by("send_after", "id")
    sent = 0
    with Post() as post:
        for mail_id in list(due.values_list("pk", flat=True)[:limit]):
            try:
                sent += _send_one(mail_id, post)
            except UnreachableError:
                break
    return sent


def return_unsent() -> int:
    """Take up letters whose sender died; return how many.

    One that was not handed over yet waits again. One that was may have gone out: it is shown on
    the mail page, and a person decides.
    """
    now = timezone.now()
    late = Q(lease_until__lt=now) | Q(lease_until__gt=now + LONGEST_WAIT)
    left = Mail.objects.filter(late, status=Mail.Status.SENDING)
    back = left.filter(handed_at=None).update(status=Mail.Status.WAITING, lease_until=None)
    return back + left.exclude(handed_at=None).update(
        status=Mail.Status.IN_DOUBT, lease_until=None, failure=IN_DOUBT
    )


def send_again(mail: Mail) -> bool:
    """Put a letter that failed, or that may have gone, back into the outbox at a person's word."""
    again = Mail.objects.filter(pk=mail.pk, status__in=TO_DECIDE)
    return bool(
        again.update(
            status=Mail.Status.WAITING,
            send_after=timezone.now(),
            attempts=0,
            failure="",
            handed_at=None,
        )
    )


def call_arrived(mail: Mail) -> bool:
    """Settle a letter that may have gone: a person knows that it arrived."""
    doubted = Mail.objects.filter(pk=mail.pk, status=Mail.Status.IN_DOUBT)
    return bool(doubted.update(status=Mail.Status.SENT, sent_at=F("handed_at"), failure=""))


def message_id(mail: Mail) -> str:
    """Return the Message-ID of a letter, the same however often it is sent (RFC 5322, 3.6.4)."""
    host = urlsplit(settings.PUBLIC_ADDRESS).hostname or "localhost"
    return f"<{mail.pk}.{mail.created_at.timestamp() * 1e6:.0f}@{host}>"


def absolute(path: str) -> str:
    """Return a full address for a path of this site."""
    return str(settings.PUBLIC_ADDRESS).rstrip("/") + path


def _send_one(mail_id: int, post: Post) -> int:
    claimed = Mail.objects.filter(pk=mail_id, status=Mail.Status.WAITING).update(
        status=Mail.Status.SENDING,
        lease_until=timezone.now() + LEASE,
        handed_at=None,
        attempts=F("attempts") + 1,
    )
    if not claimed:
        return 0
    mail = Mail.objects.get(pk=mail_id)
    try:
        post.hand_over(
            mail.subject, mail.body, mail.to, message_id(mail), lambda: _about_to_go(mail)
        )
    except LeaseLostError:
        return 0
    except InDoubtError as error:
        logger.warning("mail %s may have gone: %s", mail.pk, error)
        words = f"{IN_DOUBT} ({error})"
        _mark(lambda: _settle(mail, status=Mail.Status.IN_DOUBT, failure=words))
        return 0
    except PostError as error:
        logger.warning("mail %s could not be sent: %s", mail.pk, error)
        why = error
        _mark(lambda: _try_later(mail, why))
        if isinstance(error, UnreachableError):
            raise
        return 0
    _mark(lambda: _settle(mail, status=Mail.Status.SENT, sent_at=timezone.now(), failure=""))
    return 1


def _about_to_go(mail: Mail) -> bool:
    """Mark a claimed letter as handed over; False when the claim is somebody else's by now."""
    now = timezone.now()
    mine = Mail.objects.filter(pk=mail.pk, status=Mail.Status.SENDING, attempts=mail.attempts)
    return mine.update(handed_at=now, lease_until=now + LEASE_ON_THE_LINE) == 1


def _settle(mail: Mail, **fields: Any) -> None:
    """Write what became of a letter, also where it was taken for one in doubt meanwhile."""
    mine = Mail.objects.filter(pk=mail.pk, attempts=mail.attempts)
    mine = mine.filter(status__in=(Mail.Status.SENDING, Mail.Status.IN_DOUBT))
    fields["failure"] = fields["failure"][:300]
    mine.update(lease_until=None, **fields)


def _mark(write: Callable[[], None]) -> None:
    """Write what is known now and could not be known later: a database that is away is awaited."""
    last = time.monotonic() + MARK_WITHIN_S
    while True:
        try:
            write()
            return
        except DatabaseError:
            if connection.in_atomic_block or time.monotonic() > last:
                raise
            close_old_connections()
            time.sleep(0.5)


def _try_later(mail: Mail, error: PostError) -> None:
    is_away = isinstance(error, UnreachableError)  # no fault of the letter: it never gives up
    gave_up = (mail.attempts >= ATTEMPTS and not is_away) or isinstance(error, RefusedForGoodError)
    longest = LONGEST_AWAY_MIN if is_away else LONGEST_PAUSE_MIN
    pause = timedelta(minutes=min(2 ** min(mail.attempts, 10), longest))
    _settle(
        mail,
        status=Mail.Status.FAILED if gave_up else Mail.Status.WAITING,
        send_after=timezone.now() + pause,
        handed_at=None,
        failure=str(error),
    )


def _address(to_whom: str, order: Order, workshop: Workshop) -> str:
    if to_whom == "workshop":
        return workshop.email
    return order.artist.email if order.artist else ""
