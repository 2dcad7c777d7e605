"""Mends of a version: worked out by the worker, offered on its page, made into the next version.

A version never changes: a mend is a new version of the same file with strokes, or a place, in its
recipe, and the worker's full check of that one is what counts.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from geometry.recipe import Recipe, Stroke

from . import tasks, workflow
from .drawings import mended_here
from .errors import NotNowError, RefusedError, is_machine_fault
from .models import Kept, MendPlan, Version
from .workflow import Actor

logger = logging.getLogger(__name__)

LEASE = timedelta(seconds=60)
ASK_AGAIN_AFTER = timedelta(seconds=10)
MENDABLE = (Version.Status.PASSED, Version.Status.REJECTED)
KEEPABLE = ("warn", "note")


def plan_of(version: Version) -> dict[str, Any] | None:
    """Return the mends of a version as JSON, None while there are none worked out."""
    row = MendPlan.objects.filter(version=version).first()
    return row.plan if row else None


def is_awaited(version: Version) -> bool:
    """Tell whether the mends of a version are still to come; a lost nudge is sent again."""
    if version.status not in MENDABLE or not version.findings:
        return False
    row, made = MendPlan.objects.get_or_create(version=version)
    if row.plan is not None or row.failed:
        return False
    late = Q(asked_at__lt=timezone.now() - ASK_AGAIN_AFTER)
    is_late = MendPlan.objects.filter(late, pk=row.pk).update(asked_at=timezone.now())
    if made or is_late:
        transaction.on_commit(lambda: tasks.send(tasks.plan_mends, version.pk))
    return True


class _LaterError(Exception):
    """Drawings wait for their verdict for longer than a task may take."""


def make_plan(version_id: int, until: float | None = None) -> bool:
    """Work out the mends of a version and store them; False if that was done or is being done.

    Between its parts drawings that wait for their verdict go first, until then (as
    time.monotonic() counts); what is still waiting then has the mends put off.
    """
    from geometry.errors import UnreadableError
    from geometry.mends_plan import plan_mends  # compiled kernels: only the worker pays for them

    from .closer_look import PATIENCE_S, give_way
    from .prepared import prepared_for

    until = until or time.monotonic() + PATIENCE_S
    if not give_way(until):
        return False  # the page asks again
    version = Version.objects.select_related("upload").filter(pk=version_id).first()
    if version is None or version.status not in MENDABLE or not version.findings:
        return False
    MendPlan.objects.get_or_create(version=version)
    free = _free()
    mine = MendPlan.objects.filter(version=version, plan__isnull=True, failed=False)
    if not mine.filter(free).update(lease_until=timezone.now() + LEASE):
        return False

    def pause() -> None:
        began = time.monotonic()
        if not give_way(until):
            raise _LaterError
        if time.monotonic() - began > 1:  # others did go first
            mine.update(lease_until=timezone.now() + LEASE)

    try:
        strokes = Recipe.from_json(version.recipe).strokes
        plan = plan_mends(prepared_for(version), strokes, pause=pause).to_json()
    except _LaterError:
        mine.update(lease_until=None)
        return False
    except UnreadableError:
        mine.update(failed=True, lease_until=None)
        return False
    except Exception as error:
        if is_machine_fault(error):
            raise  # the lease runs out, and it is worked out then
        # It is a help and no verdict: the drawing goes on without it.
        logger.exception("no mends for version %s", version_id)
        mine.update(failed=True, lease_until=None)
        return False
    return bool(mine.update(plan=plan, lease_until=None))


def _free() -> Q:
    """Plans that nobody is at. A lease longer than any given is from before the clock went back."""
    now = timezone.now()
    over = Q(lease_until__lt=now) | Q(lease_until__gt=now + 2 * LEASE)
    return Q(lease_until=None) | over


def waiting_plans() -> list[int]:
    """Return the versions whose mends are asked for and not worked out, the oldest asked first."""
    rows = MendPlan.objects.filter(_free(), plan__isnull=True, failed=False).order_by("asked_at")
    return list(rows.values_list("version_id", flat=True)[:20])


def offered(version: Version) -> dict[str, dict[str, Any]]:
    """Return the mend, or the reason why there is none, of each finding by its key."""
    plan = plan_of(version)
    return {one["key"]: one for one in plan["each"]} if plan else {}


def mend_some(version: Version, keys: Sequence[str], actor: Actor) -> Version:
    """Make the next version with the mends of some findings, each as it is alone.

    Raises NotNowError while the mends are not worked out, RefusedError where there are none.
    """
    plan = _plan(version)
    wanted = set(keys)
    chosen = [one for one in plan["each"] if one["key"] in wanted and not one.get("reason")]
    # Mends that are not proved alone are those of all mends together, which know each other.
    return _made(version, chosen, actor)


def mend_chosen(version: Version, numbers: Iterable[int], actor: Actor) -> Version:
    """Make the next version with those of all mends that are ticked, by their place in the list."""
    mends = _plan(version)["together"]["mends"]
    wanted = set(numbers)
    chosen = [one for at, one in enumerate(mends) if at in wanted]
    return _made(version, chosen, actor, moved_by=move_of(mends))


def move_of(mends: Iterable[dict[str, Any]]) -> dict[str, Any] | None:
    """Return the mend among some that moves the drawing, if there is one."""
    return next((one for one in mends if one.get("place_mm")), None)


def keep(version: Version, key: str, actor: Actor) -> None:
    """Note that a warning or note stays as it is. Raises RefusedError for what must be mended."""
    finding = next((one for one in version.findings if one["key"] == key), None)
    if finding is None:
        raise RefusedError("That finding is not on this version any more.")
    if finding["severity"] not in KEEPABLE:
        raise RefusedError("This has to be mended before it can be cut; it cannot be kept.")
    with transaction.atomic():
        _, made = Kept.objects.get_or_create(
            version=version, finding_key=key, defaults={"kind": finding["kind"], "by": actor.person}
        )
        if made:
            workflow.record(
                "version", "keep", actor, why=key, status=version.status, version=version
            )


def unkeep(version: Version, key: str, actor: Actor) -> None:
    """Take back that a finding is kept as it is."""
    with transaction.atomic():
        gone, _ = Kept.objects.filter(version=version, finding_key=key).delete()
        if gone:
            workflow.record(
                "version", "unkeep", actor, why=key, status=version.status, version=version
            )


def _plan(version: Version) -> dict[str, Any]:
    if version.proposal:
        raise NotNowError("This is the workshop’s proposal. Take it or keep yours first.")
    plan = plan_of(version)
    if plan is None:
        raise NotNowError("The mends are still being worked out. Try again in a moment.")
    return plan


def _made(
    version: Version,
    chosen: Sequence[dict[str, Any]],
    actor: Actor,
    moved_by: dict[str, Any] | None = None,
) -> Version:
    """Make the version with some mends, whose strokes lie on the drawing moved by a mend or not."""
    if not chosen:
        raise RefusedError("Choose at least one mend.")
    recipe = Recipe.from_json(version.recipe)
    base = recipe.strokes
    strokes = tuple(Stroke.from_json(one) for mend in chosen for one in mend["strokes"])
    move = move_of(chosen)
    if move is not None:
        base = shifted(base, move)
        strokes = strokes if moved_by else shifted(strokes, move)
        recipe = replace(recipe, place_mm=tuple(move["place_mm"]), scale=move["scale"])
    elif moved_by is not None:
        strokes = shifted(strokes, moved_by, back=True)
    # Black first, so that the white gaps stay open; what two mends share is drawn once.
    added = sorted(dict.fromkeys(strokes), key=lambda stroke: stroke.pen != "black")
    kept = [*recipe.accepted, *version.kept.values_list("finding_key", flat=True)]
    accepted = tuple(dict.fromkeys(kept))
    recipe = replace(recipe, strokes=(*base, *added), accepted=accepted)
    return mended_here(version, recipe, by=actor.person)


def shifted(
    strokes: tuple[Stroke, ...], move: dict[str, Any], *, back: bool = False
) -> tuple[Stroke, ...]:
    """Return strokes that go with the drawing where a mend moves it, or back from there."""
    share, (right, down) = float(move["shrinks_to"]), move["shift_mm"]
    if back:
        share, right, down = 1 / share, -right / share, -down / share
    return tuple(
        replace(
            stroke,
            points_mm=tuple(
                (round(share * x + right, 3), round(share * y + down, 3))
                for x, y in stroke.points_mm
            ),
            width_mm=round(stroke.width_mm * share, 4),
        )
        for stroke in strokes
    )
