"""From a basket to a quote: ask pricing, count sheets by nesting this order alone, freeze it."""

from __future__ import annotations

from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from geometry.errors import GeometryError
from geometry.limits import BLANKS
from geometry.nesting import nest
from pricing import quote as pure
from pricing.errors import PriceError
from pricing.models import PriceSheet

from . import workflow
from .dates import today
from .errors import NotNowError, RefusedError
from .models import Film, Job, Order, OrderLine, Person, Quote
from .workflow import Actor


def price_of(order: Order, lines: list[OrderLine] | None = None) -> pure.Quote:
    """Return what an order comes to today, nothing stored. Raises RefusedError with a sentence."""
    return _priced(order, lines)[0]


def sheets_of_film(lines: list[OrderLine]) -> dict[str, int]:
    """Return film code -> sheets that these lines take, nested alone (0 for ready-cut blanks)."""
    counts: dict[str, int] = {}
    for film in {line.film for line in lines}:
        items = [
            (line.version.blank_code, *BLANKS[line.version.blank_code].size_mm, line.quantity)
            for line in lines
            if line.film == film
        ]
        if film.form == Film.Form.BLANK:
            counts[film.code] = 0
            continue
        nested = nest(items, film.sheet_mm, edge_mm=film.edge_mm, gap_mm=film.gap_mm)
        counts[film.code] = len(nested.sheets)
    return counts


def place_order(order: Order, artist: Person, actor: Actor, *, rights_confirmed: bool) -> Quote:
    """Turn a basket into an order with a quote on offer. Safe to repeat: a placed order's
    open quote is returned."""
    if not rights_confirmed:
        raise RefusedError("Confirm that the drawings are yours or that you have a licence.")
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        if not order.is_basket:
            quote = order.quotes.order_by("-number").first()
            if quote is None:
                raise NotNowError("That order is placed already.")
            return quote
        now = timezone.now()
        Order.objects.filter(pk=order.pk).update(
            artist=artist, placed_at=now, rights_confirmed_at=now
        )
        order.refresh_from_db()
        workflow.record("order", "place", actor, order=order)
        return make_quote(order, actor)


def make_quote(order: Order, actor: Actor) -> Quote:
    """Make a new quote by today's prices and offer it; older open ones are replaced."""
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=order.pk)
        if order.quotes.filter(status=Quote.Status.ACCEPTED).exists():
            raise NotNowError("A quote of this order is accepted already; it never changes.")
        priced, sheet, lines = _priced(order)
        last = order.quotes.order_by("-number").first()
        frozen = priced.to_json()
        quote = Quote.objects.create(
            order=order,
            number=last.number + 1 if last else 1,
            price_sheet=sheet,
            currency=priced.currency,
            tax_inclusive=priced.tax_inclusive,
            request=[_as_request(line) for line in lines],
            lines=frozen["lines"],
            taxes=frozen["tax_lines"],
            subtotal=priced.subtotal,
            total=priced.total,
            lead_working_days=sheet.lead_working_days,
            valid_until=today() + timedelta(days=sheet.quote_valid_days),
        )
        workflow.offer(quote, actor)
    return quote


def _priced(
    order: Order, lines: list[OrderLine] | None = None
) -> tuple[pure.Quote, PriceSheet, list[OrderLine]]:
    if lines is None:
        related = order.lines.select_related("version__design", "film")
        lines = list(related)
    _refuse_films(lines)
    try:
        sheet = PriceSheet.current(today())
        request = pure.QuoteRequest(
            items=[_as_item(line) for line in lines],
            sheets_of_film=sheets_of_film(lines),
            delivery="collect" if order.delivery == Order.Delivery.COLLECT else "post",
        )
        return pure.quote(request, sheet.to_data()), sheet, lines
    except (PriceError, GeometryError) as error:
        raise RefusedError(str(error)) from error


def _refuse_films(lines: list[OrderLine]) -> None:
    """Films change after they were chosen: out of stock, or cut to another size."""
    for line in lines:
        if not line.film.is_active or not line.film.takes(line.version.blank_code):
            raise RefusedError(
                f"{line.film} cannot be had for “{line.version.design.title}” any more; "
                "choose another film."
            )


def _as_item(line: OrderLine) -> pure.QuoteItem:
    design = line.version.design
    return pure.QuoteItem(
        blank_code=line.version.blank_code,
        blank_name=line.version.blank.name,
        quantity=line.quantity,
        film_code=line.film.code,
        design_key=str(design.pk),
        design_title=design.title,
        new_design=not Job.objects.filter(version__design=design).exists(),
        with_cut_outs=line.with_cut_outs and line.version.cut_outs > 0,
        mode="mask" if line.version.mode == "mask" else "stencil",
    )


def _as_request(line: OrderLine) -> dict[str, object]:
    return {
        "version": line.version_id,
        "film": line.film_id,
        "quantity": line.quantity,
        "with_cut_outs": line.with_cut_outs,
    }
