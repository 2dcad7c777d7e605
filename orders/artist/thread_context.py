"""What the templates of a thread need on the artist's side."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from orders import access
from orders.messages import ARTIST
from orders.models import Order
from orders.models.jobs import OVER
from orders.thread import stamp_of, thread_of
from orders.thread_forms import MessageForm, form_for

SILENT_AFTER = timedelta(days=1)
# The addresses of a thread, by what they are for; each takes the order's key first.
NAMES = {
    "state": "order-talk",
    "write": "order-write",
    "change": "message-change",
    "undo": "message-undo",
    "photo": "message-photo",
    "drawing": "message-drawing",
}


def thread_context(
    request: HttpRequest, order: Order, *, form: MessageForm | None = None, stamp: str = ""
) -> dict[str, Any]:
    """Return the thread as its artist reads it, with the form to write into it.

    ``stamp`` is the order's, for a page that has worked it out already.
    """
    return {
        "order": order,
        "thread": thread_of(order, ARTIST),
        "talk": {"side": "artist", "key": order.link_token, "names": NAMES, "other": "workshop"},
        "talk_stamp": stamp or stamp_of(order),
        "talk_form": form or form_for(order),
        "may_talk": access.may_talk(request),
    }


def has_fallen_silent(order: Order) -> bool:
    """Whether every job is over and nothing was said or done for a day."""
    if not order.jobs.exists() or order.jobs.exclude(status__in=OVER).exists():
        return False
    newest = order.events.order_by("-id").values_list("at", flat=True).first()
    return newest is None or newest < timezone.now() - SILENT_AFTER
