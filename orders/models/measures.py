"""What prices and lead times need of a version, kept beside its report."""

from __future__ import annotations

from django.db import models

from .designs import Version


class CutMeasure(models.Model):
    """Lengths and counts of one piece, copied from a report that never changes.

    A report may be megabytes of outlines; a basket of fifty designs must not read them all.
    """

    version = models.OneToOneField(
        Version, on_delete=models.CASCADE, primary_key=True, related_name="cut_measure"
    )
    outline_mm = models.FloatField()
    openings = models.PositiveIntegerField()
    cut_outs = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"measures of {self.version}"
