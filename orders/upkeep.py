"""What is tidied once an hour: forgotten drawings, old letters, ended sessions, sign-in tries."""

from __future__ import annotations

from datetime import timedelta

from django.contrib.sessions.models import Session
from django.utils import timezone

from . import privacy, pulses
from .models import Pulse

EVERY = timedelta(hours=1)


def tidy_when_due() -> int:
    """Tidy if an hour has passed; of several sweeps one does it. Returns how many rows went."""
    return tidy() if pulses.beat(Pulse.Name.UPKEEP, every=EVERY) else 0


def tidy() -> int:
    """Erase what is kept no longer. Safe to repeat, and a stop in the middle loses nothing."""
    return (
        privacy.erase_forgotten()
        + privacy.erase_old_letters()
        + privacy.erase_sign_in_tries()
        + ended_sessions()
    )


def ended_sessions() -> int:
    """Delete sessions that ran out: they hold the links of orders that a browser opened."""
    return Session.objects.filter(expire_date__lt=timezone.now()).delete()[0]
