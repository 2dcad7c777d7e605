"""The same again: a new order from an old one, quoted by today's prices in one press."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from geometry.limits import BLANKS

from . import drawings
from .errors import RefusedError
from .models import Event, Film, Job, Order, OrderLine, Person, Quote, Version
from .models.orders import LARGEST_QUANTITY
from .ordering_again import problem
from .quoting import make_quote
from .shelf_sales import sale_of
from .workflow import Actor, record

COPIED = (
    "delivery",
    "ship_name",
    "ship_line1",
    "ship_line2",
    "ship_city",
    "ship_region",
    "ship_postcode",
    "ship_country",
)
SAME_PRESS = timedelta(seconds=60)


def order_again(
    old: Order, actor: Actor, wanted: dict[str, tuple[int, Film]], *, rights_confirmed: bool
) -> Quote:
    """Make and quote a new order of an old one's jobs; the same press again returns its quote.

    `wanted` maps job codes to (pieces, film); jobs left out are not ordered. The version is the
    one that was cut. Raises RefusedError where nothing is wanted or a film cannot be had.
    """
    if not rights_confirmed:
        raise RefusedError("Confirm that the drawings are yours or that you have a licence.")
    related = old.jobs.select_related("version__design", "shelf_sale")
    jobs = [job for job in related if job.code in wanted]
    if not jobs or old.artist is None:
        raise RefusedError("Choose at least one stencil to order again.")
    for job in jobs:
        if sentence := problem(job, wanted[job.code][1]):
            raise RefusedError(sentence)
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=old.pk)
        before = _just_now(old)
        if before is not None:
            return before
        now = timezone.now()
        order = Order.objects.create(
            artist=old.artist,
            placed_at=now,
            rights_confirmed_at=now,
            **{name: getattr(old, name) for name in COPIED},
        )
        offers = {job.version_id: sale.offer_id for job in jobs if (sale := sale_of(job))}
        for (version, film), (pieces, with_cut_outs) in _merged(jobs, wanted).items():
            OrderLine.objects.create(
                shelf_offer_id=offers.get(version.pk),
                order=order,
                version=version,
                film=film,
                quantity=pieces,
                with_cut_outs=with_cut_outs,
            )
        record(Event.Life.ORDER, "again", actor, order=order, why=f"again: {old.code}")
        return make_quote(order, actor)


def at_other_size(version: Version, blank_code: str, by: Person | None) -> Version:
    """Return the drawing of a version made smaller or larger for another blank; the check looks
    at it before it can be ordered."""
    if blank_code not in BLANKS:
        raise RefusedError("Choose one of the sizes in the list.")
    before, after = version.blank.size_mm, BLANKS[blank_code].size_mm
    ratio = min(new / old for new, old in zip(sorted(after), sorted(before), strict=True))
    scale = round(float(version.recipe.get("scale", 1.0)) * ratio, 6)
    return drawings.at_size(version, blank_code, None, by=by, scale=scale)


def film_like(film: Film, there: Iterable[Film]) -> Film | None:
    """Return the film to cut from, of those there: this one, or the nearest in thickness."""
    return min(
        there,
        key=lambda f: (f.pk != film.pk, abs(f.thickness_mm - film.thickness_mm)),
        default=None,
    )


def _merged(
    jobs: list[Job], wanted: dict[str, tuple[int, Film]]
) -> dict[tuple[Version, Film], tuple[int, bool]]:
    """Lines by version and film; two jobs that come to the same are put together."""
    merged: dict[tuple[Version, Film], tuple[int, bool]] = {}
    for job in jobs:
        pieces, film = wanted[job.code]
        so_far, bag = merged.get((job.version, film), (0, False))
        if so_far + pieces > LARGEST_QUANTITY:
            raise RefusedError(
                f"That is more than {LARGEST_QUANTITY} of “{job.version.design.title}” "
                "on one film. Ask for fewer, or order it twice."
            )
        merged[job.version, film] = (so_far + pieces, bag or job.with_cut_outs)
    return merged


def _just_now(old: Order) -> Quote | None:
    made = Event.objects.filter(
        action="again",
        why=f"again: {old.code}",
        at__gt=timezone.now() - SAME_PRESS,
        order__quotes__status=Quote.Status.OFFERED,
    ).last()
    return made.order.quotes.latest("number") if made and made.order else None
