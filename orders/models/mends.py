"""Mends worked out for a version, and findings that the artist keeps as they are."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .designs import Version
from .people import Person


class MendPlan(models.Model):
    """What would mend each finding of a version, and all of them; see docs/mends.md for the JSON.

    It is a help and no verdict, made by the worker after the check and made again if it is lost.
    """

    version = models.OneToOneField(Version, on_delete=models.CASCADE, related_name="mend_plan")
    plan = models.JSONField(null=True, blank=True)
    failed = models.BooleanField(default=False)
    lease_until = models.DateTimeField(null=True, blank=True)
    asked_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return f"mends for {self.version}"


class Kept(models.Model):
    """A warning or note that the artist has read and keeps as it is. It changes no verdict."""

    version = models.ForeignKey(Version, on_delete=models.CASCADE, related_name="kept")
    finding_key = models.CharField(max_length=80)
    kind = models.CharField(max_length=40)
    by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = (
            models.UniqueConstraint(fields=("version", "finding_key"), name="kept_once"),
        )

    def __str__(self) -> str:
        return f"{self.kind} kept as it is"
