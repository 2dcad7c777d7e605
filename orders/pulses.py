"""Pulses: each part of the site says that it is at work, and a standstill is told once.

The worker's pulse goes the way of every check: the sweep sends a task, the worker runs it and
writes the row. So a fresh pulse says that the messages, the worker and the database all work.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db import transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from .models import Mail, Pulse, Version, Workshop
from .outbox import absolute

BEAT_EVERY = timedelta(seconds=30)
ASK_EVERY = timedelta(minutes=1)  # how often the sweep asks the worker for its pulse
STILL_AFTER = timedelta(minutes=10)
# A sweep that was away for longer than this (the laptop slept, a restart) starts counting anew.
PAUSE = timedelta(minutes=2)


def beat(name: Pulse.Name, *, note: str = "", every: timedelta = BEAT_EVERY) -> bool:
    """Write that a part is at work now; False when it said so less than ``every`` ago."""
    now = timezone.now()
    row, is_new = Pulse.objects.get_or_create(name=name, defaults={"at": now, "note": note})
    if is_new:
        return True
    # a row of the future is of a clock that was put right since
    if row.at <= now < row.at + every:
        return False
    return Pulse.objects.filter(name=name, at=row.at).update(at=now, note=note) == 1


def seen(name: Pulse.Name) -> datetime | None:
    """Return when a part was last at work, None when never."""
    return Pulse.objects.filter(name=name).values_list("at", flat=True).first()


def sweep_beat() -> None:
    """Write the sweep's own pulse, and since when it has run without a pause."""
    now, before = timezone.now(), seen(Pulse.Name.SWEEP)
    if before is None or not timedelta(0) <= now - before <= PAUSE:
        Pulse.objects.update_or_create(name=Pulse.Name.AWAKE, defaults={"at": now})
    beat(Pulse.Name.SWEEP)


def oldest_waiting() -> datetime | None:
    """Return since when the drawing that waits longest for its check has waited."""
    looking = (Version.Status.WAITING, Version.Status.CHECKING)
    waiting = Version.objects.filter(status__in=looking).order_by("created_at")
    return waiting.values_list("created_at", flat=True).first()


def standstill(now: datetime) -> list[str]:
    """Return what stands still, a sentence each; counted only while the sweep was awake."""
    awake = seen(Pulse.Name.AWAKE) or now
    told = []
    waiting = oldest_waiting()
    if waiting is not None and now - max(waiting, awake) > STILL_AFTER:
        told.append(f"A drawing has waited for its check since {_clock(waiting)}.")
    worker = max(seen(Pulse.Name.WORKER) or awake, awake)
    if now - worker > STILL_AFTER:
        told.append(f"The worker, which looks at drawings, was last seen at {_clock(worker)}.")
    return told


def tell_standstill() -> bool:
    """Write the workshop one letter when something begins to stand still; True when written.

    The alarm's row is the guard: two sweeps at once write one letter, and the next one only after
    everything has moved again.
    """
    now = timezone.now()
    told = standstill(now)
    if not told:
        Pulse.objects.filter(name=Pulse.Name.ALARM).delete()
        return False
    workshop = Workshop.current()
    with transaction.atomic():
        _, is_new = Pulse.objects.get_or_create(
            name=Pulse.Name.ALARM, defaults={"at": now, "note": " ".join(told)[:300]}
        )
        if not is_new or not workshop.email:
            return False
        page = absolute(reverse("workshop-well"))
        text = render_to_string("mail/standstill.txt", {"told": told, "page": page})
        subject, _, body = text.partition("\n")
        Mail.objects.create(
            to=workshop.email, kind="standstill", subject=subject, body=body.strip() + "\n"
        )
    return True


def _clock(at: datetime) -> str:
    return timezone.localtime(at).strftime("%H:%M on %d %B")
