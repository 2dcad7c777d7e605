"""Payments: what came in and went back, what is owed, and whether a job may be queued unpaid."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from pricing.money import format_money, round_money

from .errors import RefusedError
from .models import Event, Invoice, Order, Payment, Quote, Workshop
from .models.jobs import CALLED_OFF
from .numbers import next_number
from .workflow import Actor, record

NOTHING = Decimal(0)
HUNDRED = Decimal(100)


@dataclass(frozen=True)
class Account:
    """How an order stands in money. `owed` below nothing is to be paid back."""

    order: Order
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
    """Return how one order stands."""
    return accounts_of([order])[0]


def accounts_of(orders: Iterable[Order]) -> list[Account]:
    """Return how orders stand. Reads ``quotes``, ``invoices``, ``payments`` and ``jobs``.

    What is charged is what was invoiced, less credit notes; before an invoice the accepted quote,
    and nothing once every job of it was called off.
    """
    return [_account(order) for order in orders]


def all_accounts() -> list[Account]:
    """Return the accounts of all accepted orders, read in a few queries."""
    rows = Order.objects.filter(accepted_at__isnull=False).select_related("artist")
    rows = rows.prefetch_related("quotes", "invoices", "payments", "jobs").order_by("accepted_at")
    return accounts_of(rows)


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


def _account(order: Order) -> Account:
    quote = next((q for q in order.quotes.all() if q.status == Quote.Status.ACCEPTED), None)
    invoices, payments = list(order.invoices.all()), list(order.payments.all())
    paid = sum((payment.amount for payment in payments), NOTHING)
    if quote is None:
        return Account(order, "", NOTHING, paid, None)
    if invoices:
        charged = sum((invoice.total for invoice in invoices), NOTHING)
        first = next(i for i in invoices if i.kind == Invoice.Kind.INVOICE)
        return Account(order, quote.currency, charged, paid, first.issued_on)
    jobs = list(order.jobs.all())
    off = bool(jobs) and all(job.status in CALLED_OFF for job in jobs)
    since = timezone.localdate(quote.accepted_at) if quote.accepted_at else None
    return Account(order, quote.currency, NOTHING if off else quote.total, paid, since)


def _add(order: Order, actor: Actor, **values: object) -> Payment:
    payment = Payment.objects.create(
        number=next_number("receipt"), order=order, by=actor.person, **values
    )
    amount = format_money(payment.amount, payment.currency)
    told = f"receipt {payment.number}, {payment.get_method_display()}: {amount}"
    record(Event.Life.ORDER, str(payment.kind), actor, order=order, why=told)
    return payment
