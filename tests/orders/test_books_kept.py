"""The books that are kept by month are those that the rows come to, whatever is added when."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from orders import books, books_kept, invoices, payments, quoting, upkeep, workflow
from orders.dates import today
from orders.models import Invoice, Payment
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def empty_cache() -> None:
    cache.clear()
    factories.price_sheet()


def sold(artist: Actor, cutter: Actor, days_ago: int, *, pieces: int = 2) -> Any:
    """An order with its invoice and payment, moved to a day in the past."""
    order = factories.make_order(placed=True)
    factories.make_line(order, quantity=pieces)
    workflow.accept(quoting.make_quote(order, artist), artist)
    order.refresh_from_db()
    invoice = invoices.issue(order, cutter, press=f"invoice {order.pk}")
    payments.pay(
        order, invoice.total, cutter,
        kind="payment", method="cash", paid_on=today(), press=f"paid {order.pk}",
    )  # fmt: skip
    on = today() - timedelta(days=days_ago)
    # rows of money are never altered through Django; a test makes them old beneath it
    with connection.cursor() as cursor:
        for table, day in (("orders_invoice", "issued_on"), ("orders_payment", "paid_on")):
            cursor.execute(f"UPDATE {table} SET {day} = %s WHERE order_id = %s", [on, order.pk])
    return invoice


def all_rows() -> list[books.Month]:
    return books.months_of(Invoice.objects.order_by("number"), Payment.objects.order_by("number"))


def test_kept_months_are_those_of_the_rows(artist: Actor, cutter: Actor) -> None:
    assert books_kept.books() == []
    for days_ago in (0, 20, 40, 400):
        sold(artist, cutter, days_ago)
        assert books_kept.books() == all_rows()
    assert books_kept.books() == all_rows()


def test_a_credit_note_and_a_refund_change_their_month(artist: Actor, cutter: Actor) -> None:
    invoice = sold(artist, cutter, 0)
    (before,) = books_kept.books()
    gross = Decimal("1.00")
    invoices.credit(invoice, gross, Decimal(0), cutter, why="Late.", press="c")
    payments.pay(
        invoice.order, gross, cutter, kind="refund", method="cash", paid_on=today(), press="r"
    )
    (after,) = books_kept.books()
    assert after.gross == before.gross - gross
    assert after.received["cash"] == before.received["cash"] - gross
    assert after.invoices == 2


def test_another_month_of_the_same_size_is_not_taken_for_it(artist: Actor, cutter: Actor) -> None:
    """As after a restore: as many rows, of other sums or of another moment."""
    sold(artist, cutter, 0, pieces=2)
    books_kept.books()
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM orders_payment")
        cursor.execute("DELETE FROM orders_invoice")
        cursor.execute("DELETE FROM orders_counter")
    sold(artist, cutter, 0, pieces=3)
    assert books_kept.books() == all_rows()


def test_the_year_ends_where_it_ends(artist: Actor, cutter: Actor) -> None:
    """The last day of December is of that month, and the first of January of the next."""
    invoice = sold(artist, cutter, 0)
    for on in (date(2025, 12, 31), date(2026, 1, 1)):
        with connection.cursor() as cursor:
            cursor.execute(
                "UPDATE orders_invoice SET issued_on = %s WHERE number = %s", [on, invoice.number]
            )
        assert on.replace(day=1) in [month.first for month in books_kept.books()]
        assert books_kept.books() == all_rows()


def test_what_is_kept_is_not_added_up_again(artist: Actor, cutter: Actor) -> None:
    for days_ago in (0, 40, 80):
        sold(artist, cutter, days_ago)
    upkeep.tidy_when_due()  # adds the books up ahead
    with CaptureQueriesContext(connection) as asked:
        books_kept.books()
    assert len(asked) == 2  # how many rows each day has, of either kind
