"""What stands on and beside a parcel: weight, address, customs line, and the CSV of parcels.

Weights are of film by its thickness (openings not taken off) and of the packaging; the scale's
word wins. A parcel's value for customs is its share of what the order was invoiced at, without
postage and tax.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from geometry.limits import BLANKS
from pricing.money import currency_decimals, format_money, round_money

from .books import POSTAGE, plain, shares_of, typed
from .errors import OrderError, RefusedError
from .measures import weight_g
from .models import Invoice, Job, Order, Packaging, Parcel, Quote, Workshop
from .models.jobs import CALLED_OFF
from .outbox import write_anew
from .words import counted
from .workflow import Actor, record, ship

CONTENTS = "Painting stencils of polyester film"

COLUMNS = (
    "parcel",
    "order",
    "name",
    "line1",
    "line2",
    "town",
    "region",
    "postcode",
    "country",
    "pieces",
    "weight_g",
    "packaging",
    "contents",
    "value",
    "currency",
    "carrier",
    "tracking",
    "sent",
)
READ = ("parcel", "order", "carrier", "tracking")
LARGEST_CSV = 1_000_000

Lines = Sequence[tuple[Job, int]]

# field -> how a person calls it; what a parcel cannot do without
ADDRESS_PARTS = {
    "ship_name": "a name",
    "ship_line1": "a street and number",
    "ship_city": "a town",
    "ship_country": "a country",
}


@dataclass(frozen=True)
class Customs:
    """The line a customs form asks for."""

    contents: str
    pieces: int
    weight_g: Decimal
    value: Decimal | None
    currency: str
    origin: str


@dataclass(frozen=True)
class Read:
    """What a CSV of parcels came to: posted, filled in, and a sentence for each row refused."""

    posted: int
    filled: int
    refused: list[str]


def film_g(lines: Lines) -> Decimal:
    """Return the grams of film in a parcel."""
    return sum((weight_g(job.version.blank_code, job.film) * n for job, n in lines), Decimal(0))


def whole_g(lines: Lines, packaging: Packaging | None) -> Decimal | None:
    """Return what a parcel weighs with its packaging, None where no packaging is named."""
    if packaging is None:
        return None
    return (film_g(lines) + packaging.weight_g).quantize(Decimal("0.1"))


def address_fault(order: Order) -> str:
    """Say in a sentence what an address lacks before it is posted to; "" when nothing."""
    missing = [words for field, words in ADDRESS_PARTS.items() if not getattr(order, field).strip()]
    if len(missing) == len(ADDRESS_PARTS):
        return "The artist gave no address. Ask before posting."
    if missing:
        return f"The address lacks {_listed(missing)}. Ask the artist before posting."
    if not order.ship_postcode.strip():
        return "The address has no postcode. Some countries have none; look before posting."
    return ""


def goes_abroad(order: Order, workshop: Workshop) -> bool:
    """Whether a parcel leaves the workshop's country, as far as that is known."""
    here, there = (_folded(text) for text in (workshop.country, order.ship_country))
    return order.delivery == Order.Delivery.POST and bool(here and there) and here != there


def customs_of(
    order: Order, lines: Lines, money: Invoice | Quote | None, *, origin: str = ""
) -> Customs:
    """Return the customs line of a parcel; its value is its share, by film area, of the goods.

    The shares of an order's parcels add up to the goods exactly: each is rounded from where the
    one before ended. ``order.jobs`` and what was shipped before are read from the lines' jobs.
    """
    value, currency = None, ""
    if money is not None:
        currency = money.currency
        goods = sum((s.net for s in shares_of(money) if s.what != POSTAGE), Decimal(0))
        jobs = [job for job in order.jobs.all() if job.status not in CALLED_OFF]
        total = sum(_area(job) * job.quantity for job in jobs)
        before = sum(_area(job) * job.shipped for job in jobs)
        here = sum(_area(job) * count for job, count in lines)
        value = _share(goods, before + here, total, currency) - _share(
            goods, before, total, currency
        )
    return Customs(
        contents=CONTENTS,
        pieces=sum(count for _, count in lines),
        weight_g=film_g(lines).quantize(Decimal("0.1")),
        value=value,
        currency=currency,
        origin=origin,
    )


def customs_words(customs: Customs) -> str:
    """Return a customs line as one text: what, how many, weight, value, where it was made."""
    parts = [customs.contents, counted(customs.pieces, "piece"), f"{customs.weight_g} g net"]
    if customs.value is not None:
        parts.append(f"value {format_money(customs.value, customs.currency)}")
    if customs.origin:
        parts.append(f"made in {customs.origin}")
    return ", ".join(parts)


def money_of(orders: Iterable[Order]) -> dict[int, Invoice | Quote]:
    """Return order id -> its invoice, else its accepted quote; two queries for all."""
    ids = [order.pk for order in orders]
    quotes = Quote.objects.filter(order__in=ids, status=Quote.Status.ACCEPTED)
    found: dict[int, Invoice | Quote] = {quote.order_id: quote for quote in quotes}
    for invoice in Invoice.objects.filter(order__in=ids, kind=Invoice.Kind.INVOICE):
        found[invoice.order_id] = invoice
    return found


def set_tracking(parcel: Parcel, actor: Actor, *, carrier: str, tracking: str) -> bool:
    """Put carrier and number of a posted parcel in, or right; return whether anything changed.

    A letter about it that still waits is written anew; one that went is not sent twice.
    """
    if parcel.collected or parcel.withdrawn_at is not None:
        raise RefusedError("That parcel was not posted, so it has no tracking number.")
    if not carrier.strip():
        raise RefusedError("Enter who carries the parcel.")
    with transaction.atomic():
        parcel = Parcel.objects.select_for_update().get(pk=parcel.pk)
        new = (carrier.strip(), tracking.strip())
        if (parcel.carrier, parcel.tracking) == new:
            return False
        parcel.carrier, parcel.tracking = new
        parcel.save(update_fields=["carrier", "tracking"])
        record("order", "tracking", actor, why=" ".join(new).strip(), order=parcel.order)
        if parcel.mail is not None:
            write_anew(parcel.mail, parcel.order, parcel=parcel)
    return True


def waiting_rows(jobs: Iterable[Job]) -> list[tuple[Any, ...]]:
    """Return the CSV's rows of what lies packed: one for each order, with no parcel number yet."""
    by_order: dict[int, list[Job]] = {}
    for job in jobs:
        by_order.setdefault(job.order_id, []).append(job)
    orders = [rows[0].order for rows in by_order.values()]
    money = money_of(orders)
    return [
        _row(None, rows[0].order, [(job, job.to_send) for job in rows], money.get(order_id))
        for order_id, rows in by_order.items()
    ]


def sent_rows(parcels: QuerySet[Parcel]) -> list[tuple[Any, ...]]:
    """Return the CSV's rows of parcels that were posted."""
    shown = parcels.select_related("order", "packaging").prefetch_related(
        "lines__job__version", "lines__job__film"
    )
    rows = []
    for parcel in shown:
        lines = [(line.job, line.count) for line in parcel.lines.all()]
        rows.append(_row(parcel, parcel.order, lines, None))
    return rows


def to_csv(rows: Iterable[tuple[Any, ...]]) -> str:
    """Return rows as the text of a CSV with its columns named in the first line."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    writer.writerows(rows)
    return out.getvalue()


def read_csv(data: bytes, actor: Actor) -> Read:
    """Take carriers and tracking numbers from a CSV; only the columns in ``READ`` are looked at.

    A row with a parcel's number fills that parcel in. A row with only an order's code posts what
    lies packed of it, once: a second reading finds nothing packed and says so. Raises RefusedError
    for a file that is no such CSV.
    """
    rows = _rows_of(data)
    posted = filled = 0
    refused = []
    for number, row in enumerate(rows, start=2):
        carrier, tracking = (typed(row.get(key, "")).strip() for key in ("carrier", "tracking"))
        if not carrier and not tracking:
            continue
        try:
            if len(carrier) > 60 or len(tracking) > 80:
                raise RefusedError("carrier has up to 60 letters, tracking up to 80.")
            if row.get("parcel", "").strip():
                filled += _fill_in(row, actor, carrier, tracking)
            else:
                posted += _post(row, actor, carrier, tracking)
        except OrderError as error:
            refused.append(f"Row {number}: {error.sentence}")
    return Read(posted, filled, refused)


def _fill_in(row: Mapping[str, str], actor: Actor, carrier: str, tracking: str) -> int:
    number = row["parcel"].strip()
    known = number.isascii() and number.isdecimal() and len(number) < 10
    parcel = (
        Parcel.objects.filter(pk=int(number)).select_related("order").first() if known else None
    )
    code = row.get("order", "").strip().upper()
    if parcel is None or (code and parcel.order.code != code):
        raise RefusedError(f"there is no parcel {number[:20]} of order {code[:20] or '?'}.")
    return int(set_tracking(parcel, actor, carrier=carrier or parcel.carrier, tracking=tracking))


def _post(row: Mapping[str, str], actor: Actor, carrier: str, tracking: str) -> int:
    code = row.get("order", "").strip().upper()
    order = Order.objects.filter(code=code, placed_at__isnull=False).first()
    if order is None:
        raise RefusedError(f"there is no order {code[:20] or 'named'}.")
    jobs = [job for job in order.jobs.order_by("id") if job.to_send]
    if not jobs:
        raise RefusedError(f"nothing of order {code} lies packed.")
    if order.delivery == Order.Delivery.COLLECT:
        raise RefusedError(f"order {code} is collected in person.")
    ship(order, actor, jobs, carrier=carrier, tracking=tracking)
    return 1


def _rows_of(data: bytes) -> list[dict[str, str]]:
    if len(data) > LARGEST_CSV:
        raise RefusedError("That file is larger than 1 MB; a list of parcels is not.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RefusedError("That file is not a CSV in UTF-8. Save it as CSV UTF-8.") from None
    first = text.partition("\n")[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        names = [(name or "").strip().lower() for name in reader.fieldnames or ()]
        reader.fieldnames = names
        if "order" not in names or "tracking" not in names:
            raise RefusedError(
                "The first line must name the columns, order and tracking among them. "
                "Take the file that this page gives, fill it in, and give it back."
            )
        return [{k: v for k, v in row.items() if k in READ and v is not None} for row in reader]
    except csv.Error as error:
        raise RefusedError(f"That file cannot be read as CSV: {error}.") from None


def _row(
    parcel: Parcel | None, order: Order, lines: Lines, money: Invoice | Quote | None
) -> tuple[Any, ...]:
    customs = customs_of(order, lines, money) if money is not None else None
    weight = parcel.weight_g if parcel is not None and parcel.weight_g else film_g(lines)
    value = "" if customs is None or customs.value is None else _money(customs)
    return (
        parcel.pk if parcel is not None else "",
        order.code,
        *(
            plain(getattr(order, f"ship_{part}"))
            for part in ("name", "line1", "line2", "city", "region", "postcode", "country")
        ),
        sum(count for _, count in lines),
        f"{weight:.1f}",
        plain(parcel.packaging.name) if parcel is not None and parcel.packaging else "",
        CONTENTS,
        value,
        customs.currency if customs is not None else "",
        plain(parcel.carrier) if parcel is not None else "",
        plain(parcel.tracking) if parcel is not None else "",
        parcel.sent_on.isoformat() if parcel is not None else "",
    )


def _money(customs: Customs) -> str:
    return f"{customs.value:.{currency_decimals(customs.currency)}f}"


def _share(goods: Decimal, part: float, total: float, currency: str) -> Decimal:
    return round_money(goods * Decimal(part) / Decimal(total), currency) if total else Decimal(0)


def _area(job: Job) -> float:
    width_mm, height_mm = BLANKS[job.version.blank_code].size_mm
    return width_mm * height_mm


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
