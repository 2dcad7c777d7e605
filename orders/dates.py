"""Days as the workshop counts them: its own time zone, Monday to Friday."""

from __future__ import annotations

from datetime import date, timedelta

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
