"""Steps of a quote: offered, accepted (which makes the jobs), refused, run out, replaced."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from orders.dates import add_working_days, today
from orders.errors import NotNowError, StaleError
from orders.models import Design, Event, Film, Job, Order, Quote, Version
from orders.outbox import write_mail
from orders.shelf_sales import refuse_gone, sell

from .moves import SYSTEM_ACTOR, Actor, move
from .tables import step_of


def offer(quote: Quote, actor: Actor) -> Event:
    """Offer a drafted quote to the artist; older open quotes of the order are replaced."""
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=quote.order_id)
        for older in quote.order.quotes.exclude(pk=quote.pk):
            if older.status in step_of("quote", "replace").sources:
                move(older, "replace", actor)
        event = move(quote, "offer", actor)
        write_mail("quote", quote.order, event, quote=quote)
    return event


def accept(quote: Quote, actor: Actor) -> Event:
    """Accept a quote: jobs are made from its frozen request, and the promise date is set.

    Pressing twice is the same as once. A quote whose last day is over is not accepted.
    """
    try:
        return _accept(quote, actor)
    except IntegrityError:
        raise StaleError("Another quote of this order was accepted a moment ago.") from None


def refuse(quote: Quote, actor: Actor, *, why: str = "") -> Event:
    """Say no thanks to a quote, with a reason if one is given; the workshop is told.

    Pressing twice is the same as once. A new quote may be asked for at any time.
    """
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=quote.order_id)
        quote.refresh_from_db()
        if quote.status == Quote.Status.REFUSED:
            return quote.events.filter(action="refuse").latest("id")
        event = move(quote, "refuse", actor, why=why.strip())
        write_mail("refused", quote.order, event, quote=quote)
    return event


def expire_old() -> int:
    """Close quotes whose last day is over."""
    count = 0
    for quote in Quote.objects.filter(status=Quote.Status.OFFERED, valid_until__lt=today()):
        try:
            move(quote, "expire", SYSTEM_ACTOR)
        except (NotNowError, StaleError):
            continue
        count += 1
    return count


def expire_open(order: Order) -> int:
    """Close what is on offer for an order whose artist has erased their account."""
    rows = order.quotes.filter(status=Quote.Status.OFFERED)
    for quote in rows:
        move(quote, "expire", SYSTEM_ACTOR)
    return len(rows)


def _accept(quote: Quote, actor: Actor) -> Event:
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=quote.order_id)
        quote.refresh_from_db()
        if quote.status == Quote.Status.ACCEPTED:
            return quote.events.get(action="accept")
        if quote.status == Quote.Status.OFFERED and quote.valid_until < today():
            raise NotNowError("This quote has run out. Ask for a new one; it takes one press.")
        if quote.status == Quote.Status.OFFERED:
            refuse_gone(_from_shelf(quote), hold=True)
            _refuse_erased(quote)
        event = move(quote, "accept", actor, changes={"accepted_at": timezone.now()})
        order.accepted_at = timezone.now()
        promise_on = add_working_days(today(), quote.lead_working_days)
        order.promise_on = promise_on
        order.save(update_fields=["accepted_at", "promise_on"])
        for number, line in enumerate(quote.request, start=1):
            _make_job(order, number, line, promise_on, actor)
        write_mail("accepted", order, event, quote=quote)
        write_mail("new-order", order, event, quote=quote)
    return event


def _refuse_erased(quote: Quote) -> None:
    versions = [line["version"] for line in quote.request]
    held = Design.objects.select_for_update().filter(versions__in=versions)
    if any(design.erased_at is not None for design in held):
        raise NotNowError("A drawing of this quote is erased. Put the picture in again.")


def _from_shelf(quote: Quote) -> list[tuple[int, int, str]]:
    """(offer, version, title) of each line of a quote that is from the shelf."""
    return [
        (line["shelf"]["offer"], line["version"], str(line.get("title", "")))
        for line in quote.request
        if "shelf" in line
    ]


def _make_job(
    order: Order, number: int, line: dict[str, Any], promise_on: date, actor: Actor
) -> Job:
    version = Version.objects.get(pk=line["version"])
    if "shelf" not in line:
        # taken out of the artist's list since the quote: it is wanted after all, and may be asked
        # about; a drawing of another artist's that was deleted is off the shelf, and not sold
        own = Design.objects.filter(pk=version.design_id, owner=order.artist, erased_at=None)
        own.update(removed_at=None)
    quantity = int(line["quantity"])
    job = Job.objects.create(
        code=f"{order.code}-{number}",
        order=order,
        version=version,
        film=Film.objects.get(pk=line["film"]),
        quantity=quantity,
        promise_on=promise_on,
        with_cut_outs=bool(line["with_cut_outs"]),
        cut_outs_expected=version.cut_outs * quantity,
    )
    if "shelf" in line:
        sell(job, line["shelf"])
    Event.objects.create(
        life="job",
        action="receive",
        by=actor.person,
        role=actor.role,
        job=job,
        order=order,
        version=version,
        to_status=job.status,
    )
    return job
