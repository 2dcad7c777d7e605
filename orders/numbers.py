"""Numbers of invoices and receipts: consecutive, without gaps, however many are made at once."""

from __future__ import annotations

from django.db import connection

from .models import Counter


def next_number(series: str) -> int:
    """Take the next number of a series, inside the transaction that uses it.

    The counter's row stays locked to the end of that transaction, and is rolled back with it: a
    number is never given twice nor lost. Raises RuntimeError outside of a transaction.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("a number is taken inside the transaction that uses it")
    Counter.objects.get_or_create(series=series)
    counter = Counter.objects.select_for_update().get(series=series)
    counter.last += 1
    counter.save(update_fields=["last"])
    return counter.last
