"""The life of a closer look: waiting, working, done or failed. Claimed and fenced as a check is."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.db.models import F, Q
from django.utils import timezone

from orders.models import Closer, Version

LEASE = timedelta(seconds=60)
NUDGE_AGAIN_AFTER = timedelta(seconds=60)
ATTEMPTS = 2
WORTH_IT = (Version.Status.PASSED, Version.Status.REJECTED)


def want_closer_look(version: Version) -> bool:
    """Note that a checked version is to be looked at closely; False where there is no sense in it.

    A mask is loose on purpose and what cannot be read has no film.
    """
    if version.status not in WORTH_IT or version.mode == "mask":
        return False
    return Closer.objects.get_or_create(version=version)[1]


def claim_closer(version_id: int) -> int | None:
    """Take a closer look that waits; return the attempt number, or None if it is taken."""
    claimed = Closer.objects.filter(version=version_id, status=Closer.Status.WAITING).update(
        status=Closer.Status.WORKING,
        attempt=F("attempt") + 1,
        lease_until=timezone.now() + LEASE,
    )
    if not claimed:
        return None
    return Closer.objects.values_list("attempt", flat=True).get(version=version_id)


def hold_closer(version_id: int, attempt: int) -> None:
    """Go on holding the lease."""
    _mine(version_id, attempt).update(lease_until=timezone.now() + LEASE)


def put_back_closer(version_id: int, attempt: int) -> bool:
    """Put a closer look back to waiting for its turn, as if it had not been begun."""
    return bool(
        _mine(version_id, attempt).update(
            status=Closer.Status.WAITING,
            attempt=F("attempt") - 1,
            lease_until=None,
            nudged_at=timezone.now(),
        )
    )


def finish_closer(version_id: int, attempt: int, **found: Any) -> bool:
    """Write what was found, unless the lease was lost to a later attempt."""
    return bool(
        _mine(version_id, attempt).update(
            status=Closer.Status.DONE, lease_until=None, done_at=timezone.now(), **found
        )
    )


def fail_closer(version_id: int, attempt: int) -> bool:
    """Note that a closer look came to nothing."""
    return bool(
        _mine(version_id, attempt).update(
            status=Closer.Status.FAILED, lease_until=None, done_at=timezone.now()
        )
    )


def return_expired_closer() -> int:
    """Put closer looks whose worker died back to waiting, or give up after two attempts."""
    now = timezone.now()
    # a lease longer than any that is given was taken before the clock was put back
    over = Q(lease_until__lt=now) | Q(lease_until__gt=now + 2 * LEASE)
    expired = over & Q(status=Closer.Status.WORKING)
    Closer.objects.filter(expired, attempt__gte=ATTEMPTS).update(
        status=Closer.Status.FAILED, lease_until=None, done_at=timezone.now()
    )
    return Closer.objects.filter(expired).update(
        status=Closer.Status.WAITING, lease_until=None, nudged_at=timezone.now() - LEASE
    )


def closer_waiting_too_long() -> list[int]:
    """Return the versions whose nudge for a closer look was lost, and mark them as nudged now."""
    now = timezone.now()
    over = Q(nudged_at__lt=now - NUDGE_AGAIN_AFTER) | Q(nudged_at__gt=now + NUDGE_AGAIN_AFTER)
    late = Closer.objects.filter(over, status=Closer.Status.WAITING)
    ids = list(late.values_list("version_id", flat=True)[:200])
    Closer.objects.filter(version_id__in=ids).update(nudged_at=now)
    return ids


def _mine(version_id: int, attempt: int) -> Any:
    return Closer.objects.filter(version=version_id, status=Closer.Status.WORKING, attempt=attempt)
