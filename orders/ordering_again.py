"""Ordering again: what an order's jobs were, put into a basket at today's prices."""

from __future__ import annotations

from dataclasses import dataclass, field

from django.db import transaction

from .models import Film, Job, Order, OrderLine, Version
from .shelf_sales import live, sale_of

ADDRESS = (
    "delivery",
    "ship_name",
    "ship_line1",
    "ship_line2",
    "ship_city",
    "ship_region",
    "ship_postcode",
    "ship_country",
)


@dataclass
class PutIn:
    """How many lines are in the basket now, and a sentence for each job that could not be."""

    lines: int = 0
    left_out: list[str] = field(default_factory=list)


def put_in_again(basket: Order, order: Order, jobs: list[Job]) -> PutIn:
    """Put an order's jobs into a basket, with its address where the basket has none.

    Pressed twice it is in once: a line that is there stays as it is. A film that cannot be had
    any more is replaced by the usual one of today, and that is told.
    """
    put = PutIn()
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=basket.pk)
        for job in jobs:
            film = _film_for(job)
            sentence = problem(job, film)
            if sentence or film is None:
                put.left_out.append(sentence)
                continue
            OrderLine.objects.get_or_create(
                order=basket,
                version=job.version,
                film=film,
                defaults={
                    "quantity": job.quantity,
                    "with_cut_outs": job.with_cut_outs,
                    "shelf_offer_id": sale.offer_id if (sale := sale_of(job)) else None,
                },
            )
            put.lines += 1
            if film.pk != job.film_id:
                put.left_out.append(
                    f"{job.film} cannot be had any more; “{job.version.design.title}” "
                    f"is put in on {film}."
                )
        if put.lines and not basket.ship_name:
            changed = {name: getattr(order, name) for name in ADDRESS}
            Order.objects.filter(pk=basket.pk, placed_at=None).update(**changed)
    return put


def problem(job: Job, film: Film | None) -> str:
    """Return why a job cannot be ordered again, "" where it can."""
    design = job.version.design
    if design.erased_at is not None or design.removed_at is not None:
        return f"“{design.title}” is deleted, so it cannot be ordered again."
    if job.version.status not in (Version.Status.PASSED, Version.Status.REJECTED):
        return f"“{design.title}” could not be read, so it cannot be ordered again."
    sale = sale_of(job)
    if sale is not None and not live().filter(pk=sale.offer_id).exists():
        return f"“{design.title}” is not on the shelf any more, so it cannot be ordered again."
    if film is None:
        return f"No film in stock is large enough for “{design.title}” at this size."
    return ""


def _film_for(job: Job) -> Film | None:
    """Return the job's film, or the nearest in thickness that can be had today."""
    if job.film.is_active and job.film.takes(job.version.blank_code):
        return job.film
    fitting = [
        film for film in Film.objects.filter(is_active=True) if film.takes(job.version.blank_code)
    ]
    return min(
        fitting,
        key=lambda film: (abs(film.thickness_mm - job.film.thickness_mm), film.pk),
        default=None,
    )
