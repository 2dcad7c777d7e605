"""Invoices, credit notes and receipts on paper, as they were issued."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal

from orders.dates import day_words
from orders.models import Invoice, Payment, Workshop
from pricing.money import format_money, format_percent

from .money_paper import BOLD, SMALL, Line, MoneyPaper
from .quote_print import add_lines

RECEIPT_TITLES = {
    Payment.Kind.DEPOSIT: "Receipt",
    Payment.Kind.PAYMENT: "Receipt",
    Payment.Kind.REFUND: "Refund",
    Payment.Kind.CORRECTION: "Correction",
}


def render(invoice: Invoice, *, paper: str = "a4") -> bytes:
    """Return an invoice or credit note as a PDF on "a4" or "letter".

    It says what EN 16931 asks of an invoice: number, day, seller, buyer, lines, base and tax per
    rate, total without and with tax, what was paid on the day of issue and what is due.
    """
    is_credit = invoice.kind == Invoice.Kind.CREDIT
    title = f"{'Credit note' if is_credit else 'Invoice'} {invoice.number}"
    seller, _, address = invoice.seller.partition("\n")
    sheet = MoneyPaper(paper, title, seller)
    facts = [("Issued", day_words(invoice.issued_on)), ("Order", invoice.order.code)]
    if invoice.corrects is not None:
        facts.append(("Takes back from", f"invoice {invoice.corrects.number}"))
    else:
        facts.append(("Due", day_words(invoice.due_on)))
    sheet.head(seller, address, facts)
    sheet.address("For", invoice.buyer.splitlines())
    add_lines(sheet, invoice.lines, invoice.currency)
    _sums(sheet, invoice)
    if not is_credit:
        _due(sheet, invoice)
    return sheet.to_bytes()


def render_receipt(payment: Payment, *, paper: str = "a4") -> bytes:
    """Return the receipt of a payment, a refund or a correction as a PDF."""
    workshop, order = Workshop.current(), payment.order
    title = f"{RECEIPT_TITLES[Payment.Kind(payment.kind)]} {payment.number}"
    sheet = MoneyPaper(paper, title, workshop.name)
    facts = [("Paid on", day_words(payment.paid_on)), ("Order", order.code)]
    facts += [("Paid by", payment.get_method_display())]
    facts += [("Reference", payment.reference)] if payment.reference else []
    address = "\n".join(part for part in (workshop.address, workshop.tax_number) if part)
    sheet.head(workshop.name, address, facts)
    sheet.address("From", [order.ship_name or str(order.artist or "")])
    invoice = order.invoices.filter(kind=Invoice.Kind.INVOICE).first()
    about = f"For order {order.code}" + (f", invoice {invoice.number}" if invoice else "")
    amount = format_money(payment.amount, payment.currency)
    what = payment.get_kind_display().capitalize()
    if payment.counters is not None:
        what = f"Takes back receipt {payment.counters.number}"
    sheet.row(Line(what, f"{about}. {payment.why}".strip(), amount))
    sheet.total("Received" if payment.amount >= 0 else "Paid back", amount)
    return sheet.to_bytes()


def _sums(sheet: MoneyPaper, invoice: Invoice) -> None:
    """Base and tax of each rate, then the sums with and without tax."""
    sheet.gap(2)
    tax_sum = Decimal(0)
    for tax in invoice.taxes:
        base, amount = Decimal(tax["base"]), Decimal(tax["amount"])
        tax_sum += amount
        net = base - amount if invoice.tax_inclusive else base
        rate = format_percent(Decimal(tax["rate"]))
        told = f"Without tax at {rate}: {format_money(net, invoice.currency)}"
        sheet.row(Line(f"Tax {rate}", told, format_money(amount, invoice.currency)))
    net = invoice.total - tax_sum
    sheet.row(Line("Total without tax", "", format_money(net, invoice.currency)))
    if invoice.tax_inclusive:
        sheet.words("The amounts of the lines hold their tax.", SMALL)
    sheet.total("Total", format_money(invoice.total, invoice.currency))


def _due(sheet: MoneyPaper, invoice: Invoice) -> None:
    """What had been paid when the invoice was issued, and what is due; a later copy is the same."""
    by_method: dict[str, Decimal] = defaultdict(Decimal)
    for payment in invoice.order.payments.filter(at__lte=invoice.issued_at):
        by_method[payment.get_method_display()] += payment.amount
    paid = sum(by_method.values(), Decimal(0))
    for method, amount in by_method.items():
        if amount:
            sheet.row(Line(f"Paid before, {method}", "", format_money(-amount, invoice.currency)))
    due = format_money(invoice.total - paid, invoice.currency)
    sheet.row(Line(f"Due by {day_words(invoice.due_on)}", "", due), bold=True)
    for line in invoice.pay_to.splitlines():
        sheet.words(line, BOLD, after_mm=0)
    sheet.words(f"Please name invoice {invoice.number} when you pay.", SMALL)
