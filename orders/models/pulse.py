"""When each part of the site was last seen at work."""

from __future__ import annotations

from django.db import models
from django.utils import timezone


class Pulse(models.Model):
    """One row for each part; written by the part itself, read by orders/watch.py."""

    class Name(models.TextChoices):
        SWEEP = "sweep", "the sweep"
        AWAKE = "awake", "since when the sweep has not paused"
        WORKER = "worker", "the worker"
        UPKEEP = "upkeep", "the hourly tidying"
        BACKUP = "backup", "a backup was written"
        ALARM = "alarm", "the workshop was told that something stands still"

    name = models.CharField(max_length=12, choices=Name.choices, primary_key=True)
    at = models.DateTimeField(default=timezone.now)
    note = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"{self.name} at {self.at:%Y-%m-%d %H:%M:%S}"
