"""Letters: written into the outbox with the change they tell of, sent a little later, once.

A letter waits two minutes, so that undo withdraws it. Sending claims a row by one conditional
UPDATE with a lease, so that two senders never send the same letter.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.db.models import F
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from pricing.money import format_money

from . import letters
from .models import Event, Job, Mail, Order, Workshop

logger = logging.getLogger(__name__)

WAIT = timedelta(minutes=2)
LEASE = timedelta(minutes=5)
ATTEMPTS = 8

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
    """Send the letters whose waiting time is over; return how many went out."""
    due = Mail.objects.filter(status=Mail.Status.WAITING, send_after__lte=timezone.now())
    sent = 0
    for mail_id in list(due.order_by("send_after", "id").values_list("pk", flat=True)[:limit]):
        sent += _send_one(mail_id)
    return sent


def return_unsent() -> int:
    """Mark letters whose sender died in mid-sending as failed: they may have gone out.

    A letter is sent at most once; the mail page lists these, and a person sends them again.
    """
    stuck = Mail.objects.filter(status=Mail.Status.SENDING, lease_until__lt=timezone.now())
    return stuck.update(
        status=Mail.Status.FAILED, failure="The sender stopped in the middle; it may have gone out."
    )


def send_again(mail: Mail) -> None:
    """Put a failed letter back into the outbox, at a person's word."""
    Mail.objects.filter(pk=mail.pk, status=Mail.Status.FAILED).update(
        status=Mail.Status.WAITING, send_after=timezone.now(), attempts=0, failure=""
    )


def absolute(path: str) -> str:
    """Return a full address for a path of this site."""
    return str(settings.PUBLIC_ADDRESS).rstrip("/") + path


def _send_one(mail_id: int) -> int:
    claimed = Mail.objects.filter(pk=mail_id, status=Mail.Status.WAITING).update(
        status=Mail.Status.SENDING,
        lease_until=timezone.now() + LEASE,
        attempts=F("attempts") + 1,
    )
    if not claimed:
        return 0
    mail = Mail.objects.get(pk=mail_id)
    try:
        EmailMessage(mail.subject, mail.body, to=[mail.to]).send()
    except Exception as error:  # any mail back end's own error; the letter must not be lost
        _try_later(mail, error)
        return 0
    Mail.objects.filter(pk=mail_id).update(
        status=Mail.Status.SENT, sent_at=timezone.now(), lease_until=None
    )
    return 1


def _try_later(mail: Mail, error: Exception) -> None:
    logger.warning("mail %s could not be sent: %s", mail.pk, type(error).__name__)
    gave_up = mail.attempts >= ATTEMPTS
    Mail.objects.filter(pk=mail.pk).update(
        status=Mail.Status.FAILED if gave_up else Mail.Status.WAITING,
        send_after=timezone.now() + timedelta(minutes=2**mail.attempts),
        lease_until=None,
        failure=f"{type(error).__name__}: {error}"[:300],
    )


def _address(to_whom: str, order: Order, workshop: Workshop) -> str:
    if to_whom == "workshop":
        return workshop.email
    return order.artist.email if order.artist else ""
