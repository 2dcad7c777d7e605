"""The rows of one order, read once for all who show a part of it.

An order's page is put together by many: where it stands, its money, its thread, the form to order
it again. Each reads ``order.jobs.all()`` and the like, which is a query each unless they were read
ahead here.
"""

from __future__ import annotations

from django.db.models import Prefetch, prefetch_related_objects

from .models import Job, Order, Version

# a report is a hundred times the rest of a version, and no page of an order shows one
HEAVY = ("report", "limits", "recipe")


def read_jobs(order: Order) -> list[Job]:
    """Return an order's jobs with all that is shown of each.

    Read once: further calls, and ``order.jobs.all()``, return the same objects.
    """
    heavy = [f"version__{name}" for name in HEAVY]
    jobs = Job.objects.select_related("version__design", "film", "shelf_sale__offer").defer(*heavy)
    jobs = jobs.prefetch_related(
        "events", "photos", Prefetch("proposals", Version.objects.defer(*HEAVY))
    )
    prefetch_related_objects([order], Prefetch("jobs", jobs))
    return list(order.jobs.all())


def read_order(order: Order) -> Order:
    """Read an order's jobs, quotes, invoices and payments, each once; return the order."""
    read_jobs(order)
    prefetch_related_objects([order], "quotes", "invoices", "payments")
    return order
