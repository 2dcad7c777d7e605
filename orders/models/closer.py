"""The closer look at a version, taken after its verdict."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.utils import timezone

from .designs import Version


class Closer(models.Model):
    """Where the film of a version may lift, and bridges that would hold it.

    It is made when the check ends and never changes a verdict. Pages do without it until it is
    done. A mask and a drawing that cannot be read have none.
    """

    class Status(models.TextChoices):
        WAITING = "waiting", "waiting for a closer look"
        WORKING = "working", "being looked at closely"
        DONE = "done", "looked at closely"
        FAILED = "failed", "could not be looked at closely"

    version = models.OneToOneField(Version, on_delete=models.CASCADE, related_name="closer")
    status = models.CharField(
        max_length=8, choices=Status.choices, default=Status.WAITING, db_index=True
    )
    attempt = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    nudged_at = models.DateTimeField(default=timezone.now)
    done_at = models.DateTimeField(null=True, blank=True)

    # As `python -m geometry lift --json` and `bridges --json` answer; see docs/lift.md, bridges.md.
    lift = models.JSONField(null=True, blank=True)
    bridges = models.JSONField(null=True, blank=True)
    # Lift findings, their numbers going on after those of the version's report.
    findings = models.JSONField(default=list)
    # 8-bit grey PNG, 2 px per mm in the blank's frame, the lift in mm times 50.
    lift_field = models.FileField(blank=True, max_length=120)
    # The lift map in tones, for the cutter.
    hold_picture = models.FileField(blank=True, max_length=120)

    def __str__(self) -> str:
        return f"closer look at {self.version}"

    @property
    def is_settled(self) -> bool:
        return self.status in (self.Status.DONE, self.Status.FAILED)

    def worst_for(self, film_mm: float) -> list[dict[str, Any]]:
        """Return the places that lift most from a film of this thickness, the worst first."""
        if not self.lift:
            return []
        for one in (self.lift, *self.lift.get("by_film", ())):
            if abs(one["film_mm"] - film_mm) < 1e-6:
                return list(one["worst"])
        return []
