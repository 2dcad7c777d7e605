"""Orders to follow, and what the slip in a parcel opens."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from orders import access, limits, workflow
from orders.links import make_new_link
from orders.messages import ARTIST, mark_seen
from orders.models import Event, Job, Order, Version, Workshop
from orders.models.jobs import CALLED_OFF, OVER
from orders.order_rows import read_jobs, read_order
from orders.pdf_answer import pdf_of
from orders.shelf_sales import live, sale_of
from orders.standing import remade_words, sent_words, standing_of, steps_of
from orders.thread import stamp_of
from orders.thread_forms import MessageForm

from .common import told, whole_number
from .history import story_of
from .thread_context import thread_context
from .views_again import AgainForm, money_context

# Later on only the workshop can stop it: these pages say how to ask.
PAST_CANCELLING = (Job.Status.QUEUED, Job.Status.CUTTING, Job.Status.CUT, Job.Status.ON_HOLD)
PAPERS = ("letter", "a4", "4x6")
# A job that the artist may still call off by herself: the table's own answer.
CANCELLABLE = workflow.step_of("job", "cancel").sources


@require_safe
@never_cache
def order(request: HttpRequest, token: str) -> HttpResponse:
    """Show where an order stands, and what was said about it."""
    shown = access.order_by_link(request, token)
    response = order_page(request, shown)
    if access.may_talk(request):
        mark_seen(shown, ARTIST)
    return response


def order_page(
    request: HttpRequest,
    shown: Order,
    *,
    form: MessageForm | None = None,
    again: list[AgainForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    """Return the order's page; a message, or numbers to order again, that were refused stay."""
    context = order_context(shown)
    if again is not None:
        context |= {"again": again, "is_again_refused": True}
    context |= thread_context(request, shown, form=form, stamp=context["stamp"])
    context["is_owner"] = _is_owner(request, shown)
    return render(request, "artist/order.html", context, status=422 if form else status)


@require_safe
@never_cache
def order_state(request: HttpRequest, token: str) -> HttpResponse:
    """Answer the page's polling: 204 nothing new, 286 when every job is over."""
    shown = access.order_by_link(request, token)
    if request.GET.get("seen") == stamp_of(shown):
        return HttpResponse(status=204)
    context = order_context(shown) | {"is_fragment": True, "is_owner": _is_owner(request, shown)}
    response = render(request, "artist/order_body.html", context)
    return HttpResponseStopPolling(response.content) if context["is_over"] else response


@require_safe
def slip(request: HttpRequest, token: str) -> HttpResponse:
    """Print the packing slip."""
    from orders.prints import packing_slip

    shown = access.order_by_link(request, token)
    paper = request.GET.get("paper", PAPERS[0])
    pdf = packing_slip.render(shown, paper=paper if paper in PAPERS else PAPERS[0])
    return pdf_of(pdf, f"slip-{shown.code}")


@require_POST
def new_link(request: HttpRequest, token: str) -> HttpResponse:
    """Give the order a new link; the old one dies, and the artist is mailed the new one."""
    shown = access.order_by_link(request, token)
    actor = access.talking_artist(request, shown)
    with told(request):
        # by the order, as each is a letter; who signed in as its artist is not held up by others
        is_artist = shown.artist is not None and access.person_of(request) == shown.artist
        limits.count(request, "link", person="" if is_artist else f"order {shown.pk}")
        shown = make_new_link(shown, actor)
        messages.success(request, "This is the new link; it is mailed to you. The old one is dead.")
    return redirect("order", token=shown.link_token)


@require_POST
def proposal_accept(request: HttpRequest, token: str, code: str, number: int) -> HttpResponse:
    """Take the workshop's version for a job."""
    shown, version = _proposal(request, token, code, number)
    with told(request):
        workflow.accept_proposal(version, access.artist_actor(request, shown))
        messages.success(request, "Taken. The workshop cuts that version.")
    return redirect("order", token=token)


@require_POST
def proposal_refuse(request: HttpRequest, token: str, code: str, number: int) -> HttpResponse:
    """Keep the artist's own version for a job."""
    shown, version = _proposal(request, token, code, number)
    with told(request):
        why = request.POST.get("why", "").strip()[:1000]
        workflow.refuse_proposal(version, access.artist_actor(request, shown), why=why)
        messages.success(request, "Your own version stays. The workshop is told.")
    return redirect("order", token=token)


@require_POST
def job_cancel(request: HttpRequest, token: str, code: str) -> HttpResponse:
    """Call a job off before it is in the queue."""
    shown = access.order_by_link(request, token)
    job = access.order_job(shown, code)
    with told(request):
        why = request.POST.get("why", "").strip()[:1000]
        seen = whole_number(request.POST.get("seen"))
        workflow.cancel(job, access.artist_actor(request, shown), why=why, seen=seen)
        messages.success(
            request, f"“{job.version.design.title}” is called off and will not be cut."
        )
    return redirect("order", token=token)


@require_safe
def parcel(request: HttpRequest, token: str) -> HttpResponse:
    """Show to whoever holds the slip how the order stands: status and pictures, nothing else."""
    shown = access.parcel_order(token)
    context = {"order": shown, "standing": standing_of(shown), "jobs": _jobs_shown(shown)}
    response = render(request, "artist/parcel.html", context)
    response["X-Robots-Tag"] = "noindex"
    return response


def order_context(shown: Order) -> dict[str, Any]:
    """Everything the order page shows."""
    jobs = _jobs_shown(read_order(shown))
    workshop = Workshop.current()
    return {
        "order": shown,
        "standing": standing_of(shown),
        "jobs": jobs,
        "parcels": shown.parcels.filter(withdrawn_at=None).prefetch_related(
            Prefetch("lines"), "lines__job__version__design"
        ),
        "story": story_of(shown),
        "stamp": stamp_of(shown),
        "is_over": bool(jobs) and all(row["job"].status in OVER for row in jobs),
        "has_slip": any(row["job"].status not in CALLED_OFF for row in jobs),
        "quote": max(shown.quotes.all(), key=lambda quote: quote.number, default=None),
        "workshop": workshop,
        **money_context(shown, workshop),
    }


def _is_owner(request: HttpRequest, shown: Order) -> bool:
    return access.own_orders(request).filter(pk=shown.pk).exists()


def _jobs_shown(shown: Order) -> list[dict[str, Any]]:
    """Return each job with its steps, what was said last, and what the artist may do."""
    jobs = read_jobs(shown)
    offers = {sale.offer_id for job in jobs if (sale := sale_of(job))}
    on_shelf = set(live().filter(pk__in=offers).values_list("pk", flat=True)) if offers else set()
    return [
        {
            "job": job,
            "steps": steps_of(job),
            "said": _said_last(job),
            "proposal": _open_proposal(job),
            "may_cancel": job.status in CANCELLABLE,
            "is_past_cancelling": job.status in PAST_CANCELLING,
            "remade": remade_words(job),
            "sent": sent_words(job),
            "sale": (sale := sale_of(job)),
            "is_on_shelf": sale is not None and sale.offer_id in on_shelf,
        }
        for job in jobs
    ]


def _said_last(job: Job) -> Event | None:
    """Return the event that explains a job that stands still, with its words."""
    stands_still = (
        Job.Status.NEEDS_CHANGES,
        Job.Status.ON_HOLD,
        Job.Status.DECLINED,
        Job.Status.CANCELLED,
    )
    if job.status not in stands_still:
        return None
    events = [event for event in job.events.all() if event.to_status == job.status]
    return events[-1] if events else None


def _open_proposal(job: Job) -> Version | None:
    offered = [v for v in job.proposals.all() if v.proposal == Version.Proposal.OFFERED]
    return offered[-1] if offered and job.status == Job.Status.NEEDS_CHANGES else None


def _proposal(request: HttpRequest, token: str, code: str, number: int) -> tuple[Order, Version]:
    shown = access.order_by_link(request, token)
    job = access.order_job(shown, code)
    return shown, get_object_or_404(job.proposals, number=number)
