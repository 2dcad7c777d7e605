"""The thread on the artist's order page: written, changed, taken back, and asked for again."""

from __future__ import annotations

from django.contrib import messages
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from orders import access, limits
from orders import messages as talk
from orders.errors import OrderError
from orders.limits import TooOftenError
from orders.messages import ARTIST, mark_seen
from orders.models import Order
from orders.thread import stamp_of
from orders.thread_forms import form_for

from .common import told
from .thread_context import has_fallen_silent, thread_context
from .views_orders import order_page
from .views_pictures import film_of, film_of_job, serve


@require_safe
@never_cache
def state(request: HttpRequest, token: str) -> HttpResponse:
    """Answer the thread's polling: 204 nothing new, 286 when the order is long over."""
    order = access.order_by_link(request, token)
    is_reading = request.GET.get("visible") == "1" and access.may_talk(request)
    if request.GET.get("seen") == stamp_of(order):
        if is_reading:
            mark_seen(order, ARTIST)
        return HttpResponseStopPolling() if has_fallen_silent(order) else HttpResponse(status=204)
    response = render(request, "artist/thread_list.html", thread_context(request, order))
    if is_reading:
        mark_seen(order, ARTIST)
    return response


@require_POST
def write(request: HttpRequest, token: str) -> HttpResponse:
    """Send a message to the workshop; what was typed stays on the page when it is refused."""
    order = access.order_by_link(request, token)
    actor = access.talking_artist(request, order)
    form = form_for(order, request)
    if not form.is_valid():
        return order_page(request, order, form=form)
    try:
        limits.count(request, "message")
        if form.cleaned_data["picture"]:
            limits.count(request, "photo")
        form.send(order, actor)
    except OrderError as error:
        form.add_error(None, error.sentence)
        response = order_page(request, order, form=form)
        if isinstance(error, TooOftenError):
            response.status_code = 429
        return response
    return _to_thread(order)


@require_POST
def change(request: HttpRequest, token: str, message_id: int) -> HttpResponse:
    """Change the words of a message that is not mailed yet."""
    order = access.order_by_link(request, token)
    actor = access.talking_artist(request, order)
    message = access.order_message(order, message_id)
    with told(request):
        talk.change(message, actor, request.POST.get("text", ""))
        messages.success(request, "The message is changed.")
    return _to_thread(order)


@require_POST
def undo(request: HttpRequest, token: str, message_id: int) -> HttpResponse:
    """Take back a message that is not mailed yet; pressed twice it is gone all the same."""
    order = access.order_by_link(request, token)
    actor = access.talking_artist(request, order)
    message = order.messages.filter(pk=message_id, withdrawn_at=None).first()
    if message is None:
        return _to_thread(order)
    with told(request):
        talk.take_back(message, actor)
        messages.success(request, "The message is taken back; nobody is mailed about it.")
    return _to_thread(order)


@require_safe
def photo(request: HttpRequest, token: str, message_id: int) -> FileResponse:
    """Serve the picture that came with a message."""
    message = access.order_message(access.order_by_link(request, token), message_id)
    return serve(message.photo, "image/jpeg")


@require_safe
def drawing(request: HttpRequest, token: str, message_id: int) -> HttpResponse | FileResponse:
    """Serve the film picture of the version that a message's pin lies on."""
    message = access.order_message(access.order_by_link(request, token), message_id)
    version = access.version_of_message(message)
    bought = message.order.jobs.filter(version=version, shelf_sale__isnull=False).first()
    return film_of_job(bought) if bought is not None else film_of(version)


def _to_thread(order: Order) -> HttpResponse:
    return redirect(reverse("order", args=[order.link_token]) + "#talk")
