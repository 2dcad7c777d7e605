"""What is being drawn on a version and is no version yet."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .designs import Version


class Working(models.Model):
    """The strokes that an artist is putting on a version; saving makes the next version of them.

    strokes: a list in drawing order of {id, pen, points_mm, width_mm, from, seq}, those of the
    version's recipe among them. dropped: {id: seq} of strokes taken away, so that a late repeat
    brings none back. saved_revision: the revision that became the version `saved`.
    """

    version = models.OneToOneField(Version, on_delete=models.CASCADE, related_name="working")
    strokes = models.JSONField(default=list)
    dropped = models.JSONField(default=dict)
    revision = models.PositiveIntegerField(default=0)
    updated_at = models.DateTimeField(default=timezone.now)
    saved = models.ForeignKey(
        Version, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    saved_revision = models.PositiveIntegerField(null=True, blank=True)

    def __str__(self) -> str:
        return f"Strokes on {self.version}, revision {self.revision}"
