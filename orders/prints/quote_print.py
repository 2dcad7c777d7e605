"""The quote on paper: each line with its reason, as it was frozen."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from orders.dates import day_words
from orders.models import Quote, Workshop
from orders.outbox import absolute
from orders.quote_shown import DrawingShown, drawings_of
from orders.templatetags.holdfast import size_words, times_sign
from orders.words import counted
from pricing.money import format_money

from .money_paper import SMALL, Line, MoneyPaper


def render(quote: Quote, *, paper: str = "a4") -> bytes:
    """Return a quote as a PDF on "a4" or "letter"; the same rows give the same bytes.

    Raises RefusedError with one sentence for an unknown paper.
    """
    order, workshop = quote.order, Workshop.current()
    sheet = MoneyPaper(paper, f"Quote {order.code}/{quote.number}", workshop.name)
    facts = [
        ("Made", day_words(quote.created_at)),
        ("Good until", day_words(quote.valid_until)),
        ("Ready", f"{counted(quote.lead_working_days, 'working day')} after you accept"),
        ("Comes to you", order.get_delivery_display()),
        ("State", quote.get_status_display()),
    ]
    sheet.head(workshop.name, workshop.address, facts)
    name = order.ship_name or str(order.artist or "")
    lines = order.address_lines if order.delivery == "post" else [name]
    sheet.address("For", lines or [name])
    for drawing in drawings_of(quote):
        _drawing(sheet, drawing)
    if order.note:
        sheet.words(f"Your note: “{order.note}”", SMALL)
    sheet.gap(3)
    add_lines(sheet, quote.lines, quote.currency)
    add_taxes(sheet, quote.taxes, quote.currency, inclusive=quote.tax_inclusive)
    sheet.total("In all", format_money(quote.total, quote.currency))
    for sentence in (quote.lead_reason, *(hint["words"] for hint in quote.hints)):
        sheet.words(times_sign(sentence), SMALL)
    sheet.words(f"To accept it or to ask: {absolute(f'/quote/{quote.token}/')}", SMALL)
    return sheet.to_bytes()


def add_lines(sheet: MoneyPaper, lines: list[dict[str, Any]], currency: str) -> None:
    """Set the frozen lines of a quote or an invoice with their reasons."""
    for line in lines:
        amount = format_money(Decimal(line["amount"]), currency)
        sheet.row(Line(times_sign(line["text"]), times_sign(line["reason"]), amount))


def add_taxes(
    sheet: MoneyPaper, taxes: list[dict[str, Any]], currency: str, *, inclusive: bool
) -> None:
    """Set the tax lines; tax that the prices hold is shown as held, and adds nothing."""
    for tax in taxes:
        if Decimal(tax["rate"]) == 0:
            continue
        amount = format_money(Decimal(tax["amount"]), currency)
        sheet.row(Line(tax["text"], "", f"holds {amount}" if inclusive else amount))


def _drawing(sheet: MoneyPaper, drawing: DrawingShown) -> None:
    version = drawing.version
    kind = "mask" if version.mode == "mask" else "stencil"
    bag = ", with the cut-outs" if drawing.with_cut_outs else ""
    sheet.words(f"{drawing.quantity} × {version.design.title}", after_mm=0)
    sheet.words(
        f"{size_words(version.blank)}, as a {kind}{bag}, version {version.number}, {drawing.film}",
        SMALL,
    )
    for sentence in drawing.sentences:
        sheet.words(f"Mind: {sentence}", SMALL)
