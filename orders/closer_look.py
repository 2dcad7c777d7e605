"""Take the closer look at a checked version: where its film lifts, and bridges that would hold it.

A verdict never waits for it: between its parts the worker first looks at drawings that still wait.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from geometry.recipe import Recipe

from . import workflow
from .codes import new_token
from .errors import is_machine_fault
from .fair_turns import next_waiting
from .models import Film, Version

logger = logging.getLogger(__name__)

PATIENCE_S = 45.0
"""So long a task lets others go first; then it comes again later, as the worker ends what takes
longer than CELERY_TASK_TIME_LIMIT, and with it a check that is under way."""


class _LaterError(Exception):
    """Others go first for longer than a task may take."""


def look_closer_at(version_id: int) -> bool:
    """Claim a closer look, take it, and store what it found once; False if it was not to be had.

    Where drawings keep coming in it is put back to waiting, and the sweep sends it again.
    """
    until = time.monotonic() + PATIENCE_S
    if not give_way_to_mends(until):
        return False
    attempt = workflow.claim_closer(version_id)
    if attempt is None:
        return False
    version = Version.objects.select_related("upload").get(pk=version_id)

    def pause() -> None:
        if not give_way_to_mends(until):
            raise _LaterError
        workflow.hold_closer(version_id, attempt)

    try:
        found = _found(version, pause)
    except _LaterError:
        workflow.put_back_closer(version_id, attempt)
        return False
    except Exception as error:
        if is_machine_fault(error):
            raise  # the lease runs out, and it is looked at again then
        # It is a help and no verdict: the drawing goes on without it.
        logger.exception("no closer look at version %s", version_id)
        return workflow.fail_closer(version_id, attempt)
    files = [name for name in (found["lift_field"], found["hold_picture"]) if name]
    written = workflow.finish_closer(version_id, attempt, **found)
    if not written:
        for name in files:
            default_storage.delete(name)
    return written


def give_way(until: float) -> bool:
    """Look at every drawing that waits for its verdict; False if some still wait at `until`.

    until: as time.monotonic() counts.
    """
    from .checking import look_at

    while True:
        first = next_waiting()
        if first is None:
            return True
        if time.monotonic() >= until:
            return False
        if not look_at(first):
            return True


def give_way_to_mends(until: float) -> bool:
    """Look at drawings that wait, then work out the mends that somebody looks for, until then."""
    from .mending import make_plan, waiting_plans

    if not give_way(until):
        return False
    for version_id in waiting_plans():
        if time.monotonic() >= until:
            return False
        make_plan(version_id, until)
    return True


def _found(version: Version, pause: Callable[[], None]) -> dict[str, Any]:
    """Return the fields of a closer look, its pictures stored."""
    from geometry.closer import look_closer  # compiled kernels: only the worker pays for them

    from .prepared import prepared_for

    films = Film.objects.filter(is_active=True).values_list("thickness_mm", flat=True)
    look = look_closer(
        prepared_for(version),
        Recipe.from_json(version.recipe).strokes,
        films_mm=[float(thickness) for thickness in films],
        pause=pause,
    )
    return {
        "lift": look.lift,
        "bridges": look.bridges,
        "findings": look.findings,
        "lift_field": _stored(look.lift_field),
        "hold_picture": _stored(look.heat),
    }


def _stored(png: bytes | None) -> str:
    return default_storage.save(f"checks/{new_token()}.png", ContentFile(png)) if png else ""
