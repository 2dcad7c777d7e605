"""Packing and sending: whole jobs, or the part of them that goes ahead.

Pieces are counted (wanted, cut, packed, shipped). A job is packed or on its way once all of its
pieces are; a part that goes ahead moves the counts and leaves the job where it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Sum
from django.utils import timezone

from orders.errors import RefusedError
from orders.models import Event, Job, Order, Packaging, Parcel, ParcelLine
from orders.models.jobs import CALLED_OFF
from orders.outbox import withdraw, write_mail
from orders.shelf_sales import book
from orders.words import counted

from .moves import Actor, move, repeated

SENT_FROM = (Job.Status.QUEUED, Job.Status.CUTTING, Job.Status.CUT, Job.Status.PACKED)


@dataclass(frozen=True)
class Sending:
    """How a parcel goes. ``pieces`` maps job ids to how many go along, all that are packed if not.

    ``weight_g`` is what it weighs with its packaging, worked out or read from a scale.
    """

    carrier: str = ""
    tracking: str = ""
    collected: bool = False
    pieces: Mapping[int, int] = field(default_factory=dict)
    packaging: Packaging | None = None
    weight_g: Decimal | None = None


def pack(
    job: Job,
    actor: Actor,
    *,
    cut_outs_bagged: int | None = None,
    fate: str = "",
    seen: int | None = None,
) -> Event:
    """Pack all of a job's pieces, its cut-outs counted and bagged, or recycled, or kept."""
    job.refresh_from_db()
    changes = {"packed": job.cut, **_cut_outs(job, cut_outs_bagged, fate)}
    return move(job, "pack", actor, changes=changes, seen=seen)


def pack_part(
    job: Job,
    actor: Actor,
    *,
    pieces: int,
    cut_outs_bagged: int | None = None,
    fate: str = "",
    seen: int | None = None,
) -> Event:
    """Pack some of a job's pieces ahead of the rest; its status stays what it is.

    ``cut_outs_bagged`` are those of the bag that goes along. Raises RefusedError for more pieces
    than are cut and not packed, and for all that were ordered: that is ``pack``.
    """
    job.refresh_from_db()
    if seen in (None, job.revision):
        ready = job.cut - job.packed
        if not 0 < pieces <= ready:
            raise RefusedError(
                f"Cut and not packed: {counted(ready, 'piece')}. Correct the number of pieces."
            )
        if job.packed + pieces >= job.quantity:
            raise RefusedError("That is every piece of the job. Press Packed instead.")
    changes = {"packed": job.packed + pieces, **_cut_outs(job, cut_outs_bagged, fate)}
    return move(job, "pack-part", actor, target=job.status, changes=changes, seen=seen)


def unpack(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Take what is packed and not sent out of the envelope again."""
    job.refresh_from_db()
    changes = {"packed": job.shipped}
    if job.status == Job.Status.PACKED:
        return move(job, "unpack", actor, changes=changes, seen=seen)
    return move(job, "unpack-part", actor, target=job.status, changes=changes, seen=seen)


def ship(
    order: Order,
    actor: Actor,
    jobs: Iterable[Job],
    *,
    seen: Mapping[int, int] | None = None,
    **how: Any,
) -> Parcel:
    """Send packed pieces of one order off together, by post or handed over.

    ``how`` are the fields of ``Sending``. ``seen`` maps job ids to the revisions on the page. The
    same press twice returns its parcel. The letter says if the rest follows.
    """
    jobs, sending = list(jobs), Sending(**how)
    if not jobs:
        raise RefusedError("Choose at least one packed job.")
    if not sending.collected and not sending.carrier.strip():
        raise RefusedError("Enter who carries the parcel.")
    with transaction.atomic():
        order = Order.objects.select_for_update().get(pk=order.pk)
        for job in jobs:
            job.refresh_from_db()
            if _sent_before(job, actor, sending.collected, (seen or {}).get(job.pk)):
                return job.parcel_lines.filter(parcel__withdrawn_at=None).latest("id").parcel
        parcel = _parcel(order, actor, sending)
        for job in jobs:
            event = _send(job, order, parcel, actor, sending)
        book(parcel, actor.person)
        withdraw(order, ("all-cut",))
        whole = "handed-over" if sending.collected else "shipped"
        kind = f"part-{whole}" if left_to_send(order) else whole
        parcel.mail = write_mail(kind, order, event, parcel=parcel)
        parcel.save(update_fields=["mail"])
    return parcel


def left_to_send(order: Order) -> int:
    """Return how many pieces of an order are still to be sent."""
    live = order.jobs.exclude(status__in=CALLED_OFF)
    sums = live.aggregate(wanted=Sum("quantity"), sent=Sum("shipped"))
    return (sums["wanted"] or 0) - (sums["sent"] or 0)


def cut_outs_sent(job: Job) -> int:
    """Return how many of a job's bagged cut-outs left in earlier parcels."""
    lines = job.parcel_lines.filter(parcel__withdrawn_at=None)
    return int(lines.aggregate(sent=Sum("cut_outs"))["sent"] or 0)


def _cut_outs(job: Job, bagged: int | None, fate: str) -> dict[str, object]:
    """Return what packing writes about cut-outs; the bag's count adds to what was sent before."""
    if not job.cut_outs_expected:
        return {}
    if job.with_cut_outs:
        if bagged is None:
            raise RefusedError("Count the cut-outs in the bag and enter the number (0 if none).")
        in_all = cut_outs_sent(job) + bagged
        return {"cut_outs_bagged": in_all, "cut_outs_fate": Job.Fate.BAGGED}
    if fate not in (Job.Fate.RECYCLED, Job.Fate.KEPT):
        raise RefusedError("The artist declined the cut-outs. Say if they are recycled or kept.")
    return {"cut_outs_fate": fate}


def _parcel(order: Order, actor: Actor, sending: Sending) -> Parcel:
    now = timezone.now()
    return Parcel.objects.create(
        order=order,
        carrier=sending.carrier.strip(),
        tracking=sending.tracking.strip(),
        collected=sending.collected,
        packaging=sending.packaging,
        weight_g=sending.weight_g,
        sent_at=now,
        sent_on=timezone.localdate(now),
        sent_by=actor.person,
    )


def _send(job: Job, order: Order, parcel: Parcel, actor: Actor, sending: Sending) -> Event:
    """Put pieces of one job into the parcel: all that are packed, or as many as are given."""
    if job.order_id != order.pk:
        raise RefusedError(f"{job} belongs to another order.")
    packed = job.packed - job.shipped
    pieces = sending.pieces.get(job.pk, packed)
    if not 0 < pieces <= packed and job.status in SENT_FROM:
        raise RefusedError(
            f"Of {job} {counted(packed, 'piece')} lie packed. Correct the number of pieces."
        )
    cut_outs = max(0, (job.cut_outs_bagged or 0) - cut_outs_sent(job))
    is_last = job.status == Job.Status.PACKED and pieces == packed
    changes = {"shipped": job.shipped + pieces}
    if is_last or job.status not in SENT_FROM:
        action, target = ("hand-over" if sending.collected else "ship"), None
    else:
        action = "hand-over-part" if sending.collected else "ship-part"
        target = job.status
    event = move(job, action, actor, target=target, changes=changes)
    ParcelLine.objects.create(parcel=parcel, job=job, count=pieces, cut_outs=cut_outs)
    return event


def _sent_before(job: Job, actor: Actor, collected: bool, seen: int | None) -> bool:
    """Whether this press was made before; raises StaleError when the page was outdated."""
    words = ("hand-over", "hand-over-part") if collected else ("ship", "ship-part")
    last = job.events.filter(life=Event.Life.JOB).order_by("-id").first()
    action = last.action if last is not None and last.action in words else words[0]
    return repeated(job, "job", action, actor, seen) is not None
