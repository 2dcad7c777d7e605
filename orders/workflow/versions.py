"""The life of a version: waiting, being looked at, and the check's answer.

The database row is the truth and the broker only a nudge: a check is claimed by one conditional
UPDATE with a lease and an attempt number, computed outside any transaction, and its answer is
fenced by that attempt number, so that it is written once however often the task is delivered.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from orders.models import Version

from .closer import want_closer_look
from .moves import SYSTEM_ACTOR, record

# Longer than any one stage may take (the child that reads a picture is ended after 25 s); each
# stage begun takes the lease anew, so that a dead worker is noticed soon.
LEASE = timedelta(seconds=35)
NUDGE_AGAIN_AFTER = timedelta(seconds=30)
ATTEMPTS = 3

GAVE_UP = {
    "schema": 1,
    "verdict": "unreadable",
    "error": {
        "code": "gave-up",
        "message": "The check could not be finished, though it was tried three times. "
        "Upload the drawing again, or save it as PNG or JPEG first.",
    },
    "findings": [],
}


def claim(version_id: int) -> int | None:
    """Take a waiting version for checking; return the attempt number, or None if it is taken."""
    now = timezone.now()
    claimed = Version.objects.filter(pk=version_id, status=Version.Status.WAITING).update(
        status=Version.Status.CHECKING,
        attempt=F("attempt") + 1,
        lease_until=now + LEASE,
        step="",
    )
    if not claimed:
        return None
    return Version.objects.values_list("attempt", flat=True).get(pk=version_id)


def show_step(version_id: int, attempt: int, step: str) -> None:
    """Tell the page how far the check is, and go on holding the lease."""
    _mine(version_id, attempt).update(step=step, lease_until=timezone.now() + LEASE)


def finish(
    version_id: int, attempt: int, report: dict[str, Any], files: dict[str, str] | None = None
) -> bool:
    """Write the check's answer, unless the lease was lost to a later attempt."""
    with transaction.atomic():
        written = _mine(version_id, attempt).update(
            status=report["verdict"],
            report=report,
            checked_at=timezone.now(),
            lease_until=None,
            step="",
            **(files or {}),
        )
        if written:
            version = Version.objects.get(pk=version_id)
            record("version", "checked", SYSTEM_ACTOR, status=str(version.status), version=version)
            want_closer_look(version)
    return bool(written)


def put_back(version_id: int, attempt: int) -> bool:
    """Put a version whose check the machine stopped back to waiting, as if it was not begun."""
    return bool(
        _mine(version_id, attempt).update(
            status=Version.Status.WAITING,
            attempt=F("attempt") - 1,
            lease_until=None,
            step="",
            nudged_at=timezone.now(),
        )
    )


def return_expired() -> int:
    """Put versions whose checker died back to waiting, or give up after three attempts."""
    now = timezone.now()
    # a lease longer than any that is given was taken before the clock was put back
    over = Q(lease_until__lt=now) | Q(lease_until__gt=now + 2 * LEASE)
    expired = over & Q(status=Version.Status.CHECKING)
    for version_id in Version.objects.filter(expired, attempt__gte=ATTEMPTS).values_list("pk"):
        _give_up(version_id[0], expired)
    return Version.objects.filter(expired).update(
        status=Version.Status.WAITING, lease_until=None, nudged_at=timezone.now() - LEASE
    )


def _give_up(version_id: int, expired: Q) -> None:
    with transaction.atomic():
        given_up = Version.objects.filter(expired, pk=version_id, attempt__gte=ATTEMPTS).update(
            status=Version.Status.UNREADABLE,
            report=GAVE_UP,
            lease_until=None,
            checked_at=timezone.now(),
        )
        if given_up:
            version = Version.objects.get(pk=version_id)
            record("version", "checked", SYSTEM_ACTOR, status=str(version.status), version=version)


def waiting_too_long() -> list[int]:
    """Return versions whose nudge was lost, and mark them as nudged now."""
    now = timezone.now()
    over = Q(nudged_at__lt=now - NUDGE_AGAIN_AFTER) | Q(nudged_at__gt=now + NUDGE_AGAIN_AFTER)
    late = Version.objects.filter(over, status=Version.Status.WAITING)
    ids = list(late.values_list("pk", flat=True)[:200])
    Version.objects.filter(pk__in=ids).update(nudged_at=now)
    return ids


def _mine(version_id: int, attempt: int) -> Any:
    return Version.objects.filter(pk=version_id, status=Version.Status.CHECKING, attempt=attempt)
