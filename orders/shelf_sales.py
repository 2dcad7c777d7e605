"""Selling from the shelf: which offers are open, what is frozen of a share, when it is booked.

A share is worked out once for each piece: the price of its size on the accepted quote, without
tax, times the percentage the artist agreed to, rounded half up to the currency's minor unit. Every
line is pieces x that, so that the sum is the same however an order is split into parcels.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Sum
from django.utils import timezone

from pricing import quote as pure
from pricing.money import round_money

from .dates import today
from .errors import RefusedError
from .models import (
    Design,
    Event,
    Job,
    Order,
    OrderLine,
    Parcel,
    Person,
    ShareLine,
    ShelfOffer,
    ShelfSale,
)
from .models import ShelfSize as Size

HUNDRED = Decimal(100)
GONE = "“{title}” is not on the shelf any more, so it cannot be ordered. Take it out."


def live_sizes() -> QuerySet[Size]:
    """Return the sizes whose drawing is there, of offers ended or not."""
    there = Q(version__design__removed_at=None, version__design__erased_at=None)
    return Size.objects.filter(there, version__design__owner=F("offer__artist"))


def live() -> QuerySet[ShelfOffer]:
    """Return the offers that anybody may see and order, newest first."""
    return ShelfOffer.objects.filter(
        Exists(live_sizes().filter(offer=OuterRef("pk"))),
        revoked_at=None,
        taken_down_at=None,
        design__isnull=False,
        design__removed_at=None,
        artist__erased_at=None,
    )


def share_each(
    unit_price: Decimal, percent: Decimal, currency: str, *, tax_percent: Decimal = Decimal(0)
) -> Decimal:
    """Return the share of one piece, rounded half up to the currency's minor unit.

    `tax_percent` is the rate that `unit_price` holds; 0 where tax comes on top.
    """
    return round_money(unit_price * percent / (HUNDRED + tax_percent), currency)


def terms_of(
    lines: Iterable[OrderLine],
    quote: pure.Quote,
    blank_codes: Iterable[str],
    *,
    buyer_id: int | None = None,
) -> dict[int, dict[str, Any]]:
    """Return what a quote freezes of each line from the shelf: {line: offer, prices, share}.

    `blank_codes` are the sizes of all items in their order: a quote has one stencil line for each.
    `buyer_id` is the `proved_buyer` of the order: nobody is owed a share of their own purchase. The
    line stays one of the shelf, since an order's link opens one's own drawings.
    """
    prices = dict(
        zip(
            dict.fromkeys(blank_codes),
            (line for line in quote.lines if line.kind == "stencils"),
            strict=True,
        )
    )
    terms = {}
    for line in lines:
        if line.shelf_offer is None:
            continue
        priced = prices[line.version.blank_code]
        is_own = line.shelf_offer.artist_id == buyer_id
        percent = Decimal(0) if is_own else line.shelf_offer.share_percent
        tax = priced.tax_rate if quote.tax_inclusive else Decimal(0)
        each = share_each(priced.unit_price, percent, quote.currency, tax_percent=tax)
        terms[line.pk] = {
            "offer": line.shelf_offer_id,
            "unit_price": f"{priced.unit_price:f}",
            "share_percent": f"{percent:f}",
            "share_each": f"{each:f}",
            "currency": quote.currency,
        }
    return terms


def proved_buyer(order: Order) -> int | None:
    """Return the person whose order it is, if it was asked for signed in as that person.

    Whoever types an artist's address at the checkout has shown nothing, and would take a share
    away that is owed. An order made again of another was asked for by whoever asked for that one:
    a press on its link is told as its artist's.
    """
    first: Order | None = order
    while first is not None:
        asks = first.events.filter(life=Event.Life.ORDER, action__in=("place", "again"))
        asked = asks.order_by("pk").first()
        if asked is None or asked.action == "place":
            is_theirs = asked is not None and asked.by_id == order.artist_id
            return order.artist_id if is_theirs else None
        first = Order.objects.filter(code=asked.why.removeprefix("again: ")).first()
    return None


def refuse_gone(wanted: Iterable[tuple[int, int, str]], *, hold: bool = False) -> None:
    """Raise RefusedError for the first (offer, version, title) that cannot be ordered any more.

    `hold` keeps the offers as they are until the end of the transaction.
    """
    for offer_id, version_id, title in wanted:
        if hold:
            ShelfOffer.objects.select_for_update().get(pk=offer_id)
        size = live_sizes().filter(offer_id=offer_id, version_id=version_id)
        if not (size.exists() and live().filter(pk=offer_id).exists()):
            raise RefusedError(GONE.format(title=title))


def gone_from(lines: Iterable[OrderLine], *, hold: bool = False) -> None:
    """Raise RefusedError where a line's offer has ended."""
    refuse_gone(
        [
            (line.shelf_offer_id, line.version_id, line.version.design.title)
            for line in lines
            if line.shelf_offer_id
        ],
        hold=hold,
    )


def sell(job: Job, terms: dict[str, Any]) -> ShelfSale:
    """Write down that a job is of a drawing from the shelf, by the terms its quote has frozen."""
    return ShelfSale.objects.create(
        job=job,
        offer_id=terms["offer"],
        unit_price=Decimal(terms["unit_price"]),
        share_percent=Decimal(terms["share_percent"]),
        share_each=Decimal(terms["share_each"]),
        currency=terms["currency"],
    )


def sale_of(job: Job) -> ShelfSale | None:
    """Return a job's sale from the shelf, None where it is its artist's own."""
    return getattr(job, "shelf_sale", None)


def book(parcel: Parcel, by: Person | None) -> list[ShareLine]:
    """Book the shares of what a parcel holds. Safe to repeat: a parcel's line is booked once."""
    booked = []
    held = parcel.lines.filter(job__shelf_sale__isnull=False)
    held = held.exclude(job__shelf_sale__offer__artist=proved_buyer(parcel.order))
    for line in held.select_related("job__shelf_sale__offer", "parcel"):
        press = f"sent-{line.pk}"
        row = ShareLine.objects.filter(press=press).first()
        booked.append(row or _booked(line, press, by))
    return booked


def _booked(line: Any, press: str, by: Person | None) -> ShareLine:
    sale: ShelfSale = line.job.shelf_sale
    return ShareLine.objects.create(
        kind=ShareLine.Kind.BOOKED,
        sale=sale,
        artist=sale.offer.artist,
        parcel_line=line,
        pieces=line.count,
        amount=line.count * sale.share_each,
        currency=sale.currency,
        booked_on=line.parcel.sent_on,
        by=by,
        press=press,
    )


def left_of(line: ShareLine) -> int:
    """Return how many pieces of a booked line were not taken back."""
    back = line.countered_by.aggregate(pieces=Sum("pieces"))["pieces"] or 0
    return int(line.pieces + back)


def take_back(
    line: ShareLine, pieces: int, by: Person | None, *, why: str, press: str
) -> ShareLine:
    """Take shares back by a counter-entry of today; the line itself stays as it is.

    Call it in a transaction. Raises RefusedError for more pieces than are left of the line.
    """
    before = ShareLine.objects.filter(press=press).first()
    if before is not None:
        return before
    if line.kind != ShareLine.Kind.BOOKED:
        raise RefusedError("That line takes shares back itself; it is not taken back again.")
    if not 0 < pieces <= left_of(line):
        raise RefusedError(
            f"Of that line {left_of(line)} are left to take back. Correct the number of pieces."
        )
    return ShareLine.objects.create(
        kind=ShareLine.Kind.BACK,
        sale=line.sale,
        artist=line.artist,
        parcel_line=line.parcel_line,
        pieces=-pieces,
        amount=-pieces * line.sale.share_each,
        currency=line.currency,
        booked_on=today(),
        counters=line,
        why=why[:300],
        by=by,
        press=press,
    )


def unbook(parcel: Parcel, by: Person | None) -> None:
    """Take back what is left of a parcel's shares, as the parcel itself is taken back."""
    rows = ShareLine.objects.filter(kind=ShareLine.Kind.BOOKED, parcel_line__parcel=parcel)
    for line in rows.select_related("sale", "artist", "parcel_line"):
        left = left_of(line)
        if left:
            why = "The parcel was taken back."
            take_back(line, left, by, why=why, press=f"parcel-back-{line.parcel_line_id}")


def leave(designs: QuerySet[Design], at: datetime | None = None) -> None:
    """Take drawings off the shelf for good, as they are deleted or erased.

    An offer of such a drawing ends; so does one that has no size left. To be offered again after
    it was brought back, a drawing needs its artist's consent anew.
    """
    now = at or timezone.now()
    standing = ShelfOffer.objects.filter(revoked_at=None, taken_down_at=None)
    standing.filter(design__in=designs).update(revoked_at=now)
    Size.objects.filter(version__design__in=designs, offer__in=standing).delete()
    standing.filter(sizes=None).update(revoked_at=now)
