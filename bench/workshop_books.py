"""What lies behind twenty thousand orders besides their jobs: quotes, invoices, payments, letters,
messages, and a shelf whose artists are owed shares.
"""

from __future__ import annotations

import random
from datetime import timedelta
from decimal import Decimal
from typing import Any

LETTERS_EACH = 4
OFFERS, SOLD_EVERY = 200, 10  # offers on the shelf; of every tenth job a share is booked
OWING_PERCENT = 2
BATCH = 500


def fill_books(orders: list[Any], jobs: list[Any], lines: list[Any], on: Any, by: Any) -> None:
    """Add to bulk-made orders what two years of trade leave. `lines` are parcel lines."""
    dice = random.Random(11)
    days = {job.order_id: job.promise_on for job in jobs}
    sent = {job.order_id for job in jobs if job.status == "shipped"}
    _quotes(orders)
    _money(orders, sent, days, on, by, dice)
    _letters(orders, dice)
    _messages(orders, dice)
    _shelf(jobs, lines, dice)


def _priced(pieces: int) -> dict[str, Any]:
    """Lines and taxes of a quote or invoice: pieces at 8.00, postage 4.70, tax of 20 %."""
    amount, postage = Decimal("8.00") * pieces, Decimal("4.70")
    tax = ((amount + postage) * Decimal("0.2")).quantize(Decimal("0.01"))
    lines = [
        {"kind": kind, "text": text, "reason": "", "quantity": number, "unit_price": str(each),
         "amount": str(amount_), "tax_rate": "20"}
        for kind, text, number, each, amount_ in (
            ("stencil", "Shore crab, 6 × 6 in", pieces, Decimal("8.00"), amount),
            ("postage", "Postage", 1, postage, postage),
        )
    ]  # fmt: skip
    return {
        "currency": "EUR", "tax_inclusive": False, "lines": lines,
        "taxes": [{"rate": "20", "base": str(amount + postage), "amount": str(tax)}],
        "subtotal": amount + postage, "total": amount + postage + tax,
    }  # fmt: skip


def _quotes(orders: list[Any]) -> None:
    from orders.models import Quote
    from pricing.first_sheet import first_price_sheet

    sheet = first_price_sheet()
    Quote.objects.bulk_create(
        (
            Quote(
                order=order, number=1, status="accepted", price_sheet=sheet, request=[],
                lead_working_days=5, valid_until=order.promise_on, accepted_at=order.accepted_at,
                **_priced(1 + order.pk % 7),
            )
            for order in orders
        ),
        batch_size=BATCH,
    )  # fmt: skip


def _money(
    orders: list[Any], sent: set[int], days: dict[int, Any], on: Any, by: Any, dice: random.Random
) -> None:
    """An invoice for each order that was sent, paid but for a few; others paid ahead."""
    from orders.models import Invoice, Payment

    invoices, payments = [], []
    for number, order in enumerate(orders, start=1):
        priced, day = _priced(1 + order.pk % 7), min(days.get(order.pk, on), on)
        if order.pk in sent:
            invoices.append(
                Invoice(
                    number=number, kind="invoice", order=order, issued_on=day,
                    due_on=day + timedelta(days=14), issued_by=by, seller="The Stencil Shed",
                    buyer=f"{order.ship_name}\n{order.ship_line1}", press=f"bench-{number}",
                    **priced,
                )
            )  # fmt: skip
        if dice.randrange(100) >= OWING_PERCENT:
            payments.append(
                Payment(
                    number=number, kind="payment", order=order, method="transfer", by=by,
                    amount=priced["total"], currency="EUR", paid_on=day, press=f"bench-{number}",
                )
            )  # fmt: skip
    Invoice.objects.bulk_create(invoices, batch_size=BATCH)
    Payment.objects.bulk_create(payments, batch_size=BATCH)


def _letters(orders: list[Any], dice: random.Random) -> None:
    from orders.models import Mail

    kinds = ("order-accepted", "job-cutting", "parcel-sent", "invoice")[:LETTERS_EACH]
    Mail.objects.bulk_create(
        (
            Mail(
                to=f"artist-{order.pk % 400}@reef.example", subject=f"Your order {order.code}",
                body="Dear artist,\n\n" + 20 * "the tide comes in and the stencil goes out. ",
                kind=kind, order=order, status="sent" if dice.random() < 0.999 else "failed",
            )
            for order in orders
            for kind in kinds
        ),
        batch_size=BATCH,
    )  # fmt: skip


def _messages(orders: list[Any], dice: random.Random) -> None:
    from django.utils import timezone

    from orders.models import Message

    now = timezone.now()
    Message.objects.bulk_create(
        (
            Message(
                order=order, role=dice.choice(("artist", "workshop")), text="Is it the small one?",
                seen_at=now if dice.random() < 0.99 else None, press=f"bench-{order.pk}",
            )
            for order in orders[::3]
        ),
        batch_size=BATCH,
    )  # fmt: skip


def _shelf(jobs: list[Any], lines: list[Any], dice: random.Random) -> None:
    from orders.models import Design, ShareLine, ShelfOffer, ShelfSale, ShelfSize

    designs = list(Design.objects.order_by("id").prefetch_related("versions")[1 : OFFERS + 1])
    offers = ShelfOffer.objects.bulk_create(
        ShelfOffer(
            design=design, artist_id=design.owner_id, share_percent=Decimal(20), consent_text="Yes."
        )
        for design in designs
    )
    ShelfSize.objects.bulk_create(
        ShelfSize(offer=offer, version=design.versions.all()[0])
        for offer, design in zip(offers, designs, strict=True)
    )
    sales = ShelfSale.objects.bulk_create(
        (
            ShelfSale(
                job=job, offer=dice.choice(offers), unit_price=Decimal("8.00"), currency="EUR",
                share_percent=Decimal(20), share_each=Decimal("1.60"),
            )
            for job in jobs[::SOLD_EVERY]
        ),
        batch_size=BATCH,
    )  # fmt: skip
    sold = {sale.job_id: sale for sale in sales}
    booked = ShareLine.objects.bulk_create(
        (
            ShareLine(
                kind="booked", sale=(sale := sold[line.job_id]), artist_id=sale.offer.artist_id,
                parcel_line=line, pieces=line.count, amount=sale.share_each * line.count,
                currency="EUR", booked_on=line.parcel.sent_on, press=f"bench-{line.pk}",
            )
            for line in lines
            if line.job_id in sold
        ),
        batch_size=BATCH,
    )  # fmt: skip
    _paid(booked)


def _paid(booked: list[Any]) -> None:
    """Mark every month but the last two as paid."""
    from orders.models import SharePayout

    sums: dict[tuple[int, Any], Decimal] = {}
    for line in booked:
        key = (line.artist_id, line.booked_on.replace(day=1))
        sums[key] = sums.get(key, Decimal(0)) + line.amount
    last = sorted({month for _, month in sums})[-2:]
    SharePayout.objects.bulk_create(
        SharePayout(
            artist_id=artist, month=month, amount=amount, currency="EUR", paid_on=month,
            press=f"bench-{artist}-{month}",
        )
        for (artist, month), amount in sums.items()
        if month not in last
    )  # fmt: skip
