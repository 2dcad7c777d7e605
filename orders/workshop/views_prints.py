"""Papers of the bench: job ticket, bag labels, address label. reportlab is only loaded to print."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from orders import parcels
from orders.access import workshop_job, workshop_only, workshop_order
from orders.errors import OrderError
from orders.models import Order, Workshop
from orders.models.jobs import CALLED_OFF
from orders.pdf_answer import paper_of, pdf_of
from orders.typed import whole_number


@require_GET
@workshop_only
def job_ticket(request: HttpRequest, code: str) -> HttpResponse:
    """The ticket of a job: ``?paper=letter|a4``."""
    from orders.prints.job_ticket import render

    job = workshop_job(request, code)
    return pdf_of(render(job, paper=paper_of(request)), f"ticket-{job.code}")


@require_GET
@workshop_only
def bag_labels(request: HttpRequest, code: str) -> HttpResponse:
    """A label for the bag of each job of an order: ``?sheet=…&start=3&job=CODE``."""
    from orders.prints.labels import render_bags

    order = workshop_order(request, code)
    jobs = order.jobs.exclude(status__in=CALLED_OFF).select_related("version__design", "film")
    only = request.GET.getlist("job")
    jobs = jobs.filter(code__in=only) if only else jobs
    try:
        data = render_bags(list(jobs.order_by("id")), **_sheet(request))
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-pack-order", order.code)
    return pdf_of(data, f"bags-{order.code}")


@require_GET
@workshop_only
def address_label(request: HttpRequest, code: str) -> HttpResponse:
    """The address label of an order: ``?sheet=…&start=3``."""
    from orders.prints.labels import render_address

    order = workshop_order(request, code)
    try:
        data = render_address(order, told=_customs_words(order), **_sheet(request))
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-order", order.code)
    return pdf_of(data, f"address-{order.code}")


def _sheet(request: HttpRequest) -> dict[str, Any]:
    return {
        "sheet": request.GET.get("sheet", "4x6"),
        "start": whole_number(request.GET.get("start")) or 1,
    }


def _customs_words(order: Order) -> list[str]:
    """Return the customs line of what lies packed of an order that goes abroad, for the label."""
    jobs = [job for job in order.jobs.select_related("version", "film") if job.to_send]
    if not jobs or not parcels.goes_abroad(order, Workshop.current()):
        return []
    lines = [(job, job.to_send) for job in jobs]
    return [
        parcels.customs_words(
            parcels.customs_of(order, lines, parcels.money_of([order]).get(order.pk))
        )
    ]
