"""New links to an order: the old ones die at once, wherever they were sent, shown or kept.

For a link that was forwarded to the wrong person. The artist is mailed the new one, so that whoever
pressed the button cannot shut the artist out. The code on a slip in a parcel stays: it opens status
and pictures only, and is printed already.
"""

from __future__ import annotations

from django.db import transaction

from .codes import new_token
from .models import Event, Mail, Order
from .outbox import write_mail
from .workflow import Actor, record

UNSENT = (Mail.Status.WAITING, Mail.Status.FAILED)


def make_new_link(order: Order, actor: Actor) -> Order:
    """Give an order and its quotes new addresses and mail the artist; return the order anew."""
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        changed = {order.link_token: new_token()}
        order.link_token = changed[order.link_token]
        order.save(update_fields=["link_token"])
        for quote in order.quotes.all():
            changed[quote.token] = new_token()
            order.quotes.filter(pk=quote.pk).update(token=changed[quote.token])
        _turn_letters(order, changed)
        event = record("order", "new-link", actor, order=order)
        write_mail("new-link", order, event)
        for again in _ordered_again(order):
            make_new_link(again, actor)
    return order


def _ordered_again(order: Order) -> list[Order]:
    """Return orders made of this one in a press: whoever had its link has theirs too."""
    presses = Event.objects.filter(action="again", why=f"again: {order.code}")
    return list(Order.objects.filter(events__in=presses).distinct())


def _turn_letters(order: Order, changed: dict[str, str]) -> None:
    """Let letters that are not sent yet lead to the new addresses."""
    for mail in Mail.objects.select_for_update().filter(order=order, status__in=UNSENT):
        for old, new in changed.items():
            mail.body = mail.body.replace(old, new)
        mail.save(update_fields=["body"])
