"""The one guarded write behind every change of status, and its undo."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from orders.errors import NotAllowedError, NotNowError, StaleError
from orders.models import Event, Job, Person, Quote, SheetRun

from .tables import step_of

UNDO_WITHIN = timedelta(minutes=15)


@dataclass(frozen=True)
class Actor:
    """Who acts: a role, and the person where one is signed in (or known by a mailed link)."""

    role: str
    person: Person | None = None


SYSTEM_ACTOR = Actor(Event.Role.SYSTEM)

Moved = Job | Quote | SheetRun
_LIFE = {Job: "job", Quote: "quote", SheetRun: "run"}


def move(
    row: Moved,
    action: str,
    actor: Actor,
    *,
    target: str | None = None,
    why: str = "",
    seen: int | None = None,
    changes: dict[str, Any] | None = None,
) -> Event:
    """Take one row one step on and record it, or raise and change nothing.

    ``seen`` is the revision on the page where the button was pressed. The same press twice
    returns the first one's event; a press on an outdated page raises StaleError. ``changes`` are
    further fields written by the same guarded UPDATE; their old values go into the event.
    ``row`` is brought up to date.
    """
    life = _LIFE[type(row)]
    step = step_of(life, action)
    if actor.role not in step.who:
        raise NotAllowedError("That is not yours to do.")
    with transaction.atomic():
        _lock(row)
        same = repeated(row, life, action, actor, seen)
        if same is not None:
            return same
        if row.status not in step.sources:
            raise NotNowError(_not_now(row))
        wanted = target or step.targets[0]
        if wanted not in step.targets:
            raise KeyError(f"{action} does not lead to {wanted}")
        fields = {"status": wanted, **(changes or {})}
        before = {name: _plain(row, name) for name in fields}
        return _write(row, life, action, actor, fields, before, why)


def undo(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Take back the last step of a job, if nothing has happened since and it was just now."""
    with transaction.atomic():
        _lock(job)
        same = repeated(job, "job", "undo", actor, seen)
        if same is not None:
            return same
        event = last_undoable(job)
        if event is None or actor.role != event.role:
            raise NotNowError("There is nothing left to undo here.")
        fields = dict(event.before)
        before = {name: _plain(job, name) for name in fields}
        undone = _write(job, "job", "undo", actor, fields, before, "", undoes=event)
        event.mails.filter(status="waiting").update(status="withdrawn")
    return undone


def last_undoable(job: Job) -> Event | None:
    """Return the event that ``undo`` would take back, or None."""
    event = job.events.filter(life="job").order_by("-id").first()
    if event is None or event.action == "undo" or event.revision != job.revision:
        return None
    if timezone.now() - event.at > UNDO_WITHIN:
        return None
    return event if step_of("job", event.action).undo else None


def record(
    life: str, action: str, actor: Actor, *, why: str = "", status: str = "", **links: Any
) -> Event:
    """Write down something that happened without a change of status."""
    return Event.objects.create(
        life=life,
        action=action,
        by=actor.person,
        role=actor.role,
        why=why,
        from_status=status,
        to_status=status,
        **links,
    )


def _lock(row: Moved) -> None:
    """Bring a row up to date and hold it: the same press at the same moment waits its turn.

    On SQLite the transaction itself is the only writer.
    """
    held: Any = type(row).objects.select_for_update()
    row.refresh_from_db(from_queryset=held)


def _write(
    row: Moved,
    life: str,
    action: str,
    actor: Actor,
    fields: dict[str, Any],
    before: dict[str, Any],
    why: str,
    undoes: Event | None = None,
) -> Event:
    old_status = row.status
    changed = (
        type(row)
        .objects.filter(pk=row.pk, status=old_status, revision=row.revision)
        .update(**fields, revision=models.F("revision") + 1)
    )
    if changed != 1:
        raise StaleError(_stale(row))
    row.refresh_from_db()
    return Event.objects.create(
        life=life,
        action=action,
        by=actor.person,
        role=actor.role,
        from_status=old_status,
        to_status=row.status,
        why=why,
        before=before,
        revision=row.revision,
        undoes=undoes,
        **_links(row),
    )


def _links(row: Moved) -> dict[str, Any]:
    if isinstance(row, Job):
        return {"job": row, "order_id": row.order_id, "version_id": row.version_id}
    if isinstance(row, Quote):
        return {"quote": row, "order_id": row.order_id}
    return {"run": row}


def repeated(row: Moved, life: str, action: str, actor: Actor, seen: int | None) -> Event | None:
    """Return the event of the same press made before; raise if the page was outdated."""
    if seen is None or seen == row.revision:
        return None
    last = Event.objects.filter(**{life: row.pk, "life": life}).order_by("-id").first()
    same = (
        last is not None
        and last.action == action
        and last.revision == row.revision == seen + 1
        and last.role == actor.role
        and last.by == actor.person
    )
    if same:
        return last
    raise StaleError(_stale(row))


def _plain(row: models.Model, name: str) -> Any:
    value = getattr(row, name)
    return value.isoformat() if hasattr(value, "isoformat") else value


def _called(row: Moved) -> str:
    return str(row)[0].upper() + str(row)[1:]


def _not_now(row: Moved) -> str:
    return f"{_called(row)} is “{row.get_status_display()}” now, so that cannot be done any more."


def _stale(row: Moved) -> str:
    row.refresh_from_db()
    return (
        f"Somebody else changed {row} a moment ago: it is “{row.get_status_display()}” now. "
        "Nothing of yours was done; look again and press once more if it still applies."
    )
