"""Where a job's film may lift, as the cutter reads it: in mm, marked as estimated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from orders.models import Closer, Job

MOST_SHOWN = 5


@dataclass(frozen=True)
class Hold:
    """places: the worst first, {"at_mm", "lift_mm", "word"}."""

    closer: Closer
    places: list[dict[str, Any]]
    film_mm: float

    @property
    def dab_mn(self) -> float:
        """The force of a dab that was taken, mN."""
        return 1000 * float((self.closer.lift or {}).get("dab_n", 0))


def hold_of(job: Job) -> Hold | None:
    """Return where the film of a job may lift; None where no closer look is taken (a mask)."""
    closer = Closer.objects.filter(version=job.version_id).first()
    if closer is None:
        return None
    film_mm = float(job.film.thickness_mm)
    return Hold(closer, closer.worst_for(film_mm)[:MOST_SHOWN], film_mm)
