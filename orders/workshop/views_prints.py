"""Papers of the bench: job ticket, bag labels, address label. reportlab is only loaded to print."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from orders import parcels
from orders.access import workshop_job, workshop_jobs, workshop_only, workshop_order
from orders.errors import OrderError
from orders.models import Order, Workshop
from orders.models.jobs import CALLED_OFF
from orders.pdf_answer import paper_of, pdf_of
from orders.typed import whole_number

MOST_TICKETS = 60


@require_GET
@workshop_only
def job_ticket(request: HttpRequest, code: str) -> HttpResponse:
    """The ticket of a job: ``?paper=letter|a4``."""
    from orders.prints.job_ticket import render

    job = workshop_job(request, code)
    return pdf_of(render(job, paper=paper_of(request)), f"ticket-{job.code}")


@require_GET
@workshop_only
def tickets(request: HttpRequest) -> HttpResponse:
    """The tickets of many jobs in one file: ``?job=CODE&job=CODE``, in that order."""
    from orders.prints.job_ticket import render_all

    codes = list(dict.fromkeys(request.GET.getlist("job")))[:MOST_TICKETS]
    found = {job.code: job for job in workshop_jobs(request, codes)}
    jobs = [found[code] for code in codes if code in found]
    if not jobs:
        messages.error(request, "Tick at least one job first. Nothing was printed.")
        return redirect("workshop-queue")
    return pdf_of(render_all(jobs, paper=paper_of(request)), "tickets")


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
    workshop = Workshop.current()
    if not jobs or not parcels.goes_abroad(order, workshop):
        return []
    lines = [(job, job.to_send) for job in jobs]
    money = parcels.money_of([order]).get(order.pk)
    customs = parcels.customs_of(order, lines, money, origin=workshop.country)
    return [parcels.customs_words(customs)]
