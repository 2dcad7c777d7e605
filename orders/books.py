"""The books: what invoices and credit notes come to, by month, to the cent.

Tax is worked per rate on the sum of its lines (EN 16931), so it is shared out among them here:
each line its part rounded down to the minor unit, what is left over to the largest remainders, so
that the shares of a rate add up to its tax exactly.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import ROUND_FLOOR, Decimal
from typing import Any

from pricing.money import currency_decimals

from .models import Invoice, Payment, Quote

NOTHING = Decimal(0)
REVENUE, FILM, POSTAGE = "work", "film", "postage"
# A formula in a spreadsheet begins with one of these, also in full width; a name must not become
# one (OWASP, CSV Injection). Where lines are split at semicolons, as outside of English, a part
# of a name may begin a cell.
_BEGINS = '(?=[ \u00a0\u3000"]*[-=+@\t\r\uff0d\uff1d\uff0b\uff20])'
_FORMULA = re.compile(f"(^|[;\t\r\n|]){_BEGINS}")
_MADE_PLAIN = re.compile(f"(^|[;\t\r\n|])'{_BEGINS}")

Row = tuple[Any, ...]
COLUMNS = (
    "number",
    "kind",
    "issued",
    "order",
    "buyer",
    "currency",
    "what",
    "tax_rate",
    "net",
    "tax",
    "gross",
)
PAYMENT_COLUMNS = (
    "receipt",
    "kind",
    "paid",
    "order",
    "method",
    "reference",
    "currency",
    "amount",
)


@dataclass(frozen=True)
class Share:
    """One line of an invoice with its part of the tax; net + tax = gross."""

    what: str  # work, film or postage
    rate: Decimal
    net: Decimal
    tax: Decimal

    @property
    def gross(self) -> Decimal:
        return self.net + self.tax


@dataclass
class Month:
    """One month in one currency. Nets by what they are for, tax by rate, money in by how."""

    first: date
    currency: str
    net: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    tax: dict[Decimal, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    received: dict[str, Decimal] = field(default_factory=lambda: defaultdict(Decimal))
    invoices: int = 0

    @property
    def gross(self) -> Decimal:
        return sum(self.net.values(), NOTHING) + sum(self.tax.values(), NOTHING)

    @property
    def revenue(self) -> Decimal:
        """Everything without tax."""
        return sum(self.net.values(), NOTHING)


def shares_of(invoice: Invoice | Quote) -> list[Share]:
    """Return the lines of an invoice or quote, tax shared out; all gross is its total."""
    by_rate: dict[Decimal, list[dict[str, Any]]] = defaultdict(list)
    for line in invoice.lines:
        by_rate[Decimal(line["tax_rate"]).normalize()].append(line)
    taxes = {Decimal(tax["rate"]).normalize(): Decimal(tax["amount"]) for tax in invoice.taxes}
    shares = []
    for rate, lines in by_rate.items():
        amounts = [Decimal(line["amount"]) for line in lines]
        parts = _shared_out(taxes.get(rate, NOTHING), amounts, invoice.currency)
        for line, amount, tax in zip(lines, amounts, parts, strict=True):
            net = amount - tax if invoice.tax_inclusive else amount
            shares.append(Share(_what(line["kind"]), rate, net, tax))
    return shares


def months_of(invoices: Iterable[Invoice], payments: Iterable[Payment] = ()) -> list[Month]:
    """Return the months in which something was invoiced or paid, newest first."""
    months: dict[tuple[date, str], Month] = {}

    def month(on: date, currency: str) -> Month:
        key = (on.replace(day=1), currency)
        return months.setdefault(key, Month(*key))

    for invoice in invoices:
        of = month(invoice.issued_on, invoice.currency)
        of.invoices += 1
        for share in shares_of(invoice):
            of.net[share.what] += share.net
            if share.rate:
                of.tax[share.rate] += share.tax
    for payment in payments:
        of = month(payment.paid_on, payment.currency)
        of.received[payment.get_method_display()] += payment.amount
    return [months[key] for key in sorted(months, reverse=True)]


def invoice_rows(invoices: Iterable[Invoice]) -> list[Row]:
    """Return the rows of the CSV: one for what, at which rate, of every invoice."""
    rows: list[Row] = []
    for invoice in invoices:
        sums: dict[tuple[str, Decimal], list[Decimal]] = {}
        for share in shares_of(invoice):
            net_and_tax = sums.setdefault((share.what, share.rate), [NOTHING, NOTHING])
            net_and_tax[0] += share.net
            net_and_tax[1] += share.tax
        for (what, rate), (net, tax) in sums.items():
            rows.append(
                (
                    invoice.number,
                    invoice.kind,
                    invoice.issued_on.isoformat(),
                    invoice.order.code,
                    plain(invoice.buyer.splitlines()[0] if invoice.buyer else ""),
                    invoice.currency,
                    what,
                    f"{rate:f}",
                    *(_money(value, invoice.currency) for value in (net, tax, net + tax)),
                )
            )
    return rows


def payment_rows(payments: Iterable[Payment]) -> list[Row]:
    """Return the rows of the CSV of payments; corrections stand beside what they take back."""
    return [
        (
            row.number,
            row.kind,
            row.paid_on.isoformat(),
            row.order.code,
            row.method,
            plain(row.reference),
            row.currency,
            _money(row.amount, row.currency),
        )
        for row in payments
    ]


def plain(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula, whole or split at semicolons."""
    return _FORMULA.sub(r"\1'", text)


def typed(text: str) -> str:
    """Return what `plain` made a text of, from a CSV that comes back."""
    return _MADE_PLAIN.sub(r"\1", text)


def _what(kind: str) -> str:
    return {"film": FILM, "postage": POSTAGE}.get(kind, REVENUE)


def _money(amount: Decimal, currency: str) -> str:
    return f"{amount:.{currency_decimals(currency)}f}"


def _shared_out(tax: Decimal, amounts: list[Decimal], currency: str) -> list[Decimal]:
    """Parts of `tax` in proportion to amounts, whole minor units, adding up to it exactly."""
    total = sum(amounts, NOTHING)
    if total == 0:
        return [tax if i == 0 else NOTHING for i in range(len(amounts))]
    unit = Decimal(1).scaleb(-currency_decimals(currency))
    exact = [tax * amount / total for amount in amounts]
    parts = [value.quantize(unit, rounding=ROUND_FLOOR) for value in exact]
    left = int((tax - sum(parts, NOTHING)) / unit)
    by_remainder = sorted(range(len(parts)), key=lambda i: exact[i] - parts[i], reverse=True)
    for i in by_remainder[:left]:
        parts[i] += unit
    return parts
