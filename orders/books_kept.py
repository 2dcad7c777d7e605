"""The books of many months: each month is added up once and kept, as its rows never alter.

Invoices and payments are only ever added, so a month whose newest rows, counts and sums are as
they were is as it was. What is kept lies in the cache and can be added up again at any time.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.core.cache import cache
from django.db.models import Count, Max, QuerySet, Sum

from .books import Month, months_of
from .models import Invoice, Payment

KEPT = "books-by-month-1"  # the number grows when months_of comes to something else
Mark = tuple[tuple[int, Decimal, datetime], ...]  # of each day with rows: count, sum, newest


def books() -> list[Month]:
    """Return every month in which something was invoiced or paid, newest first."""
    marks = _marks()
    kept: dict[date, tuple[Mark, list[Month]]] = cache.get(KEPT, {})
    current = {first: kept[first] for first in marks if first in kept}
    stale = [first for first, mark in marks.items() if kept.get(first, ((), []))[0] != mark]
    for first in stale:
        current[first] = marks[first], _added_up(first)
    if stale:
        cache.set(KEPT, current, timeout=None)
    return [month for first in sorted(current, reverse=True) for month in current[first][1]]


def _marks() -> dict[date, Mark]:
    """Return for each month what tells whether a row was added to it."""
    marks: dict[date, list[tuple[int, Decimal, datetime]]] = defaultdict(list)
    days: tuple[tuple[QuerySet[Any], str, str, str], ...] = (
        (Invoice.objects.all(), "issued_on", "total", "issued_at"),
        (Payment.objects.all(), "paid_on", "amount", "at"),
    )
    for rows, day, amount, at in days:
        found = rows.order_by(day).values_list(day).annotate(Count("pk"), Sum(amount), Max(at))
        for on, *mark in found:
            marks[on.replace(day=1)].append(tuple(mark))
    return {first: tuple(mark) for first, mark in marks.items()}


def _added_up(first: date) -> list[Month]:
    """Return a month, once for each of its currencies."""
    after = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    invoices = Invoice.objects.filter(issued_on__gte=first, issued_on__lt=after)
    shown = invoices.only("issued_on", "currency", "tax_inclusive", "lines", "taxes")
    payments = Payment.objects.filter(paid_on__gte=first, paid_on__lt=after)
    return months_of(
        shown.order_by("number"), payments.only("paid_on", "currency", "method", "amount")
    )
