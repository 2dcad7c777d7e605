"""Taking away and erasing: a drawing, what a browser put in, an account.

A drawing that is taken away can be brought back for 24 hours; then the sweep erases it, files and
all. What was sold is kept by the workshop until its time is over: the drawing for remakes and
complaints, name and address on what was invoiced. A row that an order's record names stays as an
empty husk. Every step is recorded without what was erased, and is safe to repeat.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from allauth.account.models import EmailAddress
from axes.models import AccessAttempt, AccessFailureLog, AccessLog
from django.conf import settings
from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import CASCADE, Exists, FileField, Max, OuterRef, Q, QuerySet
from django.utils import timezone

from . import messages, shelf_sales, workflow
from .codes import new_token
from .dates import today
from .errors import NotNowError, RefusedError
from .kept_pictures import forget_picture
from .models import (
    Design,
    Event,
    Job,
    Mail,
    Order,
    OrderLine,
    Parcel,
    Person,
    Photo,
    Quote,
    ShareLine,
    SharePayout,
    ShelfOffer,
    ShelfPayee,
    ShelfSale,
    Version,
    Working,
)
from .models.jobs import CALLED_OFF, OVER
from .prepared import forget_prepared
from .see_pictures import forget_views
from .workflow import SYSTEM_ACTOR, Actor, record

logger = logging.getLogger(__name__)

BACK_WITHIN = timedelta(hours=24)
TRIES_KEPT = timedelta(days=30)
ERASED_TITLE = "Erased drawing"
ERASED_TEXT = "(erased)"
ERASED_EMAIL = "erased-{}@erased.invalid"  # RFC 2606: nothing is ever mailed to .invalid
ERASE_WORD = "erase"
SENT = (Job.Status.SHIPPED, Job.Status.HANDED_OVER)
FILES = ("film_picture", "drawing_picture", "stencil")
AT_ONCE = 50


@dataclass(frozen=True)
class Kept:
    """Why a drawing that was taken away is not erased yet, and until when."""

    until: date
    why: str


def remove_design(design: Design, actor: Actor) -> None:
    """Take a drawing out of its artist's list and baskets. Safe to repeat.

    Refused while it is being made: the workshop may have to ask about it.
    """
    open_jobs = Job.objects.filter(version__design=design).exclude(status__in=OVER)
    if open_jobs.exists():
        sentence = "This drawing is in an order that is not finished yet, so it stays."
        if ShelfOffer.objects.filter(sizes__version__design=design, revoked_at=None).exists():
            sentence += " You can take it off the shelf at once, under “Mine”."
        raise NotNowError(sentence)
    with transaction.atomic():
        held = Design.objects.select_for_update().get(pk=design.pk)
        if held.removed_at is not None:
            return
        held.removed_at = design.removed_at = timezone.now()
        held.kept_until = design.kept_until = _look_again_on(kept_for(held))
        held.save(update_fields=["removed_at", "kept_until"])
        lines = OrderLine.objects.filter(version__design=design, order__placed_at=None)
        lines.delete()
        shelf_sales.leave(Design.objects.filter(pk=design.pk))
        record("version", "remove", actor, version=design.latest)


def restore_design(design: Design, actor: Actor) -> None:
    """Bring a drawing back that was taken away. Safe to repeat; refused once it is erased."""
    with transaction.atomic():
        held = Design.objects.select_for_update().filter(pk=design.pk).first()
        if held is None or held.erased_at is not None:
            raise NotNowError("That drawing is erased; put the picture in again.")
        if held.removed_at is None:
            return
        if held.removed_at < timezone.now() - BACK_WITHIN:
            raise NotNowError("That was longer than 24 hours ago; put the picture in again.")
        held.removed_at = design.removed_at = held.kept_until = None
        held.save(update_fields=["removed_at", "kept_until"])
        record("version", "restore", actor, version=held.latest)


def kept_for(design: Design) -> Kept | None:
    """Return why the workshop must keep a drawing, or None when it may be erased."""
    sent = Parcel.objects.filter(lines__job__version__design=design, withdrawn_at=None)
    last = sent.aggregate(last=Max("sent_at"))["last"]
    jobs = Job.objects.filter(version__design=design)
    if last is None and jobs.filter(status__in=SENT).exists():
        last = jobs.aggregate(last=Max("created_at"))["last"]
    reasons = []
    if last is not None:
        until = timezone.localtime(last).date() + timedelta(days=settings.KEEP_ORDERED_DAYS)
        reasons.append(Kept(until, "it was ordered, and may have to be cut again"))
    # a quote from the shelf cannot be accepted any more once the drawing is gone from there
    own_lines = OrderLine.objects.filter(version__design=design, shelf_offer=None)
    quotes = Quote.objects.filter(
        order__lines__in=own_lines,
        order__artist=design.owner,  # nobody else's quote keeps a drawing from being erased
        status=Quote.Status.OFFERED,
        valid_until__gte=today(),
    )
    for quote in quotes:
        until = quote.valid_until + timedelta(days=1)
        reasons.append(Kept(until, "it stands in a quote that can still be accepted"))
    if jobs.exclude(status__in=OVER).exists():
        reasons.append(Kept(date.max, "it is being made"))
    due = [reason for reason in reasons if reason.until > today()]
    return max(due, key=lambda reason: reason.until, default=None)


def erase_due() -> int:
    """Erase what was taken away more than 24 hours ago and need not be kept; return how many."""
    over = timezone.now() - BACK_WITHIN
    is_due = Q(kept_until=None) | Q(kept_until__lte=today())
    due = Design.objects.filter(is_due, removed_at__lte=over, erased_at=None)
    # begun and not ended: a process that stopped between the files and the rows
    begun = Design.objects.filter(erased_at__isnull=False, uploads__file__gt="").distinct()
    erased = 0
    for design in [*due.order_by("removed_at")[:AT_ONCE], *begun[:AT_ONCE]]:
        erased += erase_design(design)
    return erased


def erase_design(design: Design) -> int:
    """Erase a drawing that was taken away: its files first, then its rows. Safe to repeat.

    Returns 1 when it is gone, 0 when it must be kept or was brought back meanwhile.
    """
    with transaction.atomic():
        # an accepted or renewed quote holds its order first, so neither slips in between
        list(Order.objects.select_for_update().filter(lines__version__design=design))
        held = Design.objects.select_for_update().filter(pk=design.pk).first()
        if held is None or held.removed_at is None:
            return 0
        kept = kept_for(held)
        if kept is not None:
            Design.objects.filter(pk=held.pk).update(kept_until=_look_again_on(kept))
            return 0
        if held.erased_at is None:
            held.erased_at = timezone.now()
            held.save(update_fields=["erased_at"])
    files = _delete_files(held)
    with transaction.atomic():
        _empty_rows(held)
        record("version", "erase", SYSTEM_ACTOR, why=f"files erased: {files}")
    return 1


def erase_visitor(key: str) -> int:
    """Erase what a browser put in and nobody owns yet; return how many drawings it was."""
    if not key:
        return 0
    Order.objects.filter(visitor=key, artist=None, placed_at=None).delete()
    return _erase_all(Design.objects.filter(visitor=key, owner=None, erased_at=None))


def erase_account(person: Person, key: str, actor: Actor) -> None:
    """Erase a person: drawings, words, address and name, but for what was invoiced.

    Refused with a sentence while something is being made for them.
    """
    if person.is_workshop:
        raise RefusedError("A sign-in of the workshop is not erased here.")
    with transaction.atomic():
        held = Person.objects.select_for_update().get(pk=person.pk)
        if held.erased_at is not None:
            return
        making = Job.objects.filter(order__artist=held).exclude(status__in=OVER)
        if making.exists():
            raise NotNowError(
                "Something is still being made for you. Call it off or wait until it has "
                "arrived; the parcel needs your name and address until then."
            )
        Order.objects.filter(artist=held, placed_at=None).delete()
        for order in Order.objects.select_for_update().filter(artist=held):
            _empty_order(order)
        _empty_letters(held)
        _leave_shelf(held)
        record("order", "erase-account", actor)
        Event.objects.filter(by=held, role=Event.Role.ARTIST).exclude(why="").update(why="")
        _empty_person(held)
    _erase_all(Design.objects.filter(owner=held, erased_at=None))
    erase_visitor(key)


def erase_old_books() -> int:
    """Erase name and address on orders of erased accounts once their books' time is over."""
    over = timezone.now() - timedelta(days=settings.KEEP_BOOKS_DAYS)
    _forget_payees(over)
    old = Order.objects.filter(artist__erased_at__isnull=False, placed_at__lt=over)
    return old.exclude(ship_name="", ship_line1="").update(**_no_address())


def erase_forgotten() -> int:
    """Erase drawings that nobody signed in for or ordered, long after they were last changed."""
    over = timezone.now() - timedelta(days=settings.KEEP_UNCLAIMED_DAYS)
    unclaimed = Design.objects.filter(owner=None, erased_at=None, created_at__lt=over)
    forgotten = unclaimed.exclude(visitor="").exclude(versions__created_at__gte=over)
    ordered = Job.objects.filter(version__design=OuterRef("pk"))
    return _erase_all(forgotten.exclude(Exists(ordered)).distinct()[:AT_ONCE])


def erase_old_letters() -> int:
    """Take the words out of letters as old as the drawings that are kept for remakes."""
    over = timezone.now() - timedelta(days=settings.KEEP_ORDERED_DAYS)
    old = Mail.objects.filter(created_at__lt=over).exclude(body=ERASED_TEXT)
    gone = old.exclude(status__in=(Mail.Status.WAITING, Mail.Status.SENDING))
    return gone.update(subject=ERASED_TEXT, body=ERASED_TEXT, failure="")


def erase_sign_in_tries() -> int:
    """Delete the record of sign-in tries, with their addresses, after a month."""
    over = timezone.now() - TRIES_KEPT
    logs = (AccessAttempt, AccessFailureLog, AccessLog)
    return sum(log.objects.filter(attempt_time__lt=over).delete()[0] for log in logs)


def _look_again_on(kept: Kept | None) -> date | None:
    """Return the day on which a kept drawing is looked at again; what is open, tomorrow."""
    if kept is None:
        return None
    return today() + timedelta(days=1) if kept.until == date.max else kept.until


def _erase_all(designs: Iterable[Design]) -> int:
    """Take away and erase at once; what must be kept is hidden and erased by the sweep."""
    erased = 0
    for design in list(designs):
        now = timezone.now()
        shelf_sales.leave(Design.objects.filter(pk=design.pk))
        Design.objects.filter(pk=design.pk).update(visitor="", owner=None, note="", removed_at=now)
        OrderLine.objects.filter(version__design=design, order__placed_at=None).delete()
        erased += erase_design(design)
    return erased


def _delete_files(design: Design) -> int:
    """Delete every stored file of a drawing; return how many there were."""
    names = [upload.file.name for upload in design.uploads.all()]
    versions = design.versions.select_related("upload")
    for version in versions:
        names += [getattr(version, field).name for field in FILES]
        forget_prepared(version)
        forget_picture(version)
        forget_views(version)
    names += [p.file.name for p in Photo.objects.filter(job__version__design=design)]
    for rows, fields in _rows_with_files(versions):
        names += [getattr(row, field).name for row in rows for field in fields]
    stored = {name for name in names if name}
    for name in stored:
        default_storage.delete(name)
    return len(stored)


def _rows_with_files(versions: QuerySet[Version]) -> Iterator[tuple[QuerySet[Any], list[str]]]:
    """Give the rows that live and die with a version and hold files, with those fields' names.

    Read from the models, so that what is made of a drawing in time to come is erased too.
    """
    for relation in Version._meta.related_objects:
        model = relation.related_model
        if relation.on_delete is not CASCADE or isinstance(model, str):
            continue
        fields = [field.name for field in model._meta.fields if isinstance(field, FileField)]
        if fields:
            yield model._base_manager.filter(**{f"{relation.field.name}__in": versions}), fields


def _empty_rows(design: Design) -> None:
    """Delete a drawing's rows; where a job names its version, leave husks that say nothing."""
    Photo.objects.filter(job__version__design=design).delete()
    Working.objects.filter(version__design=design).delete()
    OrderLine.objects.filter(version__design=design).delete()
    named = Q(jobs__isnull=False) | Q(proposed_for__isnull=False)
    if not design.versions.filter(named).exists():
        design.versions.all().delete()
        design.uploads.all().delete()
        design.delete()
        return
    for rows, _ in _rows_with_files(design.versions.all()):
        rows.delete()
    for version in design.versions.all():
        report = version.report or {}
        version.report = {
            key: report[key] for key in ("schema", "verdict", "stencil") if key in report
        }
        version.recipe = {
            "schema": 1,
            "mode": version.mode,
            "blank_mm": list(version.blank.size_mm),
        }
        for field in FILES:
            setattr(version, field, "")
        version.proposal_reason = ""
        version.save()
    design.uploads.update(file="", name=ERASED_TITLE, sha256="", size_bytes=0)
    Design.objects.filter(pk=design.pk).update(
        title=ERASED_TITLE, note="", visitor="", owner=None, made_from=None
    )


def _empty_order(order: Order) -> None:
    """Leave of an order what its invoice needs, and nothing where nothing was sold."""
    workflow.expire_open(order)
    changed: dict[str, object] = {"note": "", "visitor": "", "link_token": new_token()}
    if not order.jobs.exclude(status__in=CALLED_OFF).exists():
        changed |= _no_address()
    Order.objects.filter(pk=order.pk).update(**changed)
    for quote in order.quotes.all():  # whose addresses lead on to the order's own
        order.quotes.filter(pk=quote.pk).update(token=new_token())
    for message in order.messages.all():
        messages.empty(message)
        message.pin_x_mm = message.pin_y_mm = None
        message.save()
    order.mails.filter(status=Mail.Status.WAITING).update(status=Mail.Status.WITHDRAWN)
    order.mails.update(subject=ERASED_TEXT, body=ERASED_TEXT)
    Version.objects.filter(proposed_for__order=order).update(proposal_reason="")


def _leave_shelf(person: Person) -> None:
    """Take a person's offers off the shelf; what they are owed stays, with whom it is paid to."""
    standing = ShelfOffer.objects.filter(artist=person, revoked_at=None, taken_down_at=None)
    standing.update(revoked_at=timezone.now())
    ShelfOffer.objects.filter(artist=person).update(shown_name="", taken_down_why="")
    if not ShelfSale.objects.filter(offer__artist=person).exists():
        ShelfPayee.objects.filter(person=person).delete()


def _forget_payees(over: datetime) -> None:
    """Forget whom shares of erased accounts were paid to, once their books' time is over."""
    kept = ShareLine.objects.filter(at__gte=over).values("artist")
    kept_payouts = SharePayout.objects.filter(at__gte=over).values("artist")
    old = ShelfPayee.objects.filter(person__erased_at__lt=over)
    old.exclude(person__in=kept).exclude(person__in=kept_payouts).delete()


def _empty_letters(person: Person) -> None:
    """Take words and address out of every letter to a person. Each keeps an address of its own."""
    for letter in Mail.objects.filter(to=person.email):
        letter.to, letter.subject = ERASED_EMAIL.format(person.pk), ERASED_TEXT
        letter.body, letter.failure = ERASED_TEXT, ""
        if letter.status == Mail.Status.WAITING:
            letter.status = Mail.Status.WITHDRAWN
        letter.save()


def _empty_person(person: Person) -> None:
    EmailAddress.objects.filter(user=person).delete()
    for log in (AccessAttempt, AccessFailureLog, AccessLog):
        log.objects.filter(username=person.email).delete()
    person.email = ERASED_EMAIL.format(person.pk)
    person.name = ""
    person.is_active = False
    person.erased_at = timezone.now()
    person.set_unusable_password()
    person.save()


def _no_address() -> dict[str, object]:
    names = (field.name for field in Order._meta.get_fields() if field.name.startswith("ship_"))
    return dict.fromkeys(names, "")
