"""An order as the workshop sees it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import parcels
from orders.access import workshop_actor, workshop_only, workshop_order
from orders.dates import today
from orders.links import make_new_link
from orders.messages import WORKSHOP, mark_seen
from orders.models import Order, Packaging, Workshop
from orders.standing import standing_of
from orders.thread_forms import MessageForm

from .forms import ShipForm
from .shown import dress, happened
from .views_messages import thread_context
from .views_pack import PACKED_FROM
from .views_post import last_carrier, ship_context


@require_GET
@workshop_only
def order(request: HttpRequest, code: str) -> HttpResponse:
    """Show an order; whoever opens it has seen its messages."""
    order = workshop_order(request, code)
    response = order_page(request, order)
    mark_seen(order, WORKSHOP)
    return response


@require_POST
@workshop_only
def new_link(request: HttpRequest, code: str) -> HttpResponse:
    """Give the order a new link and mail it to the artist; the old one dies."""
    order = workshop_order(request, code)
    make_new_link(order, workshop_actor(request))
    messages.success(request, "The order has a new link, which is mailed to the artist.")
    return redirect("workshop-order", code=order.code)


def order_page(
    request: HttpRequest,
    order: Order,
    form: ShipForm | None = None,
    talk_form: MessageForm | None = None,
) -> HttpResponse:
    """Show the order; a refused form keeps what was typed."""
    jobs = order.jobs.select_related("version__design", "film").order_by("id")
    dressed = dress(jobs, today())
    packed = [job for job in dressed if job.to_send]
    quotes = list(order.quotes.order_by("-number"))
    accepted = next((quote for quote in quotes if quote.status == "accepted"), None)
    events = order.events.select_related("by", "undoes", "job").order_by("-id")
    context: dict[str, Any] = {
        "order": order,
        "jobs": dressed,
        "packed": packed,
        "quote": accepted or (quotes[0] if quotes else None),
        # an order's standing is worded for its artist
        "standing": standing_of(order).words.replace("for you", "for the artist"),
        "form": form or ShipForm(initial=last_carrier()),
        "parcels": order.parcels.select_related("packaging")
        .prefetch_related("lines__job")
        .order_by("-sent_at"),
        "to_pack": sum(job.to_pack for job in dressed if job.status in PACKED_FROM),
        "history": happened(events),
        "mails": order.mails.order_by("-id")[:20],
    }
    if packed:
        money = parcels.money_of([order]).get(order.pk)
        wraps = Packaging.objects.filter(is_active=True)
        context["told"] = ship_context(order, packed, money, Workshop.current(), wraps)
    context |= thread_context(order, form=talk_form)
    return render(request, "workshop/order.html", context, status=422 if talk_form else 200)
