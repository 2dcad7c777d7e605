"""The day: what was cut, spoiled, sent and late, by day, week or month; plots, table, CSV."""

from __future__ import annotations

import csv

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from orders import day as room
from orders.access import workshop_only
from orders.dates import today

from .bars import Chart, chart


@require_GET
@workshop_only
def day(request: HttpRequest) -> HttpResponse:
    """Show the figures; ``?by=day|week|month``."""
    span, on = _span(request), today()
    rows = room.figures(span, on)
    total = room.sum_of(rows)
    context = {
        "span": span,
        "spans": room.SPANS.values(),
        "rows": rows[::-1],
        "total": total,
        "now": rows[-1],
        "late_now": room.late_now(on),
        "reasons": [(words, total.reasons.get(why, 0)) for why, words in room.REASONS.items()],
        "charts": _charts(rows),
    }
    return render(request, "workshop/day.html", context)


@require_GET
@workshop_only
def day_csv(request: HttpRequest) -> HttpResponse:
    """Give the same figures as CSV."""
    span = _span(request)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="figures-{span.code}.csv"'
    writer = csv.writer(response)
    writer.writerow(room.COLUMNS)
    writer.writerows(room.csv_rows(room.figures(span, today())))
    return response


def _span(request: HttpRequest) -> room.Span:
    return room.SPANS.get(request.GET.get("by", ""), room.SPANS["day"])


def _charts(rows: list[room.Figures]) -> list[Chart]:
    return [
        chart(
            "Pieces cut",
            "pieces",
            (("bar-good", "cut well"), ("bar-bad", "spoiled")),
            [(row.short, (row.good, row.spoiled)) for row in rows],
        ),
        chart(
            "Laser",
            "h",
            (("bar-good", "estimated"),),
            [(row.short, (row.seconds / 3600,)) for row in rows],
        ),
        chart(
            "Film",
            "m²",
            (("bar-good", "in good pieces"), ("bar-bad", "wasted")),
            [(row.short, (row.film_m2 - row.wasted_m2, row.wasted_m2)) for row in rows],
        ),
        chart(
            "Sent",
            "pieces",
            (("bar-good", "on time"), ("bar-bad", "late")),
            [(row.short, (row.on_time, row.late)) for row in rows],
        ),
    ]
