"""Run the geometry check of a version and store what it says."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from geometry.limits import Limits
from geometry.recipe import Recipe

from . import round_trip, tasks, workflow
from .check_steps import STEPS_SHOWN
from .codes import new_token
from .errors import is_machine_fault
from .files import local_path
from .models import Version
from .prepared import keep_prepared

if TYPE_CHECKING:
    from geometry.check import Checked
    from geometry.stencil import Stencil

logger = logging.getLogger(__name__)


def look_at(version_id: int) -> bool:
    """Claim a waiting version, check it outside any transaction, and write the answer once.

    Returns False when there was nothing to claim or the lease was lost meanwhile.
    """
    attempt = workflow.claim(version_id)
    if attempt is None:
        return False
    try:
        version = Version.objects.select_related("upload", "design").get(pk=version_id)
        checked = _checked(version, attempt)
        files = _store_pictures(checked)
    except Exception as error:
        if not is_machine_fault(error):
            raise  # it has three tries, then it is told
        logger.warning("version %s is put back: %s", version_id, error)
        workflow.put_back(version_id, attempt)
        return False
    written = workflow.finish(version_id, attempt, checked.report, files)
    if written:
        # a proof that came back is by now read by another recipe
        version.refresh_from_db(fields=["recipe", "limits"])
        _keep_prepared(version, checked)
        tasks.send(tasks.plan_mends, version_id)
        tasks.send(tasks.look_closer, version_id)
    else:
        for name in files.values():
            default_storage.delete(name)
    return written


def _keep_prepared(version: Version, checked: Checked) -> None:
    """Keep what the check found of a bare drawing, so that re-checks begin at once."""
    from geometry.prepared import prepared_from

    recipe, limits = Recipe.from_json(version.recipe), Limits.from_json(version.limits)
    bare = prepared_from(checked, recipe, limits)
    if bare is not None:
        keep_prepared(bare)


def _checked(version: Version, attempt: int) -> Checked:
    """Return the check of a version; a printed proof that came back is read as what it is."""

    def on_step(step: str) -> None:
        workflow.show_step(version.pk, attempt, step)

    checked = check_version_file(version, on_step)
    printed = round_trip.printed_version(version, checked)
    back = round_trip.take_back(version, attempt, printed) if printed else None
    if back and (back.recipe, back.limits) != (version.recipe, version.limits):
        checked = check_version_file(back, on_step)
    if back or version.origin == Version.Origin.PROOF:
        round_trip.note_changes(back or version, checked.stencil)
    return checked


def check_version_file(
    version: Version, on_step: Callable[[str], None] = lambda step: None
) -> Checked:
    """Return the check of a version's file by its recipe and limits; nothing is written."""
    from geometry.check import check  # compiled kernels: the pages do without them

    with local_path(version.upload) as path:
        return check(
            path,
            Recipe.from_json(version.recipe),
            Limits.from_json(version.limits),
            name=version.upload.name,
            timer=StepTimer(on_step),
        )


class StepTimer:
    """The clock that geometry is given: times each stage and tells where the check is."""

    def __init__(self, on_step: Callable[[str], None]) -> None:
        self.on_step = on_step
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        if stage in STEPS_SHOWN:
            self.on_step(stage)
        started = time.perf_counter()
        try:
            yield
        finally:
            spent = time.perf_counter() - started
            self.seconds[stage] = self.seconds.get(stage, 0.0) + spent


def stencil_of(version: Version) -> Stencil:
    """Return the stored stencil of a version. Raises FileNotFoundError when there is none."""
    from geometry.stencil import Stencil

    if not version.stencil:
        raise FileNotFoundError(f"{version} has no stencil")
    with version.stencil.open("rb") as stored:
        return Stencil.from_bytes(stored.read())


def _store_pictures(checked: Checked) -> dict[str, str]:
    """Write the check's pictures under random names; return Version field -> stored name."""
    parts = {
        "film_picture": (checked.film_png, "png"),
        "drawing_picture": (checked.drawing_jpg, "jpg"),
        "stencil": (checked.stencil.to_bytes() if checked.stencil else None, "stencil"),
    }
    names: dict[str, str] = {}
    try:
        for field, (data, ending) in parts.items():
            if data:
                names[field] = f"checks/{new_token()}.{ending}"
                names[field] = default_storage.save(names[field], ContentFile(data))
    except OSError:
        for name in names.values():  # of a file that did not fit the disk half is left
            default_storage.delete(name)
        raise
    return names
