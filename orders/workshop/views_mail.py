"""The outbox: what was sent, what waits, what was withdrawn, what failed."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import outbox
from orders.access import workshop_only
from orders.models import Mail

PAGE_SIZE = 50


@require_GET
@workshop_only
def mails(request: HttpRequest) -> HttpResponse:
    """List the mails, the newest first; ``?state=failed`` keeps one kind."""
    state = request.GET.get("state", "")
    state = state if state in Mail.Status.values else ""
    counts = dict(
        Mail.objects.order_by()
        .values("status")
        .annotate(mails=Count("pk"))
        .values_list("status", "mails")
    )
    shown = Mail.objects.select_related("order").defer("body")
    if state:
        shown = shown.filter(status=state)
    context = {
        "page": Paginator(shown, PAGE_SIZE).get_page(request.GET.get("page")),
        "state": state,
        "states": [(value, label, counts.get(value, 0)) for value, label in Mail.Status.choices],
        "total": sum(counts.values()),
    }
    return render(request, "workshop/mail.html", context)


@require_GET
@workshop_only
def mail_text(request: HttpRequest, mail_id: int) -> HttpResponse:
    mail = get_object_or_404(Mail.objects.select_related("order", "event__by"), pk=mail_id)
    context = {"mail": mail, "number": outbox.message_id(mail)}
    return render(request, "workshop/mail_text.html", context)


@require_POST
@workshop_only
def mail_again(request: HttpRequest, mail_id: int) -> HttpResponse:
    """Put a mail that failed, or that may have gone, back into the outbox."""
    mail = get_object_or_404(Mail, pk=mail_id)
    if outbox.send_again(mail):
        messages.success(request, f"The mail to {mail.to} is sent again within a minute.")
    else:
        messages.error(
            request,
            f"The mail to {mail.to} is “{mail.get_status_display()}” now, so it is not sent again.",
        )
    return redirect("workshop-mail-text", mail.pk)


@require_POST
@workshop_only
def mail_arrived(request: HttpRequest, mail_id: int) -> HttpResponse:
    """Settle a mail that may have gone: it is known to have arrived."""
    mail = get_object_or_404(Mail, pk=mail_id)
    if outbox.call_arrived(mail):
        messages.success(request, f"Noted: the mail to {mail.to} arrived.")
    return redirect("workshop-mail-text", mail.pk)
