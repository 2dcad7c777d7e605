"""When an order would be ready: the sheet's own days, and what waits for the laser before it."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import F

from pricing.models import PriceSheet

from .machine_time import profile_of
from .measures import seconds_by_version
from .models import Job, Workshop
from .words import counted

DAYS_A_WEEK = 5  # working days, as orders.dates counts them
AN_HOUR_S = 3600.0
WAITING = (Job.Status.RECEIVED, Job.Status.QUEUED, Job.Status.CUTTING)


@dataclass(frozen=True)
class Ahead:
    """What waits for the laser: jobs, pieces still to cut, and the seconds they take."""

    jobs: int
    pieces: int
    seconds: float


@dataclass(frozen=True)
class Lead:
    """Working days from acceptance, and why so many."""

    working_days: int
    reason: str


def ahead_of_new_orders() -> Ahead:
    """Return what waits now: accepted, in the queue or on the laser, and not yet cut."""
    waiting = Job.objects.filter(status__in=WAITING, quantity__gt=F("cut")).values_list(
        "version_id", "version__blank_code", "quantity", "cut"
    )
    rows = list(waiting)
    sizes = {version: blank for version, blank, _, _ in rows}
    each = seconds_by_version(sizes, profile_of())
    pieces = sum(quantity - cut for _, _, quantity, cut in rows)
    seconds = sum((quantity - cut) * each[version] for version, _, quantity, cut in rows)
    return Ahead(len(rows), pieces, seconds)


def lead_of(own_seconds: float, sheet: PriceSheet, *, rush_days: int | None = None) -> Lead:
    """Return the lead time of an order that keeps the laser `own_seconds` long.

    The price sheet's days are for an empty queue: looking over, cutting, weeding, packing. Every
    full day of the laser's week that the queue and this order take comes on top.
    """
    if rush_days is not None:
        return Lead(
            rush_days,
            f"Rush: cut before what waits, within {counted(rush_days, 'working day')}.",
        )
    ahead, hours = ahead_of_new_orders(), float(Workshop.current().machine_hours_per_week)
    a_day_s = hours / DAYS_A_WEEK * AN_HOUR_S
    more = int((ahead.seconds + own_seconds) // a_day_s)
    days = sheet.lead_working_days
    reason = f"{counted(days, 'working day')} to look over, cut, weed and pack."
    if ahead.jobs:
        wait = "waits" if ahead.jobs == 1 else "wait"
        reason += (
            f" {counted(ahead.jobs, 'job')} of {counted(ahead.pieces, 'piece')} {wait} before"
            f" yours, about {hours_words(ahead.seconds)} of the laser,"
            f" which runs {hours:g} hours a week."
        )
    if more:
        reason += f" That adds {counted(more, 'working day')}."
    return Lead(days + more, reason)


def hours_words(seconds: float) -> str:
    """Return "40 min" or "3 h 20 min", a minute at least."""
    hours, minutes = divmod(max(1, round(seconds / 60)), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
