"""The statement of an artist's shares of one month on paper; nothing in it of who bought."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from orders.dates import day_words
from orders.models import Person, ShareLine, SharePayout, Workshop
from orders.shelf_money import Statement, payees
from orders.templatetags.holdfast import size_short
from orders.words import counted
from pricing.money import format_money, format_percent, format_price

from .money_paper import SMALL, Line, MoneyPaper

_EXPLAINED = (
    "A piece counts in the month in which it was sent. The share is worked out for each piece from "
    "the price of its size in that order, without tax, and rounded to the smallest coin."
)


def render(
    artist: Person, statements: Sequence[Statement], *, printed_on: date, paper: str = "a4"
) -> bytes:
    """Return one month of one artist, a statement for each currency, as a PDF.

    paper: "a4" or "letter". printed_on is told, as marks of what was paid may follow. Raises
    RefusedError with one sentence for an unknown paper.
    """
    workshop, month = Workshop.current(), statements[0].month
    sheet = MoneyPaper(paper, f"Shares of {month:%B %Y}", workshop.name)
    address = "\n".join(part for part in (workshop.address, workshop.tax_number) if part)
    facts = [("Month", f"{month:%B %Y}"), ("As it stood on", day_words(printed_on))]
    sheet.head(workshop.name, address, facts)
    payee = payees([artist]).get(artist.pk)
    sheet.address("For", [(payee.name if payee else "") or str(artist)])
    for statement in statements:
        _statement(sheet, statement)
    sheet.words(_EXPLAINED, SMALL)
    return sheet.to_bytes()


def _statement(sheet: MoneyPaper, statement: Statement) -> None:
    """What was booked line by line, what was marked as paid, and what is still to come."""
    currency = statement.currency
    for line in statement.lines:
        sheet.row(_booked(line, currency))
    booked = format_money(statement.booked, currency)
    pieces = f"In all, {counted(statement.pieces, 'piece')}"
    sheet.row(Line(pieces, "", booked), bold=True)
    for payout in statement.payouts:
        sheet.row(_paid(payout, currency))
    owed = format_money(statement.owed, currency)
    sheet.total("Still to come" if statement.owed >= 0 else "Set off against other months", owed)
    sheet.gap(3)


def _booked(line: ShareLine, currency: str) -> Line:
    sale, version = line.sale, line.sale.job.version
    each = (
        f"{format_percent(sale.share_percent)} of {format_price(sale.unit_price, currency)}, "
        f"{format_money(sale.share_each, currency)} each"
    )
    happened = "taken back" if line.kind == ShareLine.Kind.BACK else "sent"
    why = f". {line.why}" if line.why else ""
    return Line(
        f"{abs(line.pieces)} × {version.design.title}, {size_short(version.blank)}",
        f"{happened} {day_words(line.booked_on)}; {each}{why}",
        format_money(line.amount, currency),
    )


def _paid(payout: SharePayout, currency: str) -> Line:
    if payout.counters_id is not None:
        words = "The mark as paid was taken back"
    else:
        words = "Paid" if payout.amount > 0 else "Set off"
    reference = f"Reference: {payout.reference}" if payout.reference else ""
    when = day_words(payout.paid_on)
    return Line(f"{words}, {when}", reference, format_money(-payout.amount, currency))
