"""What a packing slip says: which pieces lie in the parcel, and in which words."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from orders.errors import RefusedError
from orders.models import Job, Order, Parcel, ParcelLine
from orders.models.jobs import CALLED_OFF
from orders.shelf_sales import sale_of
from orders.templatetags.holdfast import size_words

from .lettering import UNBROKEN

# Use: common practice, no source. Safety: cut-outs and food as the cautions of this site have it.
USE: Final = (
    "Hold the stencil flat and dab the paint on with a nearly dry sponge or brush.",
    "Wash it with cool or lukewarm water before the paint dries; no solvents.",
    "Dry it and store it flat, away from heat and sun.",
)
SAFETY: Final = (
    "Cut-outs are small and can have sharp edges: keep them from small children.",
    "Not for food, unless the film's maker says so.",
)
QR_SENTENCE: Final = (
    "Scan to see where each piece is, with its picture. It shows no address and no prices."
)
GAPS_SENTENCE: Final = (
    "\u25a1 stands for a letter that cannot be printed here; the order's page shows it."
)


@dataclass(frozen=True)
class Row:
    """One job on the slip: how many pieces lie here, and what became of the others."""

    job: Job
    count: int
    rest: str
    cut_outs: int | None = None  # in this parcel's bag, where the job goes in several


@dataclass(frozen=True)
class Contents:
    """The slip's rows, the jobs that are not in this parcel, and a sentence when none is."""

    order: Order
    parcel: Parcel | None
    rows: tuple[Row, ...]
    absent: tuple[Row, ...]
    sentence: str


def contents_of(order: Order, parcel: Parcel | None) -> Contents:
    """Return what lies in a parcel; without one, in the parcel being packed, else the last sent.

    When nothing is packed yet, every job that is not called off is a row with no pieces, and the
    sentence says so. Raises RefusedError for a parcel of another order or one taken back.
    """
    if parcel is not None and (parcel.order_id != order.pk or parcel.withdrawn_at is not None):
        raise RefusedError("That parcel is not one of this order's. Open the order's page again.")
    related = ("version__design", "film", "shelf_sale__offer")
    jobs = list(order.jobs.select_related(*related).order_by("id"))
    packing = {job.pk: job.packed - job.shipped for job in jobs if job.packed > job.shipped}
    if parcel is None and not packing:
        parcel = order.parcels.filter(withdrawn_at=None).last()
    here = _counts(parcel) if parcel else packing
    if not here:
        open_jobs = [job for job in jobs if job.status not in CALLED_OFF]
        rows = tuple(Row(job, 0, "") for job in open_jobs)
        sentence = "Nothing is packed yet. This slip shows what was ordered."
        return Contents(order, None, rows, (), sentence)
    earlier = _earlier(order, parcel)
    bags = _bags(order, parcel)
    rows = tuple(
        Row(
            job,
            here.get(job.pk, 0),
            _rest(job, here.get(job.pk, 0), earlier.get(job.pk, 0)),
            bags.get(job.pk) if here.get(job.pk, 0) < job.quantity else None,
        )
        for job in jobs
    )
    return Contents(
        order,
        parcel,
        tuple(row for row in rows if row.count),
        tuple(row for row in rows if not row.count),
        "",
    )


def receiver(order: Order, parcel: Parcel | None) -> tuple[str, list[str]]:
    """Return the name and the lines below it: the address, or that it was collected."""
    name = order.ship_name or (order.artist.name if order.artist else "")
    if order.delivery == Order.Delivery.COLLECT or (parcel is not None and parcel.collected):
        return name, ["Collected in person"]
    lines = order.address_lines
    return name, lines[1:] if order.ship_name else lines


def facts(order: Order, parcel: Parcel | None) -> list[tuple[str, str]]:
    """Return (label, value) of the days and of the way the parcel takes."""
    told = [("Ordered", plain_day(order.placed_at or order.created_at))]
    if parcel is not None:
        told.append(("Collected" if parcel.collected else "Sent", plain_day(parcel.sent_at)))
        told += [("Carrier", parcel.carrier), ("Tracking", parcel.tracking)]
    return [(label, value) for label, value in told if value]


def plain_day(when: datetime.datetime) -> str:
    """Return a day with its name in the workshop's time zone: Wed 25 Nov 2026."""
    day = timezone.localtime(when).date()
    return f"{day:%a} {day.day} {day:%b %Y}"


def job_lines(row: Row) -> list[str]:
    """Return what stands below a job's title: kind and size, film, cut-outs."""
    job = row.job
    kind = "Mask" if job.version.mode == "mask" else "Stencil"
    words, bracket, in_mm = size_words(job.version.blank).partition(" (")
    unbroken = (bracket + in_mm)[1:].replace(" ", UNBROKEN)
    said = [f"{kind}, {words} {unbroken}", job.film.name, cut_outs(job, row.cut_outs)]
    sale = sale_of(job)
    if sale is not None and sale.offer.shown_name:
        said.insert(0, f"Drawn by {sale.offer.shown_name}")
    return said


def cut_outs(job: Job, in_bag: int | None = None) -> str:
    """Return what became of the cut-outs: of a mask they are its loose pieces.

    ``in_bag``: how many lie in this parcel, of a job that goes in several.
    """
    noun = "Loose pieces" if job.version.mode == "mask" else "Cut-outs"
    if not job.cut_outs_expected:
        return f"{noun}: none large enough to keep"
    if job.with_cut_outs and in_bag is not None:
        return f"{noun}: {in_bag} in this bag, {job.cut_outs_bagged or 0} bagged so far"
    if job.with_cut_outs:
        if job.cut_outs_bagged is None:
            return f"{noun}: included, counted when packed"
        if job.cut_outs_bagged == job.cut_outs_expected:
            return f"{noun}: {job.cut_outs_bagged} in the bag"
        return f"{noun}: {job.cut_outs_bagged} of {job.cut_outs_expected} in the bag"
    fates = {
        Job.Fate.RECYCLED: "declined, recycled",
        Job.Fate.KEPT: "declined, kept by the workshop",
    }
    return f"{noun}: {fates.get(Job.Fate(job.cut_outs_fate), 'declined')}"


def _counts(parcel: Parcel) -> dict[int, int]:
    """Return job id -> pieces in a parcel."""
    found: dict[int, int] = {}
    for line in parcel.lines.all():
        found[line.job_id] = found.get(line.job_id, 0) + line.count
    return {job: count for job, count in found.items() if count}


def _earlier(order: Order, parcel: Parcel | None) -> dict[int, int]:
    """Return job id -> pieces in the parcels that left before this one."""
    found: dict[int, int] = {}
    for other in order.parcels.filter(withdrawn_at=None).order_by("sent_at", "id"):
        if parcel is not None and other.pk == parcel.pk:
            break
        for job, count in _counts(other).items():
            found[job] = found.get(job, 0) + count
    return found


def _bags(order: Order, parcel: Parcel | None) -> dict[int, int]:
    """Return job id -> cut-outs in this parcel's bag, where that was written down."""
    if parcel is not None:
        lines = parcel.lines.exclude(cut_outs=None)
        return {line.job_id: line.cut_outs or 0 for line in lines}
    sent: dict[int, int] = {}
    for line in ParcelLine.objects.filter(parcel__order=order, parcel__withdrawn_at=None):
        sent[line.job_id] = sent.get(line.job_id, 0) + (line.cut_outs or 0)
    jobs = order.jobs.exclude(cut_outs_bagged=None)
    return {job.pk: max(0, (job.cut_outs_bagged or 0) - sent.get(job.pk, 0)) for job in jobs}


def _rest(job: Job, here: int, earlier: int) -> str:
    """Return what became of the pieces that are not in this parcel."""
    parts = [f"{earlier} sent earlier"] if earlier else []
    if job.status in CALLED_OFF:
        parts.append(Job.Status(job.status).label)
    elif left := max(0, job.quantity - here - earlier):
        parts.append(f"{left} to follow")
    return ", ".join(parts)
