"""Sheet runs: one sheet through the laser, and the pieces laid on it."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from orders.codes import new_code

from .coded import Coded
from .jobs import Job
from .people import Person
from .workshop import Film


class SheetRun(Coded):
    """One sheet through the laser; of blanks cut to size, one stack on the placement sheet."""

    class Status(models.TextChoices):
        PLANNED = "planned", "planned"
        CUTTING = "cutting", "on the laser"
        DONE = "done", "done"
        ABANDONED = "abandoned", "taken apart"

    code = models.CharField(max_length=12, unique=True, default=new_code)
    film = models.ForeignKey(Film, on_delete=models.PROTECT)
    # The part of an earlier sheet that this run is cut from, in place of a whole one.
    offcut = models.ForeignKey(
        "orders.Offcut", null=True, blank=True, on_delete=models.PROTECT, related_name="runs"
    )
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.PLANNED)
    revision = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    # Seconds that the machine's bare figures told when the run was started, the factor they were
    # multiplied by then, and what it took: typed, stopped by a button, or by the clock.
    estimated_s = models.FloatField(null=True, blank=True)
    estimate_factor = models.FloatField(default=1.0)
    took_s = models.FloatField(null=True, blank=True)
    took_is_clock = models.BooleanField(default=False)

    class Meta:
        ordering = ("-created_at", "-id")

    def __str__(self) -> str:
        return f"sheet {self.code}"

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Width and height of what lies on the laser; (0, 0) for blanks cut to size."""
        return self.offcut.size_mm if self.offcut else self.film.sheet_mm

    @property
    def told_s(self) -> float | None:
        """Seconds that were told before the run, the factor of that day included."""
        return None if self.estimated_s is None else self.estimated_s * self.estimate_factor


class Piece(models.Model):
    """One blank in its place on a sheet, top left corner in mm from the sheet's top left."""

    class Result(models.TextChoices):
        OPEN = "", "not yet cut"
        GOOD = "good", "cut well"
        SPOILED = "spoiled", "spoiled"

    class Reason(models.TextChoices):
        MELTED = "melted", "melted"
        SHIFTED = "shifted", "shifted"
        NOT_THROUGH = "not-through", "not cut through"
        SCRATCHED = "scratched", "scratched"
        OTHER = "other", "something else"

    run = models.ForeignKey(SheetRun, on_delete=models.CASCADE, related_name="pieces")
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="pieces")
    x_mm = models.FloatField()
    y_mm = models.FloatField()
    turned = models.BooleanField(default=False)
    # Laid by hand: stays where it is when the rest of the sheet is laid again.
    is_pinned = models.BooleanField(default=False)
    result = models.CharField(max_length=10, choices=Result.choices, blank=True)
    spoiled_why = models.CharField(max_length=12, choices=Reason.choices, blank=True)

    class Meta:
        ordering = ("id",)

    def __str__(self) -> str:
        return f"piece of {self.job} on {self.run}"
