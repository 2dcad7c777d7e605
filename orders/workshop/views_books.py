"""The books by month, and as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from orders import books as books_room
from orders import books_kept, shelf_money
from orders.access import workshop_only
from orders.models import Invoice, Payment
from orders.typed import whole_number


@require_GET
@workshop_only
def books(request: HttpRequest) -> HttpResponse:
    """Show revenue, tax by rate, postage, film and money received, month by month."""
    year = _year(request)
    every = books_kept.books()
    months = [month for month in every if year in (None, month.first.year)]
    context = {
        "year": year,
        "years": sorted({month.first.year for month in every}, reverse=True),
        "shares": shelf_money.of_year(year),
        "months": [
            {
                "month": month,
                "work": month.net.get(books_room.REVENUE, books_room.NOTHING),
                "film": month.net.get(books_room.FILM, books_room.NOTHING),
                "postage": month.net.get(books_room.POSTAGE, books_room.NOTHING),
                "taxes": sorted(month.tax.items(), reverse=True),
                "received": sorted(month.received.items()),
            }
            for month in months
        ],
    }
    return render(request, "workshop/books.html", context)


@require_GET
@workshop_only
def books_csv(request: HttpRequest) -> HttpResponse:
    """Give the invoices of a year, or all, as CSV."""
    rows = books_room.invoice_rows(_invoices(_year(request)))
    return _csv("invoices", books_room.COLUMNS, rows)


@require_GET
@workshop_only
def payments_csv(request: HttpRequest) -> HttpResponse:
    """Give the payments of a year, or all, as CSV."""
    rows = books_room.payment_rows(_payments(_year(request)))
    return _csv("payments", books_room.PAYMENT_COLUMNS, rows)


def _year(request: HttpRequest) -> int | None:
    year = whole_number(request.GET.get("year"))
    return year if year and 1900 < year < 10000 else None


def _invoices(year: int | None) -> QuerySet[Invoice]:
    rows = Invoice.objects.select_related("order").order_by("number")
    return rows.filter(issued_on__year=year) if year else rows


def _payments(year: int | None) -> QuerySet[Payment]:
    rows = Payment.objects.select_related("order").order_by("number")
    return rows.filter(paid_on__year=year) if year else rows


def _csv(name: str, columns: Iterable[str], rows: Iterable[tuple[Any, ...]]) -> HttpResponse:
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    writer = csv.writer(response)
    writer.writerow(columns)
    writer.writerows(rows)
    return response
