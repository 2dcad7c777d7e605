"""One quote: look at it, accept it, say no thanks, change it, renew it, print it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from geometry.limits import BLANKS
from orders import access, limits, workflow
from orders.dates import add_working_days, today
from orders.errors import OrderError
from orders.limits import TooOftenError
from orders.models import Order, Quote, Workshop
from orders.pdf_answer import paper_of, pdf_of
from orders.quote_shown import drawings_of, has_run_out
from orders.quoting import make_quote, requote, rush_days_of, take_hint
from pricing.errors import PriceError
from pricing.models import PriceSheet

from .common import told
from .forms import QuoteLineForm, RushForm

OPEN = (Quote.Status.OFFERED, Quote.Status.EXPIRED, Quote.Status.REFUSED)
QUOTE_PAPERS = ("a4", "letter")


@require_safe
@never_cache
def quote(request: HttpRequest, token: str) -> HttpResponse:
    """Show a quote: each line with its reason, and what to do."""
    return _page(request, access.quote_for(token))


@require_POST
def quote_accept(request: HttpRequest, token: str) -> HttpResponse:
    """Accept a quote, which makes the jobs."""
    accepted = access.quote_for(token)
    with told(request):
        workflow.accept(accepted, access.artist_actor(request, accepted.order))
        messages.success(
            request, "Accepted. The workshop has your order, and a mail is on its way."
        )
        return redirect("order", token=accepted.order.link_token)
    return redirect("quote", token=token)


@require_POST
def quote_refuse(request: HttpRequest, token: str) -> HttpResponse:
    """Say no thanks; the workshop is told, with the reason if there is one."""
    shown = access.quote_for(token)
    with told(request):
        why = request.POST.get("why", "").strip()[:1000]
        workflow.refuse(shown, access.artist_actor(request, shown.order), why=why)
        messages.success(request, "Thank you for saying so. Nothing is cut; the workshop is told.")
    return redirect("quote", token=token)


@require_POST
def quote_change(request: HttpRequest, token: str) -> HttpResponse:
    """Change numbers, films or versions; that makes a new quote, which says what differs."""
    shown = access.quote_for(token)
    order, actor = shown.order, access.artist_actor(request, shown.order)
    if shown.status not in OPEN:
        messages.error(request, "This quote cannot be changed any more.")
        return redirect("quote", token=token)
    with told(request):
        if request.POST.get("take") in BLANKS:
            _count(request, order)
            take_hint(order, request.POST["take"])
            return redirect("quote", token=make_quote(order, actor).token)
        forms = _line_forms(order, request)
        # every form is looked at, so that every mistake is told at once
        if any([bool(form.errors) for form in forms]):  # noqa: C419
            return _page(request, shown, forms=forms, status=422)
        try:
            _count(request, order)
        except TooOftenError as error:
            messages.error(request, error.sentence)
            return _page(request, shown, forms=forms, status=429)
        new = requote(
            order,
            actor,
            lines=[form.instance for form in forms],
            taken_out={form.instance.pk for form in forms if form.cleaned_data["take_out"]},
            rush_days=rush_days_of(request.POST.get("rush_days")),
        )
        messages.success(request, "Here is the new quote, with what is different.")
        return redirect("quote", token=new.token)
    return redirect("quote", token=token)


@require_POST
def quote_renew(request: HttpRequest, token: str) -> HttpResponse:
    """Make a new quote by today's prices for one that has run out or was not wanted."""
    old = access.quote_for(token)
    newest = old.order.quotes.order_by("-number").first() or old
    if newest.status == Quote.Status.OFFERED and not has_run_out(newest):
        return redirect("quote", token=newest.token)
    with told(request):
        _count(request, old.order)
        new = make_quote(old.order, access.artist_actor(request, old.order))
        messages.success(request, "Here is the quote by today's prices.")
        return redirect("quote", token=new.token)
    return redirect("quote", token=token)


@require_safe
def quote_pdf(request: HttpRequest, token: str) -> HttpResponse:
    """Print the quote."""
    from orders.prints import quote_print  # reportlab is only loaded to print

    shown = access.quote_for(token)
    pdf = quote_print.render(shown, paper=paper_of(request))
    return pdf_of(pdf, f"quote-{shown.order.code}-{shown.number}")


def _count(request: HttpRequest, order: Order) -> None:
    """Count a quote more, which is a letter more to the address that the order has."""
    limits.count_quote(request, order.artist.email if order.artist else "")


def _page(
    request: HttpRequest,
    shown: Quote,
    *,
    forms: list[QuoteLineForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    # whoever holds the quote's address may act on it, so the order and its pictures open with it
    order = access.order_by_link(request, shown.order.link_token)
    context: dict[str, Any] = {
        "quote": shown,
        "order": order,
        "newest": order.quotes.order_by("-number").first(),
        "drawings": drawings_of(shown),
        "has_run_out": has_run_out(shown),
        "promise_on": add_working_days(today(), shown.lead_working_days),
        "workshop": Workshop.current(),
        "may_change": shown.status in OPEN,
    }
    if context["may_change"]:
        context["line_forms"] = forms or _line_forms(order)
        context["wrong"] = forms is not None
        context["rush_form"] = _rush_form(order)
    return render(request, "artist/quote.html", context, status=status)


def _line_forms(order: Order, request: HttpRequest | None = None) -> list[QuoteLineForm]:
    lines = order.lines.select_related("version__design", "film")
    data = request.POST if request else None
    return [QuoteLineForm(data, instance=line, prefix=f"line-{line.pk}") for line in lines]


def _rush_form(order: Order) -> RushForm | None:
    try:
        sheet = PriceSheet.current(today())
    except (PriceError, OrderError):
        return None
    return RushForm(initial={"rush_days": order.rush_days}, sheet=sheet)
