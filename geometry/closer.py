"""The closer look, after the verdict: where film lifts, and which bridges would hold it.

Both are worth a second or so each, which an artist who waits for a verdict need not wait for.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np

from geometry.bridges import propose_bridges
from geometry.check import Checked
from geometry.findings import number, to_json
from geometry.lift import LiftMap, LiftModel, lift_findings
from geometry.lift_cli import lift_json
from geometry.lift_picture import heat_png
from geometry.limits import Limits
from geometry.prepared import Prepared
from geometry.recipe import Stroke

FIELD_PX_PER_MM: Final = 2
FIELD_STEPS_PER_MM: Final = 50
"""The lift field's grey value is the lift in mm times this; 255 is 5.1 mm or more."""
MOST_OTHER_PLACES: Final = 5


@dataclass(frozen=True)
class CloserLook:
    """What the closer look found; plain JSON and PNG, to be stored.

    lift: as `python -m geometry lift --json` for the film of the limits, with "by_film", a list of
    the same for each film asked for, its worst places only. None where no film is free to move, and
    for a mask. findings: the lift findings, their ids going on after the check's own. bridges: as
    `python -m geometry bridges --json`. lift_field: 8-bit grey PNG, 2 px per mm in the blank's
    frame, lift in mm times 50. heat: the lift map as a picture.
    """

    lift: dict[str, Any] | None = None
    findings: list[dict[str, Any]] = field(default_factory=list)
    bridges: dict[str, Any] = field(default_factory=lambda: {"bridges": []})
    lift_field: bytes | None = None
    heat: bytes | None = None


def look_closer(
    prepared: Prepared,
    strokes: Sequence[Stroke] = (),
    *,
    films_mm: Iterable[float] = (),
    pause: Callable[[], None] = lambda: None,
) -> CloserLook:
    """Return the closer look at a prepared drawing with strokes over it.

    films_mm: thicknesses to tell the worst places for besides limits.film_mm. pause is called
    between the parts, for a worker that has something more urgent to do. A mask is loose on
    purpose: it gets neither. Raises UnreadableError where the strokes leave nothing.
    """
    if prepared.recipe.mode == "mask":
        return CloserLook()
    proposal = propose_bridges(prepared, strokes)
    checked, bridges = proposal.before, proposal.to_json()
    pause()
    limits = prepared.limits
    try:
        if checked.ink is None:
            raise ValueError("propose_bridges has refused it")
        model = LiftModel(checked.ink, checked.placement, checked.blank_mm, limits)
    except ValueError:
        return CloserLook(bridges=bridges)
    pause()
    found = model.map()
    pause()
    lift = lift_json(found, limits)
    others = [lift_json(model.map(film_mm), limits) for film_mm in sorted(set(films_mm))]
    lift["by_film"] = [one | {"worst": one["worst"][:MOST_OTHER_PLACES]} for one in others]
    return CloserLook(
        lift=lift,
        findings=_findings(checked, found, limits),
        bridges=bridges,
        lift_field=_field(found, checked.blank_mm),
        heat=heat_png(found, checked.ink, checked.placement, checked.blank_mm, limits),
    )


def _findings(checked: Checked, found: LiftMap, limits: Limits) -> list[dict[str, Any]]:
    """Return the lift findings as JSON, numbered after those of the check."""
    first = len(checked.findings) + 1
    numbered = number(lift_findings(found, limits), checked.blank_mm)
    return [to_json(finding) | {"id": first + at} for at, finding in enumerate(numbered)]


def _field(found: LiftMap, blank_mm: tuple[float, float]) -> bytes:
    """Return the lift as a small grey picture; 0 where nothing that lifts is near."""
    size = tuple(round(side * FIELD_PX_PER_MM) for side in blank_mm)
    step = np.array(found.step_mm) * FIELD_PX_PER_MM
    corner = np.array(found.origin_mm) * FIELD_PX_PER_MM + step / 2 - 0.5
    to_field = np.array([[step[0], 0, corner[0]], [0, step[1], corner[1]]])
    lift = np.nan_to_num(found.lift, nan=0.0).astype(np.float32)
    # What is cut away beside a film lends its lift, so that none is lost along the cut.
    lift = np.where(np.isnan(found.lift), cv2.dilate(lift, np.ones((5, 5), np.uint8)), lift)
    values = cv2.warpAffine(lift, to_field, (size[0], size[1]))
    grey = np.clip(np.rint(values * FIELD_STEPS_PER_MM), 0, 255).astype(np.uint8)
    return cv2.imencode(".png", grey)[1].tobytes()
