"""The books add up to the invoices to the cent, whatever was sold, credited and paid."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from orders import books
from orders.invoices import _credited
from pricing.money import currency_decimals, round_money
from pricing.quote import QuoteRequest, quote
from tests.pricing.examples import SHEET, item
from tests.pricing.test_quote_rules import price_sheets

CENT = {"USD": Decimal("0.01"), "JPY": Decimal(1), "KWD": Decimal("0.001")}


def invoice_of(result: Any, number: int, on: date) -> Any:
    """What `orders.invoices.issue` copies of a quote, without a database."""
    frozen = result.to_json()
    return SimpleNamespace(
        number=number,
        kind="invoice",
        issued_on=on,
        order=SimpleNamespace(code=f"AB{number:03d}"),
        buyer="Wren Saltmarsh\n3 Quay Steps",
        currency=result.currency,
        tax_inclusive=result.tax_inclusive,
        lines=frozen["lines"],
        taxes=frozen["tax_lines"],
        total=result.total,
        subtotal=result.subtotal,
    )


def credit_of(invoice: Any, number: int, gross: Decimal, rate: Decimal) -> Any:
    values = _credited(invoice, gross, rate, "Spoiled.")
    return SimpleNamespace(**(vars(invoice) | values | {"number": number, "kind": "credit"}))


@st.composite
def histories(draw: st.DrawFn) -> list[Any]:
    """Invoices over three months from sheets of any price, tax and currency; some credited."""
    rows: list[Any] = []
    for _ in range(draw(st.integers(1, 4))):
        sheet = draw(price_sheets())
        request = QuoteRequest(
            [item(draw(st.integers(1, 60))), item(draw(st.integers(1, 9)), "4x4in")],
            {"clear": draw(st.integers(0, 5))},
        )
        on = date(2026, draw(st.integers(1, 3)), draw(st.integers(1, 28)))
        invoice = invoice_of(quote(request, sheet), len(rows) + 1, on)
        rows.append(invoice)
        if invoice.total > 0 and draw(st.booleans()):
            tax = invoice.taxes[0]
            share = draw(st.decimals(min_value=0, max_value=1, places=3))
            gross = round_money(Decimal(tax["base"]) * share, invoice.currency)
            rows.append(credit_of(invoice, len(rows) + 1, gross, Decimal(tax["rate"])))
    return rows


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=histories())
def test_the_csv_sums_to_the_invoices_to_the_cent(rows: list[Any]) -> None:
    """Read back from its text: per invoice, and per month and currency, net, tax and gross."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(books.COLUMNS)
    writer.writerows(books.invoice_rows(rows))
    read = list(csv.DictReader(io.StringIO(out.getvalue())))
    for row in rows:
        mine = [line for line in read if int(line["number"]) == row.number]
        assert sum(Decimal(line["gross"]) for line in mine) == row.total
        tax = sum(Decimal(tax["amount"]) for tax in row.taxes)
        assert sum(Decimal(line["tax"]) for line in mine) == tax
        assert all(Decimal(x["net"]) + Decimal(x["tax"]) == Decimal(x["gross"]) for x in mine)
    for month in books.months_of(rows):
        of_month = [
            row
            for row in rows
            if row.issued_on.replace(day=1) == month.first and row.currency == month.currency
        ]
        assert month.gross == sum(row.total for row in of_month)
        taxes = [Decimal(tax["amount"]) for row in of_month for tax in row.taxes]
        assert sum(month.tax.values()) == sum(taxes)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=histories())
def test_no_line_bears_tax_of_a_unit_more_or_less_than_its_share(rows: list[Any]) -> None:
    """Each share is within one minor unit of its exact part (ISO 4217: 2, 0 and 3 decimals)."""
    for row in rows:
        taxes = {Decimal(t["rate"]).normalize(): t for t in row.taxes}
        for share in books.shares_of(row):
            if share.rate not in taxes or Decimal(taxes[share.rate]["base"]) == 0:
                continue
            tax = taxes[share.rate]
            amount = share.gross if row.tax_inclusive else share.net
            exact = Decimal(tax["amount"]) * amount / Decimal(tax["base"])
            assert abs(share.tax - exact) < CENT[row.currency]
            assert share.tax % CENT[row.currency] == 0
            assert currency_decimals(row.currency) >= -share.net.normalize().as_tuple().exponent


def test_a_month_by_hand() -> None:
    """EUR, 20 % held, postage 5 %: 5 x 6.80 + 6.00 + 0.50 = 40.50 work and 1.90 film = 42.40 hold
    7.0666 -> 7.07; shares of 7.07: work 34.00 -> 5.669, 6.00 -> 1.0005, 0.50 -> 0.0834, film
    1.90 -> 0.3168; floors 5.66 + 1.00 + 0.08 + 0.31 = 7.05, 0.02 left: to 34.00 (.9) and film (.68)
    -> work 5.67 + 1.00 + 0.08 = 6.75, film 0.32. Postage 4.50 holds 0.2142 -> 0.21."""
    sheet = replace(
        SHEET,
        currency="EUR",
        tax_rate=Decimal(20),
        postage_tax_rate=Decimal(5),
        tax_inclusive=True,
    )
    result = quote(QuoteRequest([item(5)], {"clear": 1}), sheet)
    (month,) = books.months_of([invoice_of(result, 1, date(2026, 2, 3))])
    assert dict(month.net) == {
        "work": Decimal("33.75"),
        "film": Decimal("1.58"),
        "postage": Decimal("4.29"),
    }
    assert dict(month.tax) == {Decimal(20): Decimal("7.07"), Decimal(5): Decimal("0.21")}
    assert month.gross == result.total == Decimal("46.90")


def test_names_are_no_formulas_in_a_spreadsheet() -> None:
    """OWASP, CSV injection: a cell that begins with = + - @ is read as a formula."""
    assert books.plain("=HYPERLINK(1)") == "'=HYPERLINK(1)"
    assert books.plain("Wren = Saltmarsh") == "Wren = Saltmarsh"


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("=1+1", "'=1+1"),
        ("\t=1", "'\t'=1"),
        (" -2", "' -2"),
        ("Moon;=1+1", "Moon;'=1+1"),  # a cell of its own where lines are split at semicolons
        ('Moon; "@sum"', 'Moon;\' "@sum"'),
        ("two\r\n+3", "two\r\n'+3"),
        ("\uff1dSUM(1)", "'\uff1dSUM(1)"),  # full width
        ("Jack-by-the-hedge; a study", "Jack-by-the-hedge; a study"),
        ("'tis", "'tis"),
        ("", ""),
    ],
)
def test_no_text_is_a_formula_wherever_its_line_is_split(text: str, plain: str) -> None:
    """After OWASP, CSV Injection; what is read back is as it was typed."""
    assert books.plain(text) == plain
    assert books.typed(plain) == text
