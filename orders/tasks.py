"""What the worker does when it is nudged. The rows say what is to be done; a nudge may be lost."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from celery import shared_task
from celery.signals import worker_process_init
from django.db import close_old_connections, transaction
from django.utils import timezone

from . import fair_turns, limits, loading, outbox, pulses, workflow
from .models import Pulse
from .steady import SteadyClock

logger = logging.getLogger(__name__)
CLOCK = SteadyClock()
TRIES = 5
_asked_at = -1e9  # when this process last asked the worker for its pulse, monotonic seconds


@worker_process_init.connect
def load_kernels(**_: Any) -> None:
    """Load the compute kernels as a worker starts, so that the first drawing waits for nothing.

    In a thread: a worker process that is not up within four seconds is taken for dead.
    """
    loading.load_checks(closer=True)


@shared_task(name="orders.check_version")
def check_version(version_id: int) -> None:
    """Look at the drawing whose turn it is, which need not be the one that this nudge names."""
    from .checking import look_at  # loads the compute kernels: only the worker pays for them

    for _ in range(TRIES):
        turn = fair_turns.next_waiting()
        # another worker may have taken it a moment ago; then the next one's turn has come
        if turn is None or look_at(turn):
            return


@shared_task(name="orders.look_closer")
def look_closer(version_id: int) -> None:
    """Take the closer look at a version, after every verdict that somebody waits for."""
    from .closer_look import look_closer_at

    look_closer_at(version_id)


@shared_task(name="orders.plan_mends")
def plan_mends(version_id: int) -> None:
    """Work out the mends of a version, after every verdict that somebody waits for."""
    from .mending import make_plan

    make_plan(version_id)


@shared_task(name="orders.pulse")
def pulse() -> None:
    """Say that the worker is at work."""
    pulses.beat(Pulse.Name.WORKER)


def nudge(version_id: int) -> None:
    """Ask the worker to look at a version once the transaction is committed.

    A broker that is down is only logged: the sweep finds the row half a minute later.
    """
    transaction.on_commit(lambda: send(check_version, version_id))


def sweep(*, daily: bool = False) -> dict[str, int]:
    """Do everything that time brings; return how much of each.

    Lost nudges, dead checkers, letters due, quotes run out, and ``daily`` files without a row. A
    step that fails is logged and holds up none of the others. What cannot be taken back waits
    where the clock has just jumped.
    """
    from . import orphans, privacy, upkeep  # looked at here and on their own pages only

    _done("pulse", _beat)
    steps: dict[str, Callable[[], int]] = {
        "returned": lambda: workflow.return_expired() + workflow.return_expired_closer(),
        "nudged": _nudge_late,
        "unsent": outbox.return_unsent,
        "sent": outbox.send_due,
        "told": lambda: int(pulses.tell_standstill()),
    }
    if CLOCK.is_steady():
        steps |= {
            "expired": workflow.expire_old,
            "erased": privacy.erase_due,
            "books": privacy.erase_old_books,
            "tidied": upkeep.tidy_when_due,
            "counts": limits.forget_old,
        }
        if daily:
            steps |= {"orphans": orphans.delete_orphans, "incoming": orphans.clear_incoming}
    return {name: _done(name, step) for name, step in steps.items()}


def _done(name: str, step: Callable[[], int]) -> int:
    try:
        return step()
    except Exception:  # a database that is away, a full disk: the next sweep tries again
        logger.exception("the sweep could not do “%s” and tries again", name)
        close_old_connections()
        return 0


def _beat() -> int:
    pulses.sweep_beat()
    _ask_for_pulse()
    return 1


def _nudge_late() -> int:
    late = workflow.waiting_too_long()
    for version_id in late:
        send(check_version, version_id)
    for version_id in workflow.closer_waiting_too_long():
        send(look_closer, version_id)
    return len(late)


def _ask_for_pulse() -> None:
    """Ask the worker for its pulse when the last one is a minute old.

    The question dies with the next one, so that a worker that was away finds one and not a heap.
    """
    at = pulses.seen(Pulse.Name.WORKER)
    if at is not None and timedelta(0) <= timezone.now() - at < pulses.ASK_EVERY:
        return
    global _asked_at
    if time.monotonic() - _asked_at < pulses.ASK_EVERY.total_seconds():
        return
    _asked_at = time.monotonic()
    try:
        pulse.apply_async(expires=pulses.ASK_EVERY.total_seconds(), ignore_result=True, retry=False)
    except Exception as error:  # any broker's own error; the watch page says so in a while
        logger.warning("the worker could not be asked for its pulse: %s", type(error).__name__)


def send(task: Any, version_id: int) -> None:
    """Nudge the worker. A nudge that cannot be sent is only logged."""
    try:
        task.apply_async((version_id,), ignore_result=True, retry=False)
    except Exception as error:  # any broker's own error; the row is the truth
        logger.warning("nudge for version %s not sent: %s", version_id, type(error).__name__)
