"""A printed proof that came back: which version was printed, and what changed on paper."""

from __future__ import annotations

from typing import Any

from django.db import models
from django.utils import timezone

from .designs import Version


class RoundTrip(models.Model):
    """A version that was read from a printed proof of an earlier version of the same drawing.

    first_token: the token under which the picture was put in, where that was no page of the
    drawing; its address leads on to the drawing.
    """

    version = models.OneToOneField(Version, on_delete=models.CASCADE, related_name="round_trip")
    printed = models.ForeignKey(Version, on_delete=models.CASCADE, related_name="came_back_as")
    first_token = models.CharField(max_length=40, blank=True, db_index=True)
    # As geometry.changes tells them; None where they could not be told.
    changes = models.JSONField(null=True, blank=True)
    at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return f"{self.version} from the print of version {self.printed.number}"

    @property
    def places(self) -> list[dict[str, Any]]:
        """The changes, the largest first."""
        return list((self.changes or {}).get("places", []))
