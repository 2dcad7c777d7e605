"""Payments: what came in and went back, what is owed, and whether a job may be queued unpaid."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import FloatField, Model, OuterRef, Subquery, Sum
from django.db.models.functions import Abs, Cast, Coalesce
from django.utils import timezone

from pricing.money import format_money, round_money

from .errors import RefusedError
from .models import Event, Invoice, Job, Order, Payment, Quote, Workshop
from .models.jobs import CALLED_OFF
from .numbers import next_number
from .workflow import Actor, record

NOTHING = Decimal(0)
HUNDRED = Decimal(100)
AT_ONCE = 2000  # orders in one question to the database
ROUNDING = 0.00005  # half of the last decimal that amounts are kept with


@dataclass(frozen=True)
class Account:
    """How an order stands in money. `owed` below nothing is to be paid back."""

    order_id: int
    currency: str
    charged: Decimal
    paid: Decimal
    since: date | None

    @property
    def owed(self) -> Decimal:
        return self.charged - self.paid

    @property
    def settled(self) -> bool:
        return self.owed == 0


def account_of(order: Order) -> Account:
    """Return how one order stands. Reads ``quotes``, ``invoices``, ``payments`` and ``jobs``.

    What is charged is what was invoiced, less credit notes; before an invoice the accepted quote,
    and nothing once every job of it was called off.
    """
    rows = (order.quotes.all(), order.invoices.all(), order.payments.all(), order.jobs.all())
    return _account(order.pk, *rows)


def unsettled_accounts() -> list[Account]:
    """Return the accounts of orders on which something is owed, either way, the oldest first.

    The database, whose sums may be rounded, says which orders come into question; what is owed is
    worked out in decimals.
    """
    invoiced, paid = _sum_of(Invoice, "total"), _sum_of(Payment, "amount")
    accepted = Quote.objects.filter(order=OuterRef("pk"), status=Quote.Status.ACCEPTED)
    charged = Coalesce(invoiced, Cast(Subquery(accepted.values("total")), FloatField()), 0.0)
    orders = Order.objects.filter(accepted_at__isnull=False).order_by("accepted_at", "pk")
    orders = orders.annotate(off_by=Abs(charged - Coalesce(paid, 0.0))).filter(off_by__gt=ROUNDING)
    found = list(orders.values_list("pk", flat=True))
    # rows of a few columns each: thousands of whole objects would take a second
    quotes = _of(found, Quote, "status", "currency", "total", "accepted_at")
    invoices = _of(found, Invoice, "kind", "total", "issued_on")
    payments, jobs = _of(found, Payment, "amount"), _of(found, Job, "status")
    accounts = (_account(pk, quotes[pk], invoices[pk], payments[pk], jobs[pk]) for pk in found)
    return [account for account in accounts if not account.settled]


def pay(
    order: Order,
    amount: Decimal,
    actor: Actor,
    *,
    kind: str,
    method: str,
    paid_on: date,
    press: str,
    reference: str = "",
) -> Payment:
    """Record money that came in, or a refund (also a positive amount) that went back.

    ``press`` names the form, so that pressing twice records once. Raises RefusedError for an
    amount that is nothing, a refund of more than was paid, a day to come, or what looks like the
    number of a card.
    """
    if kind not in (Payment.Kind.DEPOSIT, Payment.Kind.PAYMENT, Payment.Kind.REFUND):
        raise RefusedError("Say if it is a deposit, a payment or a refund.")
    if method not in Payment.Method.values:
        raise RefusedError("Say how it was paid.")
    if paid_on > timezone.localdate():
        raise RefusedError("That day is still to come; record it when the money is there.")
    refuse_card_number(reference)
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        before = Payment.objects.filter(press=press).first()
        if before is not None:
            return before
        account = account_of(order)
        if not account.currency:
            raise RefusedError("There is no accepted quote yet, so nothing can be paid.")
        amount = round_money(amount, account.currency)
        if amount <= 0:
            raise RefusedError("Enter an amount above nothing.")
        if kind == Payment.Kind.REFUND:
            if amount > account.paid:
                paid = format_money(account.paid, account.currency)
                raise RefusedError(f"Only {paid} was paid; no more than that can go back.")
            amount = -amount
        return _add(
            order,
            actor,
            kind=kind,
            method=method,
            amount=amount,
            currency=account.currency,
            paid_on=paid_on,
            reference=reference.strip(),
            press=press,
        )


def correct(payment: Payment, actor: Actor, *, why: str) -> Payment:
    """Take a row entered by mistake back by a counter-entry. Pressing twice is the same as once."""
    if not why.strip():
        raise RefusedError("Say what was wrong; it stays beside the entry.")
    refuse_card_number(why)
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=payment.order_id)
        before = Payment.objects.filter(counters=payment).first()
        if before is not None:
            return before
        if payment.kind == Payment.Kind.CORRECTION:
            raise RefusedError("A correction is not corrected; record the payment anew.")
        return _add(
            order,
            actor,
            kind=Payment.Kind.CORRECTION,
            method=payment.method,
            amount=-payment.amount,
            currency=payment.currency,
            paid_on=timezone.localdate(),
            why=why.strip()[:300],
            counters=payment,
            press=f"counters-{payment.pk}",
        )


def refuse_card_number(text: str) -> None:
    """Raise RefusedError for digits that could be a card's number (ISO/IEC 7812-1: 12 to 19
    digits whose Luhn sum ends in 0). No card data ever enters the system."""
    for digits in re.findall(r"\d(?:[ -]?\d){11,18}", text):
        numbers = [int(digit) for digit in re.sub(r"\D", "", digits)][::-1]
        doubled = [n if i % 2 == 0 else sum(divmod(2 * n, 10)) for i, n in enumerate(numbers)]
        if sum(doubled) % 10 == 0:
            raise RefusedError(
                "That looks like the number of a card. Card data never goes in here; "
                "write the terminal's slip number or leave it empty."
            )


def unpaid_words(order: Order) -> str:
    """Return "unpaid: USD 17.70" where something asked for before queueing is missing, else ""."""
    account = account_of(order)
    if not account.currency:
        return ""
    share = Decimal(Workshop.current().paid_before_queue_percent) / HUNDRED
    missing = round_money(account.charged * share, account.currency) - account.paid
    return f"unpaid: {format_money(missing, account.currency)}" if missing > 0 else ""


def held_back() -> bool:
    """Whether the workshop holds jobs back until they are paid."""
    return Workshop.current().hold_unpaid


def _sum_of(rows: type[Invoice] | type[Payment], amount: str) -> Subquery:
    """Return the sum of an order's rows; None where it has none."""
    of_order = rows.objects.filter(order=OuterRef("pk")).order_by().values("order")
    return Subquery(of_order.annotate(sum=Cast(Sum(amount), FloatField())).values("sum"))


def _of(orders: list[int], rows: type[Model], *names: str) -> dict[int, list[Any]]:
    """Return the rows of each order, as tuples with these names."""
    found: dict[int, list[Any]] = defaultdict(list)
    for start in range(0, len(orders), AT_ONCE):
        some = rows._default_manager.filter(order__in=orders[start : start + AT_ONCE])
        for row in some.values_list("order_id", *names, named=True):
            found[row.order_id].append(row)
    return found


def _account(
    order_id: int,
    quotes: Iterable[Any],
    invoices: Iterable[Any],
    payments: Iterable[Any],
    jobs: Iterable[Any],
) -> Account:
    quote = next((q for q in quotes if q.status == Quote.Status.ACCEPTED), None)
    paid = sum((payment.amount for payment in payments), NOTHING)
    if quote is None:
        return Account(order_id, "", NOTHING, paid, None)
    papers = list(invoices)
    if papers:
        charged = sum((paper.total for paper in papers), NOTHING)
        first = next(paper for paper in papers if paper.kind == Invoice.Kind.INVOICE)
        return Account(order_id, quote.currency, charged, paid, first.issued_on)
    statuses = [job.status for job in jobs]
    off = bool(statuses) and all(status in CALLED_OFF for status in statuses)
    since = timezone.localdate(quote.accepted_at) if quote.accepted_at else None
    return Account(order_id, quote.currency, NOTHING if off else quote.total, paid, since)


def _add(order: Order, actor: Actor, **values: object) -> Payment:
    payment = Payment.objects.create(
        number=next_number("receipt"), order=order, by=actor.person, **values
    )
    amount = format_money(payment.amount, payment.currency)
    told = f"receipt {payment.number}, {payment.get_method_display()}: {amount}"
    record(Event.Life.ORDER, str(payment.kind), actor, order=order, why=told)
    return payment
