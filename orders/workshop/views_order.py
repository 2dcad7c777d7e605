"""An order as the workshop sees it, and sending its packed jobs off."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from orders import workflow
from orders.access import workshop_actor, workshop_only, workshop_order
from orders.dates import today
from orders.errors import OrderError
from orders.messages import WORKSHOP, mark_seen
from orders.models import Job, Order, Parcel
from orders.standing import standing_of
from orders.thread_forms import MessageForm
from orders.typed import whole_number
from orders.words import counted

from .forms import ShipForm
from .shown import dress, happened
from .views_messages import thread_context


@require_GET
@workshop_only
def order(request: HttpRequest, code: str) -> HttpResponse:
    """Show an order; whoever opens it has seen its messages."""
    order = workshop_order(request, code)
    response = order_page(request, order)
    mark_seen(order, WORKSHOP)
    return response


@require_GET
@workshop_only
def post(request: HttpRequest) -> HttpResponse:
    return _post_page(request)


@require_POST
@workshop_only
def order_ship(request: HttpRequest, code: str) -> HttpResponse:
    """Send the ticked jobs off: posted with a carrier, or handed over in person."""
    order = workshop_order(request, code)
    from_post = request.POST.get("from") == "post"
    form = ShipForm(request.POST)
    jobs, seen = _ticked(request, order)
    collected = request.POST.get("how") == "collected"
    try:
        if not form.is_valid():
            raise_first(form)
        workflow.ship(
            order,
            workshop_actor(request),
            jobs,
            carrier=form.cleaned_data["carrier"],
            tracking=form.cleaned_data["tracking"],
            collected=collected,
            seen=seen,
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        page = _post_page if from_post else order_page
        return page(request, order, form)
    words = "handed over" if collected else "on its way"
    messages.success(
        request,
        f"Order {order.code}: {counted(len(jobs), 'job')} {words}. The mail goes in 2 minutes.",
    )
    return redirect("workshop-post" if from_post else reverse("workshop-order", args=[order.code]))


def raise_first(form: ShipForm) -> None:
    """Raise the first of a form's errors as a sentence."""
    name, errors = next(iter(form.errors.items()))
    label = form.fields[name].label or name
    raise OrderError(f"{label}: {errors[0]}")


def _ticked(request: HttpRequest, order: Order) -> tuple[list[Job], dict[int, int]]:
    """Return the ticked jobs of this order and the revisions on the page (``CODE.3``)."""
    given = dict(value.partition(".")[::2] for value in request.POST.getlist("job"))
    jobs = list(order.jobs.filter(code__in=given).order_by("id"))
    seen = {job.pk: whole_number(given[job.code]) for job in jobs}
    return jobs, {pk: revision for pk, revision in seen.items() if revision is not None}


def order_page(
    request: HttpRequest,
    order: Order,
    form: ShipForm | None = None,
    talk_form: MessageForm | None = None,
) -> HttpResponse:
    """Show the order; a refused form keeps what was typed."""
    jobs = order.jobs.select_related("version__design", "film").order_by("id")
    dressed = dress(jobs, today())
    quotes = list(order.quotes.order_by("-number"))
    accepted = next((quote for quote in quotes if quote.status == "accepted"), None)
    events = order.events.select_related("by", "undoes", "job").order_by("-id")
    context: dict[str, Any] = {
        "order": order,
        "jobs": dressed,
        "packed": [job for job in dressed if job.status == Job.Status.PACKED],
        "quote": accepted or (quotes[0] if quotes else None),
        # an order's standing is worded for its artist
        "standing": standing_of(order).words.replace("for you", "for the artist"),
        "form": form or ShipForm(initial=_last_carrier()),
        "parcels": order.parcels.prefetch_related("lines__job").order_by("-sent_at"),
        "history": happened(events),
        "mails": order.mails.order_by("-id")[:20],
    }
    context |= thread_context(order, form=talk_form)
    return render(request, "workshop/order.html", context, status=422 if talk_form else 200)


def _post_page(
    request: HttpRequest, failed: Order | None = None, form: ShipForm | None = None
) -> HttpResponse:
    """Show packed jobs by order, first promised first; a refused form keeps what was typed."""
    packed = (
        Job.objects.filter(status=Job.Status.PACKED)
        .select_related("order__artist", "version__design", "film")
        .defer("version__report", "version__limits")
        .order_by("promise_on", "order_id", "id")
    )
    by_order: dict[int, list[Job]] = {}
    for job in dress(packed, today()):
        by_order.setdefault(job.order_id, []).append(job)
    still = _open_jobs(list(by_order))
    carrier = _last_carrier()
    parcels = [
        {
            "order": jobs[0].order,
            "jobs": jobs,
            "due": jobs[0].due,  # type: ignore[attr-defined]
            "still": still.get(order_id, 0),
            "form": form if failed and failed.pk == order_id else ShipForm(initial=carrier),
        }
        for order_id, jobs in by_order.items()
    ]
    sent = Parcel.objects.filter(withdrawn_at=None).select_related("order__artist")
    context = {"parcels": parcels, "sent": sent.order_by("-sent_at")[:12]}
    return render(request, "workshop/post.html", context)


def _open_jobs(order_ids: list[int]) -> dict[int, int]:
    """Return how many jobs of each order are still to be cut or packed."""
    not_yet = (Job.Status.RECEIVED, Job.Status.QUEUED, Job.Status.CUTTING, Job.Status.CUT)
    counts: dict[int, int] = {}
    rows = Job.objects.filter(order_id__in=order_ids, status__in=not_yet)
    for order_id in rows.values_list("order_id", flat=True):
        counts[order_id] = counts.get(order_id, 0) + 1
    return counts


def _last_carrier() -> dict[str, str]:
    """Return the carrier of the last posted parcel, to save typing."""
    last = Parcel.objects.filter(collected=False).exclude(carrier="").order_by("-id").first()
    return {"carrier": last.carrier if last else ""}
