"""Days as the workshop counts them: its own time zone, Monday to Friday."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.utils import timezone


def today() -> date:
    """Return today's date in the workshop's time zone."""
    return timezone.localdate()


def add_working_days(start: date, days: int) -> date:
    """Return the date so many working days (Monday to Friday) after ``start``."""
    day = start
    for _ in range(days):
        day += timedelta(days=1)
        while day.weekday() >= 5:
            day += timedelta(days=1)
    return day


def day_words(when: date | datetime) -> str:
    """Return a day with its name as plain text, for paper: "Wed 25 Nov 2026"."""
    on = timezone.localtime(when).date() if isinstance(when, datetime) else when
    return f"{on:%a} {on.day} {on:%b} {on.year}"
