"""From a basket to a quote: ask pricing, count sheets by nesting this order alone, freeze it."""

from __future__ import annotations

from collections import defaultdict
from copy import copy
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from django.db import transaction
from django.utils import timezone

from geometry.errors import GeometryError
from geometry.limits import BLANKS
from geometry.nesting import nest
from pricing import quote as pure
from pricing.errors import PriceError
from pricing.models import PriceSheet
from pricing.money import format_money
from pricing.postage import zone_for

from . import workflow
from .dates import today
from .differences import differences
from .errors import NotNowError, RefusedError
from .lead_time import Lead, lead_of
from .machine_time import profiles_by_film
from .measures import USUAL_SECONDS, measures_of, seconds_of, weight_g
from .models import Film, Job, Order, OrderLine, Person, Quote, ShelfOffer, Upload
from .models.jobs import CALLED_OFF
from .models.orders import LARGEST_QUANTITY
from .outbox import withdraw
from .shelf_sales import gone_from, proved_buyer, terms_of
from .typed import whole_number
from .workflow import Actor


@dataclass(frozen=True)
class Hint:
    """More pieces of a size that come cheaper in all; amounts as text, `saves` more than 0."""

    blank: str
    name: str
    quantity: int
    instead_of: int
    total: str
    saves: str
    words: str


@dataclass(frozen=True)
class Priced:
    """An order by today's prices: the quote, and what goes with it."""

    quote: pure.Quote
    sheet: PriceSheet
    lines: list[OrderLine]
    hints: list[Hint]
    lead: Lead


def price_of(order: Order, lines: list[OrderLine] | None = None) -> pure.Quote:
    """Return what an order comes to today, nothing stored. Raises RefusedError with a sentence."""
    return priced(order, lines).quote


def priced(
    order: Order, lines: list[OrderLine] | None = None, *, sheet: PriceSheet | None = None
) -> Priced:
    """Return an order's price with hints and lead time, by today's sheet unless another is given.

    Nothing is stored. Raises RefusedError with a sentence.
    """
    if lines is None:
        related = order.lines.select_related("version__design", "film", "shelf_offer")
        lines = list(related.defer("version__report", "version__limits"))
    _refuse_films(lines)
    gone_from(lines)
    try:
        sheet = sheet or PriceSheet.current(today())
        data = sheet.to_data()
        request = request_of(order, lines, data)
        quote = pure.quote(request, data)
        hints = _hints(order, lines, request, quote, data)
    except (PriceError, GeometryError) as error:
        raise RefusedError(str(error)) from error
    own_s = sum((float(item.quantity * item.cut_seconds) for item in request.items), 0.0)
    return Priced(quote, sheet, lines, hints, lead_of(own_s, sheet, rush_days=order.rush_days))


def would_have_cost(order: Order, sheet: PriceSheet) -> pure.Quote:
    """Return what a past order would have come to by another sheet, set-ups as they were then.

    Raises RefusedError with a sentence, for a size or film that the sheet does not price.
    """
    related = order.lines.select_related("version__design", "film")
    lines = list(related.defer("version__report", "version__limits"))
    data = sheet.to_data()
    rush = order.rush_days if order.rush_days in {r.within_days for r in data.rush_prices} else None
    try:
        request = request_of(order, lines, data, before=order.placed_at)
        return pure.quote(replace(request, rush_days=rush), data)
    except (PriceError, GeometryError) as error:
        raise RefusedError(str(error)) from error


def request_of(
    order: Order,
    lines: list[OrderLine],
    data: pure.PriceSheetData,
    *,
    before: datetime | None = None,
) -> pure.QuoteRequest:
    """Return what pricing is asked: items with their estimates, film counted, the way it goes.

    Raises PriceError for a country without postage, GeometryError for what cannot be laid.
    """
    collected = order.delivery == Order.Delivery.COLLECT
    return pure.QuoteRequest(
        items=_items(lines, before),
        sheets_of_film=sheets_of_film(lines),
        blanks_of_film=_blanks_of_film(lines),
        delivery="collect" if collected else "post",
        zone_code="" if collected else zone_for(order.ship_country, data.zones),
        rush_days=order.rush_days,
    )


def sheets_of_film(lines: list[OrderLine]) -> dict[str, int]:
    """Return film code -> sheets that these lines take, nested alone (0 for ready-cut blanks)."""
    counts: dict[str, int] = {}
    for film in {line.film for line in lines}:
        if film.form == Film.Form.BLANK:
            counts[film.code] = 0
            continue
        # by size, not by design: nesting takes longer with every kind of piece
        pieces: dict[str, int] = defaultdict(int)
        for line in lines:
            if line.film == film:
                pieces[line.version.blank_code] += line.quantity
        wanted = tuple(sorted(pieces.items()))
        counts[film.code] = sheets_needed(wanted, film.sheet_mm, film.edge_mm, film.gap_mm)
    return counts


@lru_cache(maxsize=512)  # the same basket is priced at every change of something else
def sheets_needed(
    pieces: tuple[tuple[str, int], ...],
    sheet_mm: tuple[float, float],
    edge_mm: float,
    gap_mm: float,
) -> int:
    """Return how many sheets so many pieces of each size take, nested alone."""
    items = [(code, *BLANKS[code].size_mm, count) for code, count in pieces]
    return len(nest(items, sheet_mm, edge_mm=edge_mm, gap_mm=gap_mm).sheets)


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
        order = Order.objects.select_for_update().get(pk=order.pk)
        if order.quotes.filter(status=Quote.Status.ACCEPTED).exists():
            raise NotNowError("A quote of this order is accepted already; it never changes.")
        made = priced(order)
        last = order.quotes.order_by("-number").first()
        frozen = made.quote.to_json()
        sizes = [line.version.blank_code for line in made.lines]
        shares = terms_of(made.lines, made.quote, sizes, buyer_id=proved_buyer(order))
        quote = Quote(
            order=order,
            number=last.number + 1 if last else 1,
            price_sheet=made.sheet,
            currency=made.quote.currency,
            tax_inclusive=made.quote.tax_inclusive,
            request=[_as_request(line, shares.get(line.pk)) for line in made.lines],
            terms={
                "delivery": order.delivery,
                "country": order.ship_country,
                "rush_days": order.rush_days,
            },
            lines=frozen["lines"],
            taxes=frozen["tax_lines"],
            subtotal=made.quote.subtotal,
            total=made.quote.total,
            hints=[asdict(hint) for hint in made.hints],
            lead_working_days=made.lead.working_days,
            lead_reason=made.lead.reason,
            valid_until=today() + timedelta(days=made.sheet.quote_valid_days),
        )
        quote.differs = differences(last, quote) if last else []
        quote.save()
        withdraw(order, ("quote",))  # one that still waits tells of a quote that is replaced
        workflow.offer(quote, actor)
    return quote


def requote(
    order: Order,
    actor: Actor,
    *,
    lines: list[OrderLine],
    taken_out: set[int],
    rush_days: int | None,
) -> Quote:
    """Change what an order holds and make the quote that says what differs.

    `lines` are rows of the order with their new values, `taken_out` the numbers of those that go.
    Raises OrderError and changes nothing where a quote was accepted, nothing would be left, or a
    drawing would stand twice on one film.
    """
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        if order.quotes.filter(status=Quote.Status.ACCEPTED).exists():
            raise NotNowError("A quote of this order is accepted already; it never changes.")
        kept = [line for line in lines if line.pk not in taken_out]
        if not kept:
            raise RefusedError(
                "Nothing would be left of the order. Say no thanks to the quote instead."
            )
        if len({(line.version_id, line.film_id) for line in kept}) < len(kept):
            raise RefusedError(
                "That drawing stands in the order on this film already; put the numbers together."
            )
        order.lines.filter(pk__in=taken_out).delete()
        # two lines may change places: none may meet the other's old values on the way
        order.lines.filter(pk__in=[line.pk for line in kept]).delete()
        OrderLine.objects.bulk_create(kept)
        Order.objects.filter(pk=order.pk).update(rush_days=rush_days)
        return make_quote(order, actor)


def take_hint(order: Order, blank: str) -> None:
    """Raise the number of pieces of a size to what a hint of today's prices says."""
    made = priced(order)
    hint = next((hint for hint in made.hints if hint.blank == blank), None)
    if hint is not None:
        line = largest_of(made.lines, blank)
        more = hint.quantity - hint.instead_of
        OrderLine.objects.filter(pk=line.pk).update(quantity=line.quantity + more)


def rush_days_of(text: str | None) -> int | None:
    """Return the days named in a form if today's price sheet offers them, else None."""
    days = whole_number(text)
    try:
        offered = PriceSheet.current(today()).rush_prices.filter(within_days=days or 0)
    except PriceError:
        return None
    return days if offered.exists() else None


def _hints(
    order: Order,
    lines: list[OrderLine],
    request: pure.QuoteRequest,
    quote: pure.Quote,
    data: pure.PriceSheetData,
) -> list[Hint]:
    """Where more pieces of a size make the whole order cheaper, film and postage included."""
    hints = []
    for blank, quantity in pure.worthwhile_breaks(request, data):
        now = sum(line.quantity for line in lines if line.version.blank_code == blank)
        grown = _grown(lines, blank, quantity - now)
        if grown is None:
            continue
        total = pure.quote(request_of(order, grown, data), data).total
        if total < quote.total:
            hints.append(_hint(blank, quantity, now, total, quote))
    return hints


def _hint(blank: str, quantity: int, now: int, total: Decimal, quote: pure.Quote) -> Hint:
    name, saves = BLANKS[blank].name, quote.total - total
    words = (
        f"{quantity} stencils of {name} come to {format_money(total, quote.currency)} in all, "
        f"{format_money(saves, quote.currency)} less than with {now}."
    )
    return Hint(blank, name, quantity, now, f"{total:f}", f"{saves:f}", words)


def _grown(lines: list[OrderLine], blank: str, more: int) -> list[OrderLine] | None:
    """The lines with so many more pieces of a size, put onto the line that has most of it."""
    most = largest_of(lines, blank)
    if most.quantity + more > LARGEST_QUANTITY:
        return None
    bigger = copy(most)
    bigger.quantity += more
    return [bigger if line is most else line for line in lines]


def largest_of(lines: list[OrderLine], blank: str) -> OrderLine:
    """Return the line of a size that has most pieces, the first of several."""
    return max(
        (line for line in lines if line.version.blank_code == blank),
        key=lambda line: line.quantity,
    )


def _refuse_films(lines: list[OrderLine]) -> None:
    """Films change after they were chosen: out of stock, or cut to another size."""
    for line in lines:
        if not line.film.is_active or not line.film.takes(line.version.blank_code):
            raise RefusedError(
                f"{line.film} cannot be had for “{line.version.design.title}” any more; "
                "choose another film."
            )


def _items(lines: list[OrderLine], before: datetime | None) -> list[pure.QuoteItem]:
    measures = measures_of(line.version_id for line in lines)
    set_up = _set_up(lines, before)
    machines = profiles_by_film([line.film for line in lines])
    known = [
        seconds_of(m, line.version.blank_code, machine=machines[line.film_id])
        for line in lines
        if (m := measures.get(line.version_id))
    ]
    mean = sum(known) / len(known) if known else USUAL_SECONDS
    items = []
    for line in lines:
        version, film = line.version, line.film
        measure = measures.get(line.version_id)
        is_sheet = film.form == Film.Form.SHEET
        seconds = (
            seconds_of(
                measure,
                version.blank_code,
                with_outline=is_sheet,
                machine=machines[line.film_id],
            )
            if measure
            else mean
        )
        items.append(
            pure.QuoteItem(
                blank_code=version.blank_code,
                blank_name=version.blank.name,
                quantity=line.quantity,
                film_code=film.code,
                film_name=film.name,
                design_key=str(version.design_id),
                design_title=version.design.title,
                new_design=(version.design_id, version.upload_id) not in set_up,
                with_cut_outs=line.with_cut_outs and measure is not None and measure.cut_outs > 0,
                mode="mask" if version.mode == "mask" else "stencil",
                cut_seconds=Decimal(f"{seconds:.0f}"),
                weight_g=weight_g(version.blank_code, film),
            )
        )
    return items


def _set_up(lines: list[OrderLine], before: datetime | None) -> set[tuple[int, int]]:
    """(design, drawing file) pairs that were set up for an earlier job, in any size or kind.

    A drawing that was mended since is another file, and is set up anew.
    """
    jobs = Job.objects.filter(version__design__in={line.version.design_id for line in lines})
    if before is not None:
        jobs = jobs.filter(created_at__lt=before)
    live = jobs.exclude(status__in=CALLED_OFF)
    pairs = live.values_list("version__design_id", "version__upload_id")
    return set(pairs.distinct().order_by()) | _set_up_at_other_sizes(lines, before)


def _set_up_at_other_sizes(lines: list[OrderLine], before: datetime | None) -> set[tuple[int, int]]:
    """(design, drawing file) pairs from the shelf whose file was set up at another of its sizes.

    A copy at another size is a drawing of its own with the same file; its buyer is told of one
    drawing in several sizes, so its set-up is not charged once more.
    """
    wanted = [line for line in lines if line.shelf_offer_id]
    if not wanted:
        return set()
    uploads = Upload.objects.in_bulk([line.version.upload_id for line in wanted])
    pairs = set()
    for line in wanted:
        jobs = Job.objects.filter(
            version__upload__sha256=uploads[line.version.upload_id].sha256,
            version__shelf_sizes__offer=line.shelf_offer_id,
        ).exclude(status__in=CALLED_OFF)
        if before is not None:
            jobs = jobs.filter(created_at__lt=before)
        if jobs.exists():
            pairs.add((line.version.design_id, line.version.upload_id))
    return pairs


def is_set_up(offer: ShelfOffer) -> bool:
    """Whether every size of an offer was set up for an earlier job, so that nobody pays for it."""
    sizes = offer.sizes.select_related("version__design", "version__upload")
    lines = [OrderLine(version=size.version, shelf_offer=offer) for size in sizes]
    done = _set_up(lines, None)
    return all((line.version.design_id, line.version.upload_id) in done for line in lines)


def _blanks_of_film(lines: list[OrderLine]) -> dict[str, int]:
    """Film code -> pieces, of film that comes ready cut."""
    counts: dict[str, int] = defaultdict(int)
    for line in lines:
        if line.film.form == Film.Form.BLANK:
            counts[line.film.code] += line.quantity
    return dict(counts)


def _as_request(line: OrderLine, share: dict[str, Any] | None) -> dict[str, Any]:
    """What is frozen of a line: what the jobs are made from, and names to tell it by.

    A line from the shelf has its offer and the artist's share besides.
    """
    return {
        **({"shelf": share} if share else {}),
        "line": line.pk,
        "version": line.version_id,
        "film": line.film_id,
        "quantity": line.quantity,
        "with_cut_outs": line.with_cut_outs,
        "title": line.version.design.title,
        "number": line.version.number,
        "size": line.version.blank.name,
        "film_name": line.film.name,
    }
