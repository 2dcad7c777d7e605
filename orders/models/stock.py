"""Film in stock: every movement of its count, and the parts of sheets kept for later."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .people import Person
from .runs import SheetRun
from .workshop import Film


class StockMovement(models.Model):
    """One change of a film's count, never altered nor deleted; ``left`` is the count after it."""

    class Kind(models.TextChoices):
        STARTED = "started", "a sheet was started"
        STOPPED = "stopped", "off the laser uncut"
        BOUGHT = "bought", "bought"
        COUNTED = "counted", "counted by hand"

    film = models.ForeignKey(Film, on_delete=models.PROTECT, related_name="movements")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    change = models.IntegerField()
    left = models.PositiveIntegerField()
    run = models.ForeignKey(SheetRun, null=True, blank=True, on_delete=models.PROTECT)
    why = models.CharField(max_length=240, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)

    class Meta:
        ordering = ("-id",)

    def __str__(self) -> str:
        return f"{self.change:+d} of {self.film}"


class Offcut(models.Model):
    """A rectangle of a cut sheet, kept with its number on it. Sides in mm."""

    class Status(models.TextChoices):
        KEPT = "kept", "kept"
        USED = "used", "used up"
        GONE = "gone", "thrown away"

    number = models.PositiveIntegerField(unique=True)
    film = models.ForeignKey(Film, on_delete=models.PROTECT, related_name="offcuts")
    width_mm = models.FloatField()
    height_mm = models.FloatField()
    came_from = models.ForeignKey(SheetRun, on_delete=models.PROTECT, related_name="left_over")
    status = models.CharField(max_length=6, choices=Status.choices, default=Status.KEPT)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)

    class Meta:
        ordering = ("number",)

    def __str__(self) -> str:
        return f"offcut {self.number}"

    @property
    def size_mm(self) -> tuple[float, float]:
        return self.width_mm, self.height_mm
