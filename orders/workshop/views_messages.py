"""The thread of an order on the workshop's pages."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from orders import access
from orders import messages as talk
from orders.access import workshop_actor, workshop_only, workshop_order
from orders.errors import OrderError
from orders.messages import WORKSHOP, mark_seen
from orders.models import Job, Order
from orders.thread import stamp_of, thread_of
from orders.thread_forms import MessageForm, form_for

from .views_files import stored_file

NAMES = {
    "state": "workshop-order-talk",
    "write": "workshop-order-write",
    "change": "workshop-message-change",
    "undo": "workshop-message-undo",
    "photo": "workshop-message-photo",
    "drawing": "workshop-message-drawing",
}


def thread_context(
    order: Order, *, form: MessageForm | None = None, job: Job | None = None
) -> dict[str, Any]:
    """Return the thread as the workshop reads it; its form is set to the job of the page."""
    return {
        "order": order,
        "thread": thread_of(order, WORKSHOP),
        "talk": {"side": "workshop", "key": order.code, "names": NAMES, "other": "artist"},
        "talk_stamp": stamp_of(order),
        "talk_form": form or form_for(order, about=job.code if job else ""),
        "may_talk": True,
    }


@require_GET
@workshop_only
def state(request: HttpRequest, code: str) -> HttpResponse:
    """Answer the thread's polling: 204 when nothing is new."""
    order = workshop_order(request, code)
    is_reading = request.GET.get("visible") == "1"
    if request.GET.get("seen") == stamp_of(order):
        response = HttpResponse(status=204)
    else:
        response = render(request, "artist/thread_list.html", thread_context(order))
    if is_reading:
        mark_seen(order, WORKSHOP)
    return response


@require_POST
@workshop_only
def write(request: HttpRequest, code: str) -> HttpResponse:
    """Send a message to the artist; what was typed stays on the page when it is refused."""
    from .views_order import order_page  # that page shows the thread: each needs the other

    order = workshop_order(request, code)
    form = form_for(order, request)
    if form.is_valid():
        try:
            message = form.send(order, workshop_actor(request))
        except OrderError as error:
            form.add_error(None, error.sentence)
        else:
            return _back(request, order, message.job)
    return order_page(request, order, talk_form=form)


@require_POST
@workshop_only
def change(request: HttpRequest, code: str, message_id: int) -> HttpResponse:
    """Change the words of a message that is not mailed yet."""
    order = workshop_order(request, code)
    message = access.order_message(order, message_id)
    try:
        talk.change(message, workshop_actor(request), request.POST.get("text", ""))
        messages.success(request, "The message is changed.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return _back(request, order, message.job)


@require_POST
@workshop_only
def undo(request: HttpRequest, code: str, message_id: int) -> HttpResponse:
    """Take back a message that is not mailed yet; pressed twice it is gone all the same."""
    order = workshop_order(request, code)
    message = order.messages.filter(pk=message_id, withdrawn_at=None).first()
    if message is not None:
        try:
            talk.take_back(message, workshop_actor(request))
            messages.success(request, "The message is taken back; nobody is mailed about it.")
        except OrderError as error:
            messages.error(request, error.sentence)
    return _back(request, order, message.job if message else None)


@require_GET
@workshop_only
def photo(request: HttpRequest, code: str, message_id: int) -> HttpResponseBase:
    """The picture that came with a message."""
    message = access.order_message(workshop_order(request, code), message_id)
    return stored_file(message.photo.name, "image/jpeg")


@require_GET
@workshop_only
def drawing(request: HttpRequest, code: str, message_id: int) -> HttpResponseBase:
    """The film picture of the version that a message's pin lies on."""
    version = access.version_of_message(
        access.order_message(workshop_order(request, code), message_id)
    )
    if not version.film_picture:
        raise Http404
    return stored_file(version.film_picture.name, "image/png")


def _back(request: HttpRequest, order: Order, job: Job | None) -> HttpResponse:
    """Return to the job's page when the message was written there, else to the order's."""
    if request.POST.get("from") == "job" and job is not None:
        return redirect(reverse("workshop-job", args=[job.code]) + "#talk")
    return redirect(reverse("workshop-order", args=[order.code]) + "#talk")
