"""Offers of the shelf: made by consent, withdrawn by the artist, taken down by the workshop."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal

from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from pricing.money import format_percent

from .errors import NotNowError, RefusedError
from .models import (
    Design,
    Event,
    Mail,
    Person,
    ShelfOffer,
    ShelfPayee,
    ShelfSize,
    Version,
    Workshop,
)
from .outbox import WAIT, absolute
from .payments import refuse_card_number
from .shelf_sales import live_sizes
from .workflow import UNDO_WITHIN, Actor, record

LIFE = Event.Life.SHELF
TAKEN_DOWN_MAIL = "shelf-taken-down"
OFFERABLE = (Version.Proposal.NONE, Version.Proposal.ACCEPTED)


CONSENT = """\
I offer this drawing on the public shelf of {workshop}, in the sizes that I ticked, each as the \
version shown here.
Anybody can see it there: painted and as film, with its title, sizes and prices, and the name that \
I chose to show. My drawing, my file and the cut file are given to nobody.
Anybody can order stencils of it. The workshop owes me {percent} of the stencil’s price without \
tax for each piece that it sends off, rounded to the smallest coin. If a piece comes back or its \
money is paid back, that share is taken back.
I can take it off the shelf at any time, for the future: from then on nobody can order it. What \
was accepted before is still cut and sent, and I am still owed my share of it.
The workshop can take it off the shelf too, and tells me why.
The drawing stays mine. I drew it, or I have a licence that allows all of this."""


def consent_sentences(percent: Decimal, workshop: str) -> list[str]:
    """Return what an artist agrees to, a paragraph each, as it is shown and kept."""
    words = {"percent": format_percent(percent), "workshop": workshop}
    return [paragraph.format(**words) for paragraph in CONSENT.splitlines()]


def consent_text(percent: Decimal, workshop: str, versions: Iterable[Version]) -> str:
    """Return the sentences as one text, a paragraph each, and what was ticked."""
    ticked = "; ".join(
        f"{version.blank.name}, {version.mode}, version {version.number}" for version in versions
    )
    return "\n".join([*consent_sentences(percent, workshop), f"Ticked: {ticked}."])


def offer_of(design: Design) -> ShelfOffer | None:
    """Return the offer of a drawing that stands, or None."""
    return ShelfOffer.objects.filter(design=design, revoked_at=None, taken_down_at=None).first()


def offerable(design: Design) -> list[Version]:
    """Return what may be offered: of the drawing and of its copies at other sizes, the newest
    version of each size and kind that passed its check."""
    family = {design.pk, *_copies(design)}
    versions = Version.objects.filter(
        design__in=family,
        design__owner=design.owner,
        design__removed_at=None,
        status=Version.Status.PASSED,
        proposal__in=OFFERABLE,
    ).exclude(stencil="")
    newest: dict[tuple[str, str], Version] = {}
    for version in versions.select_related("design").defer("report", "limits").order_by("pk"):
        newest[version.blank_code, version.mode] = version
    return in_order(newest.values())


def _copies(design: Design) -> set[int]:
    """Drawings made from this one at another size, and the one it was made from with its own."""
    roots = {design.pk}
    if design.made_from is not None:
        roots.add(design.made_from.design_id)
    rows = Design.objects.filter(made_from__design__in=roots).values_list("pk", flat=True)
    return roots | set(rows)


def offer(
    design: Design,
    actor: Actor,
    versions: list[Version],
    *,
    shown_name: str,
    payee_name: str,
    pay_to: str,
    agreed_percent: Decimal,
) -> ShelfOffer:
    """Put a drawing on the shelf, with the consent dated and kept word for word.

    Pressed twice it is there once. Raises RefusedError for what may not be offered, or where the
    share has changed since the page was shown.
    """
    if actor.person is None or design.owner_id != actor.person.pk:
        raise RefusedError("Only the signed-in owner of a drawing offers it: they are paid for it.")
    refuse_card_number(pay_to)
    with transaction.atomic():
        Design.objects.select_for_update().get(pk=design.pk)
        standing = offer_of(design)
        if standing is not None:
            return standing
        shop = Workshop.current()
        if agreed_percent != shop.shelf_share_percent:
            raise RefusedError("The share has changed since you opened the page. Read it again.")
        allowed = {version.pk for version in offerable(design)}
        if not versions or any(version.pk not in allowed for version in versions):
            raise RefusedError("Choose at least one size of those that hold.")
        row = ShelfOffer.objects.create(
            design=design,
            artist=actor.person,
            shown_name=shown_name,
            share_percent=shop.shelf_share_percent,
            consent_text=consent_text(shop.shelf_share_percent, shop.name, versions),
        )
        for version in versions:
            ShelfSize.objects.create(offer=row, version=version)
        ShelfPayee.objects.update_or_create(
            person=actor.person, defaults={"name": payee_name, "pay_to": pay_to}
        )
        record(LIFE, "offer", actor, version=versions[0], why=f"shelf {row.code}")
    return row


def withdraw(offer: ShelfOffer, actor: Actor) -> None:
    """Take one's own drawing off the shelf. Safe to repeat."""
    with transaction.atomic():
        held = ShelfOffer.objects.select_for_update().get(pk=offer.pk)
        if not held.stands:
            return
        held.revoked_at = offer.revoked_at = timezone.now()
        held.save(update_fields=["revoked_at"])
        record(LIFE, "withdraw", actor, why=f"shelf {held.code}")


def undo_withdraw(offer: ShelfOffer, actor: Actor) -> None:
    """Put it back within a quarter of an hour, by the consent that it had. Safe to repeat."""
    with transaction.atomic():
        held = ShelfOffer.objects.select_for_update().get(pk=offer.pk)
        if held.stands:
            return
        if held.taken_down_at is not None or not _just_now(held.revoked_at):
            raise NotNowError("That was longer than 15 minutes ago. Offer the drawing anew.")
        _refuse_second(held)
        held.revoked_at = offer.revoked_at = None
        held.save(update_fields=["revoked_at"])
        record(LIFE, "undo", actor, why=f"shelf {held.code}")


def take_down(offer: ShelfOffer, actor: Actor, *, why: str) -> None:
    """Take an offer off the shelf by the workshop; the artist is mailed the reason.

    Safe to repeat. Raises RefusedError without a reason, NotNowError where the artist withdrew it.
    """
    if not why.strip():
        raise RefusedError("Write a reason; the artist is mailed it.")
    with transaction.atomic():
        held = ShelfOffer.objects.select_for_update().get(pk=offer.pk)
        if held.taken_down_at is not None:
            return
        if held.revoked_at is not None:
            raise NotNowError("It is off the shelf already.")
        held.taken_down_at = offer.taken_down_at = timezone.now()
        held.taken_down_by, held.taken_down_why = actor.person, why.strip()
        held.save(update_fields=["taken_down_at", "taken_down_by", "taken_down_why"])
        event = record(LIFE, "take-down", actor, why=f"shelf {held.code}: {why.strip()}")
        _write_taken_down(held, event)


def undo_take_down(offer: ShelfOffer, actor: Actor) -> None:
    """Put an offer back that was taken down just now, and withdraw the letter. Safe to repeat."""
    with transaction.atomic():
        held = ShelfOffer.objects.select_for_update().get(pk=offer.pk)
        if held.stands:
            return
        if held.revoked_at is not None or not _just_now(held.taken_down_at):
            raise NotNowError("That was longer than 15 minutes ago; the artist offers it anew.")
        _refuse_second(held)
        held.taken_down_at = offer.taken_down_at = held.taken_down_by = None
        held.taken_down_why = ""
        held.save(update_fields=["taken_down_at", "taken_down_by", "taken_down_why"])
        letters = Mail.objects.filter(kind=TAKEN_DOWN_MAIL, status=Mail.Status.WAITING)
        letters.filter(event__why__startswith=f"shelf {held.code}:").update(
            status=Mail.Status.WITHDRAWN
        )
        record(LIFE, "undo", actor, why=f"shelf {held.code}")


def may_undo(offer: ShelfOffer) -> bool:
    """Whether the last step of an offer that ended can still be taken back."""
    return not offer.stands and _just_now(offer.taken_down_at or offer.revoked_at)


def sizes_of(offer: ShelfOffer) -> list[Version]:
    """Return what an offer shows, stencils before masks, the largest first."""
    return sizes_by_offer([offer]).get(offer.pk, [])


def sizes_by_offer(offers: Iterable[ShelfOffer]) -> dict[int, list[Version]]:
    """Return what each of several offers shows, in one query; offers without any are left out."""
    sizes = live_sizes().filter(offer__in=[offer.pk for offer in offers])
    sizes = sizes.select_related("version__design")
    found: dict[int, list[Version]] = {}
    for row in sizes.defer("version__report", "version__limits"):
        found.setdefault(row.offer_id, []).append(row.version)
    return {pk: in_order(versions) for pk, versions in found.items()}


def in_order(versions: Iterable[Version]) -> list[Version]:
    """Return versions with stencils before masks, the largest first."""
    return sorted(
        versions,
        key=lambda v: (v.mode == "mask", -v.blank.width_mm * v.blank.height_mm, v.pk),
    )


def change_payee(person: Person, *, name: str, pay_to: str) -> None:
    """Keep where a person's shares are sent. Raises RefusedError for the number of a card."""
    refuse_card_number(pay_to)
    ShelfPayee.objects.update_or_create(person=person, defaults={"name": name, "pay_to": pay_to})


def write_letter(kind: str, to: Person, event: Event, context: dict[str, object]) -> Mail | None:
    """Put a letter about the shelf into the outbox; it belongs to no order."""
    if to.erased_at is not None:
        return None
    context = context | {
        "workshop": Workshop.current(),
        "shelf_address": absolute(reverse("mine-shelf")),
    }
    text = render_to_string(f"mail/{kind}.txt", context)
    subject, _, body = text.partition("\n")
    now = timezone.now()
    defaults = {
        "subject": " ".join(subject.split())[:200],
        "body": body.strip() + "\n",
        "created_at": now,
        "send_after": now + WAIT,
    }
    return Mail.objects.get_or_create(event=event, kind=kind, to=to.email, defaults=defaults)[0]


def _write_taken_down(offer: ShelfOffer, event: Event) -> None:
    title = offer.design.title if offer.design else ""
    words = {"title": title, "why": offer.taken_down_why, "name": offer.shown_name}
    write_letter(TAKEN_DOWN_MAIL, offer.artist, event, dict(words))


def _just_now(at: datetime | None) -> bool:
    return at is not None and timezone.now() - at <= UNDO_WITHIN


def _refuse_second(offer: ShelfOffer) -> None:
    if offer.design is None or offer.design.removed_at is not None:
        raise NotNowError("The drawing is deleted. Bring it back and offer it anew.")
    if offer_of(offer.design) is not None:
        raise NotNowError("The drawing was offered anew meanwhile.")
