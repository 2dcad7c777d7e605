"""Test pieces cut from a film: what was measured on them, and the limits that followed."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .people import Person
from .workshop import Film


class KerfTest(models.Model):
    """One measured test piece. Widths in mm by name of the slot or web, webs that were whole."""

    film = models.ForeignKey(Film, on_delete=models.CASCADE, related_name="kerf_tests")
    widths_mm = models.JSONField(default=dict)
    whole = models.JSONField(default=dict)
    kerf_mm = models.FloatField()
    spread_mm = models.FloatField()
    web_mm = models.FloatField(null=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT, related_name="+")
    # The limits that were set from it: kerf, web, bridge in mm; empty until somebody did.
    applied = models.JSONField(default=dict)
    applied_at = models.DateTimeField(null=True, blank=True)
    applied_by = models.ForeignKey(
        Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ("-id",)

    def __str__(self) -> str:
        return f"test piece of {self.film}"
