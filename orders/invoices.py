"""Invoices and credit notes: a copy of the accepted quote, numbered, never altered.

What an invoice must say follows EN 16931 (number, issue date, seller, buyer, lines, base and tax
per rate, total, amount due). A credit note takes a part or all of it back, at the rates it bore.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.db import transaction

from pricing.money import format_money, format_percent, round_money

from .dates import today
from .errors import RefusedError
from .models import Event, Invoice, Order, Quote, Workshop
from .numbers import next_number
from .workflow import Actor, record

HUNDRED = Decimal(100)


def accepted_quote(order: Order) -> Quote | None:
    """Return the quote that an order was accepted by, if it was."""
    return order.quotes.filter(status=Quote.Status.ACCEPTED).first()


def issue(order: Order, actor: Actor, *, press: str) -> Invoice:
    """Issue the invoice of an accepted order; pressing twice returns the first one."""
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        existing = order.invoices.filter(kind=Invoice.Kind.INVOICE).first()
        if existing is not None:
            return existing
        quote = accepted_quote(order)
        if quote is None:
            raise RefusedError("There is no accepted quote yet, so there is nothing to invoice.")
        return _issue(
            order,
            actor,
            press,
            Invoice.Kind.INVOICE,
            currency=quote.currency,
            tax_inclusive=quote.tax_inclusive,
            lines=quote.lines,
            taxes=quote.taxes,
            subtotal=quote.subtotal,
            total=quote.total,
        )


def credit(
    invoice: Invoice, gross: Decimal, rate: Decimal, actor: Actor, *, why: str, press: str
) -> Invoice:
    """Issue a credit note over `gross`, tax included, at one of the invoice's rates.

    Raises RefusedError for nothing, for more than is left of the invoice at that rate, a rate it
    does not have, or no reason.
    """
    if not why.strip():
        raise RefusedError("Say what is taken back and why; it stands on the credit note.")
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=invoice.order_id)
        before = Invoice.objects.filter(press=press).first()
        if before is not None:
            return before
        left = gross_by_rate(order)
        gross = round_money(gross, invoice.currency)
        if rate not in left:
            rates = ", ".join(format_percent(known) for known in left)
            raise RefusedError(f"The invoice has no tax of {format_percent(rate)}, only {rates}.")
        if not 0 < gross <= left[rate]:
            most = format_money(left[rate], invoice.currency)
            raise RefusedError(f"At {format_percent(rate)} there are {most} left to take back.")
        return _issue(
            order,
            actor,
            press,
            Invoice.Kind.CREDIT,
            corrects=invoice,
            why=why.strip(),
            currency=invoice.currency,
            tax_inclusive=invoice.tax_inclusive,
            **_credited(invoice, gross, rate, why.strip()),
        )


def gross_by_rate(order: Order) -> dict[Decimal, Decimal]:
    """Return what is left of an order's invoice, tax included, by tax rate."""
    left: dict[Decimal, Decimal] = {}
    for invoice in order.invoices.all():
        for tax in invoice.taxes:
            base, amount = Decimal(tax["base"]), Decimal(tax["amount"])
            gross = base if invoice.tax_inclusive else base + amount
            rate = Decimal(tax["rate"]).normalize()
            left[rate] = left.get(rate, Decimal(0)) + gross
    return left


def _credited(invoice: Invoice, gross: Decimal, rate: Decimal, why: str) -> dict[str, Any]:
    """The one line of a credit note and its tax; base and tax add up to the gross exactly."""
    tax = round_money(gross * rate / (HUNDRED + rate), invoice.currency)
    base = gross if invoice.tax_inclusive else gross - tax
    name = next((str(t["text"]).split(" ", 1)[0] for t in invoice.taxes), "Tax")
    joint = "held in" if invoice.tax_inclusive and rate else "on"
    text = f"{name} {format_percent(rate)} {joint} {format_money(-base, invoice.currency)}"
    line = {
        "kind": "credit",
        "text": f"Taken back from invoice {invoice.number}",
        "reason": why,
        "quantity": "1",
        "unit_price": f"{-base:f}",
        "amount": f"{-base:f}",
        "tax_rate": f"{rate:f}",
    }
    return {
        "lines": [line],
        "taxes": [{"text": text, "rate": f"{rate:f}", "base": f"{-base:f}", "amount": f"{-tax:f}"}],
        "subtotal": -base,
        "total": -gross,
    }


def _issue(order: Order, actor: Actor, press: str, kind: str, **values: Any) -> Invoice:
    workshop = Workshop.current()
    seller = [workshop.name, *workshop.address.splitlines()]
    seller += [workshop.tax_number] if workshop.tax_number else []
    buyer = order.address_lines or [str(order.artist or "")]
    invoice = Invoice.objects.create(
        number=next_number("invoice"),
        kind=kind,
        order=order,
        issued_on=today(),
        due_on=today() + timedelta(days=workshop.pay_within_days),
        issued_by=actor.person,
        seller="\n".join(seller),
        buyer="\n".join(buyer),
        pay_to=workshop.pay_to,
        press=press,
        **values,
    )
    told = f"{invoice.get_kind_display()} {invoice.number}"
    amount = format_money(invoice.total, invoice.currency)
    record(Event.Life.ORDER, kind, actor, order=order, why=f"{told}: {amount}")
    return invoice
