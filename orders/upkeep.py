"""What is done once an hour: the books are added up, and what is kept no longer is tidied away:
what was forgotten, old letters, ended sessions, sign-in tries.
"""

from __future__ import annotations

from datetime import timedelta

from django.conf import settings
from django.contrib.sessions.models import Session
from django.utils import timezone

from . import books_kept, privacy, pulses
from .models import Order, Pulse

EVERY = timedelta(hours=1)
AT_ONCE = 2000


def tidy_when_due() -> int:
    """Tidy if an hour has passed; of several sweeps one does it. Returns how many rows went."""
    if not pulses.beat(Pulse.Name.UPKEEP, every=EVERY):
        return 0
    books_kept.books()  # so that nobody waits for months that were added to meanwhile
    return tidy()


def tidy() -> int:
    """Erase what is kept no longer. Safe to repeat, and a stop in the middle loses nothing."""
    return (
        privacy.erase_forgotten()
        + privacy.erase_old_letters()
        + privacy.erase_sign_in_tries()
        + forgotten_baskets()
        + ended_sessions()
    )


def forgotten_baskets() -> int:
    """Delete baskets that nobody signed in for, as old as the drawings that are forgotten.

    So many at once; the next hour takes the rest. Returns how many baskets and lines went.
    """
    over = timezone.now() - timedelta(days=settings.KEEP_UNCLAIMED_DAYS)
    unclaimed = Order.objects.filter(placed_at=None, artist=None, created_at__lt=over)
    oldest = list(unclaimed.order_by("created_at").values_list("pk", flat=True)[:AT_ONCE])
    # asked once more: one of them may be placed at this moment
    return unclaimed.filter(pk__in=oldest).delete()[0]


def ended_sessions() -> int:
    """Delete sessions that ran out: they hold the links of orders that a browser opened."""
    return Session.objects.filter(expire_date__lt=timezone.now()).delete()[0]
