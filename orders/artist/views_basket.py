"""The basket: what is wanted, what it comes to, and where it goes."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db import IntegrityError, transaction
from django.db.models import Sum
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from geometry.limits import BLANKS
from orders import access, limits
from orders.drawings import one_line
from orders.errors import RefusedError
from orders.limits import TooOftenError
from orders.models import Order, OrderLine, Person, Quote, Version
from orders.models.orders import LARGEST_QUANTITY
from orders.quoting import place_order, priced, rush_days_of, take_hint

from .common import first_error, row_number, whole_number
from .forms import CheckoutForm, LineForm, RushForm
from .views_prices import COUNTED_FROM

LONGEST_COUNTRY = Order._meta.get_field("ship_country").max_length or 0


@require_safe
@never_cache
def basket(request: HttpRequest) -> HttpResponse:
    """Show the basket with its price and the form to ask for the quote."""
    return render(request, "artist/basket.html", _context(request, access.basket_of(request)))


@require_POST
def add(request: HttpRequest) -> HttpResponse:
    """Put a version into the basket; more of the same adds to its line."""
    version = _wanted_version(request)
    form = LineForm(request.POST, instance=OrderLine(version=version))
    if not form.is_valid():
        messages.error(request, first_error(form))
        address = reverse("drawing", args=[version.design.token])
        return redirect(f"{address}?v={version.number}")
    limits.count(request, "basket")
    order = access.basket_of(request, make=True)
    if order is None:
        raise Http404
    _put_in(order, form, request.POST.get("press", "")[:40])
    messages.success(request, f"“{version.design.title}” is in your basket.")
    return redirect("basket")


@require_POST
def change(request: HttpRequest) -> HttpResponse:
    """Change one line, or how the order comes; the price follows."""
    order = access.basket_of(request)
    if order is None:
        return _answer(request, None)
    _count_large(request, order)
    _change_terms(request, order)
    if request.POST.get("take") in BLANKS:
        take_hint(order, request.POST["take"])
    changed = None
    if request.POST.get("line"):
        line = get_object_or_404(order.lines, pk=row_number(request.POST["line"]))
        changed = LineForm(request.POST, instance=line, prefix=f"line-{line.pk}")
        _save_line(changed)
    return _answer(request, order, changed)


@require_POST
def remove(request: HttpRequest) -> HttpResponse:
    """Take a line out of the basket."""
    order = access.basket_of(request)
    if order is not None:
        order.lines.filter(pk=row_number(request.POST.get("line"))).delete()
    return _answer(request, order)


@require_POST
def place(request: HttpRequest) -> HttpResponse:
    """Turn the basket into an order and show its quote."""
    order = access.basket_of(request)
    if order is None:
        return _placed_before(request)
    person = access.person_of(request)
    form = CheckoutForm(request.POST, instance=order, person=person)
    if not form.is_valid():
        return _told_in_form(request, form, 422)
    try:
        limits.count_quote(request, form.mailed_to)
        form.refuse_workshop()
        if form.errors:
            return _told_in_form(request, form, 422)
        quote = _place(request, form, person)
    except TooOftenError as error:
        form.add_error(None, error.sentence)
        return _told_in_form(request, form, 429)
    except RefusedError as error:
        if access.basket_of(request) is None:
            return _placed_before(request)
        messages.error(request, error.sentence)
        return redirect("basket")
    return redirect("quote", token=quote.token)


def _place(request: HttpRequest, form: CheckoutForm, person: Person | None) -> Quote:
    """Save the address, name the artist, and have the quote made."""
    with transaction.atomic():
        # a second press may have placed it since the form was read; saving would undo that
        basket = Order.objects.select_for_update().filter(pk=form.instance.pk, placed_at=None)
        if basket.first() is None:
            raise RefusedError("That basket was ordered a moment ago. Its quote is under “Mine”.")
        order = form.save()
        name = form.cleaned_data["ship_name"]
        artist = person or Person.objects.for_email(form.cleaned_data["email"], name)
        actor = access.artist_actor(request, order)
        rights = form.cleaned_data["rights"]
        quote = place_order(order, artist, actor, rights_confirmed=rights)
        access.adopt_order(request, order, artist)
    access.order_by_link(request, order.link_token)
    return quote


def _told_in_form(request: HttpRequest, form: CheckoutForm, status: int) -> HttpResponse:
    """Show the basket again with what was typed and what is wrong with it."""
    context = _context(request, access.basket_of(request), form=form)
    return render(request, "artist/basket.html", context, status=status)


def _placed_before(request: HttpRequest) -> HttpResponse:
    """A second press of the button finds no basket; lead to the quote of the first."""
    order = access.own_orders(request).first()
    quote = order.quotes.order_by("-number").first() if order else None
    return redirect("quote", token=quote.token) if quote else redirect("basket")


def _wanted_version(request: HttpRequest) -> Version:
    """Return the version that the form names, if it is the reader's own and can be ordered.

    An order's link shows a drawing, but whoever holds it cannot order it for themselves: the new
    order would go on opening the drawing after the link was made anew.
    """
    number = whole_number(request.POST.get("version"))
    if number is None:
        raise Http404
    design = access.own_design(request, request.POST.get("drawing", ""))
    version = access.version_of(design, number)
    if version.status not in (Version.Status.PASSED, Version.Status.REJECTED) or version.proposal:
        raise Http404
    return version


def _put_in(order: Order, form: LineForm, press: str) -> None:
    """Put a line in, or add to the one that is there; the same form sent twice counts once."""
    wanted = form.save(commit=False)
    with transaction.atomic():
        line, is_new = OrderLine.objects.get_or_create(
            order=order,
            version=wanted.version,
            film=wanted.film,
            defaults={
                "quantity": wanted.quantity,
                "with_cut_outs": wanted.with_cut_outs,
                "press": press,
            },
        )
        if not is_new:
            line = OrderLine.objects.select_for_update().get(pk=line.pk)
        if not is_new and not (press and line.press == press):
            total = min(line.quantity + wanted.quantity, LARGEST_QUANTITY)
            OrderLine.objects.filter(pk=line.pk).update(
                quantity=total, with_cut_outs=wanted.with_cut_outs, press=press
            )


def _count_large(request: HttpRequest, order: Order) -> None:
    """Count a price that is worked out anew for many pieces: laying them out takes a second."""
    number = row_number(request.POST.get("line"))
    asked = whole_number(request.POST.get(f"line-{number}-quantity"))
    others = order.lines.exclude(pk=number) if asked is not None else order.lines.all()
    pieces = (others.aggregate(pieces=Sum("quantity"))["pieces"] or 0) + (asked or 0)
    if pieces > COUNTED_FROM:
        limits.count(request, "prices")


def _change_terms(request: HttpRequest, order: Order) -> None:
    """How it comes, where to (which tells the postage), how soon: whichever the form sends."""
    delivery, country = request.POST.get("delivery"), request.POST.get("ship_country")
    if delivery in Order.Delivery.values:
        order.delivery = delivery
    if country is not None and len(one_line(country)) <= LONGEST_COUNTRY:
        order.ship_country = one_line(country)
    if "rush_days" in request.POST:
        order.rush_days = rush_days_of(request.POST.get("rush_days"))
    # not of an order that was placed meanwhile: it goes by what its quote has charged for
    Order.objects.filter(pk=order.pk, placed_at=None).update(
        delivery=order.delivery, ship_country=order.ship_country, rush_days=order.rush_days
    )


def _save_line(form: LineForm) -> None:
    """Save a changed line; a film that another line of the same drawing has is told."""
    if not form.is_valid():
        return
    try:
        with transaction.atomic():
            form.save()
    except IntegrityError:
        form.add_error(
            "film", "That drawing is in the basket on this film already; change it there."
        )


def _answer(
    request: HttpRequest, order: Order | None, changed: LineForm | None = None
) -> HttpResponse:
    """Answer htmx with the lines and the price, everybody else by showing the page again."""
    context = _context(request, order, changed=changed)
    if request.headers.get("HX-Request"):
        return render(request, "artist/basket_lines.html", context)
    if changed is not None and changed.errors:
        return render(request, "artist/basket.html", context, status=422)
    return redirect("basket")


def _context(
    request: HttpRequest,
    order: Order | None,
    *,
    changed: LineForm | None = None,
    form: CheckoutForm | None = None,
) -> dict[str, Any]:
    lines = _lines(order, changed)
    context: dict[str, Any] = {"lines": lines, "price": None}
    if order is None or not lines:
        return context
    try:
        made = priced(order)
        context |= {"price": made.quote, "hints": made.hints, "lead": made.lead}
        context["rush_form"] = RushForm(
            initial={"rush_days": order.rush_days}, sheet=made.sheet, auto_id="basket-%s"
        )
    except RefusedError as error:
        context["price_problem"] = error.sentence
    person = access.person_of(request)
    context["form"] = form or CheckoutForm(instance=order, person=person)
    context["asks_anyway"] = any(
        line.instance.version.status == Version.Status.REJECTED for line in lines
    )
    return context


def _lines(order: Order | None, changed: LineForm | None) -> list[LineForm]:
    """Return a form for every line, the changed one as it was filled in."""
    if order is None:
        return []
    rows = order.lines.select_related("version__design", "film", "shelf_offer")
    return [
        changed
        if changed is not None and changed.instance.pk == row.pk
        else LineForm(instance=row, prefix=f"line-{row.pk}")
        for row in rows
    ]
