"""The public shelf: designs that artists offer, each with its sizes and prices, to be ordered."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from orders import access, limits, shelf, shelf_sales
from orders.drawings import one_line
from orders.measures import measures_of
from orders.models import Closer, Order, OrderLine, ShelfOffer, Version
from orders.models.orders import LARGEST_QUANTITY
from orders.quoting import is_set_up

from .forms_shelf import ShelfForm
from .seeing import PAINTS, PAPERS
from .shelf_shown import LOOKS, cards, prices_of_today
from .views_pictures import shelf_picture

ON_A_PAGE = 24
FIND_FROM = 9  # so many are seen at a glance; below that a search is only in the way


@require_safe
def shelf_list(request: HttpRequest) -> HttpResponse:
    """Show the designs on the shelf, newest first; search and page live in the address."""
    search = one_line(request.GET.get("q", ""))[:80]
    offers = shelf_sales.live().select_related("design")
    total = offers.count()
    if search:
        by_words = Q(design__title__icontains=search) | Q(shown_name__icontains=search)
        offers = offers.filter(by_words)
    page = Paginator(offers, ON_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "cards": cards(page.object_list),
        "page": page,
        "total": total,
        "search": search,
        "find": total >= FIND_FROM or bool(search),
    }
    return render(request, "artist/shelf_list.html", context)


@require_safe
def shelf_design(request: HttpRequest, code: str) -> HttpResponse:
    """Show one design: painted, as film, its sizes and prices, and the way into the basket."""
    return _page(request, access.shelf_offer(code))


@require_safe
def picture(request: HttpRequest, code: str, number: int, name: str) -> HttpResponse:
    """Serve film.png or paint.png of a size, with as many dots as buyers get."""
    return shelf_picture(access.shelf_version(request, code, number), name)


@require_POST
def add(request: HttpRequest, code: str) -> HttpResponse:
    """Put a size of a design into the basket; more of the same adds to its line."""
    offer = access.shelf_offer(code)
    form = ShelfForm(request.POST, versions=shelf.sizes_of(offer))
    if not form.is_valid():
        return _page(request, offer, form)
    limits.count(request, "basket")
    order = access.basket_of(request, make=True)
    if order is None:
        raise Http404
    # one's own drawing is ordered as one's own: nobody owes a share to themselves
    is_own = access.own_designs(request).filter(pk=form.version.design_id).exists()
    _put_in(order, form, None if is_own else offer)
    messages.success(request, f"“{form.version.design.title}” is in your basket.")
    return redirect("basket")


def _put_in(order: Order, form: ShelfForm, offer: ShelfOffer | None) -> None:
    version, data = form.version, form.cleaned_data
    with transaction.atomic():
        line, is_new = OrderLine.objects.get_or_create(
            order=order,
            version=version,
            film=data["film"],
            defaults={
                "quantity": data["quantity"],
                "with_cut_outs": data["with_cut_outs"],
                "shelf_offer": offer,
            },
        )
        if not is_new:
            total = min(line.quantity + data["quantity"], LARGEST_QUANTITY)
            OrderLine.objects.filter(pk=line.pk).update(
                quantity=total, with_cut_outs=data["with_cut_outs"], shelf_offer=offer
            )


def _page(request: HttpRequest, offer: ShelfOffer, form: ShelfForm | None = None) -> HttpResponse:
    versions = shelf.sizes_of(offer)
    if not versions:
        raise Http404
    prices = prices_of_today()
    context = {
        "offer": offer,
        "design": offer.design,
        "version": versions[0],
        "rows": [(version, prices.steps.get(version.blank_code, [])) for version in versions],
        "prices": prices,
        "form": form or ShelfForm(versions=versions),
        "paints": PAINTS,
        "papers": PAPERS,
        "looks": LOOKS,
        "lifts": _is_looked_at(versions[0]),
        "set_up": prices.set_up if prices.set_up and not is_set_up(offer) else None,
        "is_own": offer.artist == access.person_of(request),
        "has_cut_outs": _has_cut_outs(versions),
    }
    return render(request, "artist/shelf_design.html", context, status=422 if form else 200)


def _is_looked_at(version: Version) -> bool:
    return Closer.objects.filter(version=version, status=Closer.Status.DONE).exists()


def _has_cut_outs(versions: list[Version]) -> bool:
    measures = measures_of(version.pk for version in versions)
    return any(v.mode != "mask" and v.pk in measures and measures[v.pk].cut_outs for v in versions)
