"""What came of looking at every stored file."""

from __future__ import annotations

from django.db import models
from django.utils import timezone


class FileLook(models.Model):
    """One look at every stored file: how many there were, and what was wrong with them."""

    begun_at = models.DateTimeField(default=timezone.now, db_index=True)
    # None while it goes on, or where it was broken off.
    ended_at = models.DateTimeField(null=True, blank=True)
    files = models.PositiveIntegerField(default=0)
    size_bytes = models.PositiveBigIntegerField(default=0)
    # Files of before names carried a checksum: only that they are there is known.
    unproved = models.PositiveIntegerField(default=0)
    missing = models.PositiveIntegerField(default=0)
    altered = models.PositiveIntegerField(default=0)
    unknown = models.PositiveIntegerField(default=0)
    # The first of them as [kind, name, what names it].
    faults = models.JSONField(default=list)
    # Why it could not be ended, for example that the store did not answer.
    failure = models.TextField(blank=True)

    class Meta:
        ordering = ("-id",)

    def __str__(self) -> str:
        return f"look at {self.files} files"

    @property
    def is_good(self) -> bool:
        """Whether it was ended and every file that a row names was there and whole."""
        return bool(self.ended_at) and not (self.missing or self.altered or self.failure)
