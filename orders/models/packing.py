"""At the packing bench: ticks on a job, and what was cut when."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .jobs import Job
from .people import Person
from .records import Event
from .runs import SheetRun


class JobTick(models.Model):
    """One line of a job's checklist that somebody ticked; a piece cut anew takes it away."""

    class What(models.TextChoices):
        WEEDED = "weeded", "Every opening is free: nothing left to fall out later"
        EDGES = "edges", "Edges are clean: no melt, no threads, nothing sharp"
        MATCHED = "matched", "Held beside the picture: it is this drawing, whole"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="ticks")
    what = models.CharField(max_length=10, choices=What.choices)
    by = models.ForeignKey(Person, on_delete=models.PROTECT)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = (models.UniqueConstraint(fields=("job", "what"), name="tick_once"),)

    def __str__(self) -> str:
        return f"{self.what} of {self.job}"


class Tally(models.Model):
    """What one count came to: pieces cut well, or pieces spoiled by one cause.

    ``seconds`` are the laser's for these pieces, estimated as for prices. A correction is negative.
    """

    event = models.ForeignKey(Event, on_delete=models.PROTECT, related_name="tallies")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="tallies")
    on = models.DateField(db_index=True)
    good = models.IntegerField(default=0)
    spoiled = models.IntegerField(default=0)
    reason = models.CharField(max_length=12, blank=True)
    seconds = models.FloatField(default=0)

    def __str__(self) -> str:
        return f"{self.good} good, {self.spoiled} spoiled of {self.job} on {self.on}"


class SheetTally(models.Model):
    """One sheet that went through the laser: how much of its film became good pieces.

    Of blanks cut to size ``sheets`` is their number. Goes when the sheet is opened again.
    """

    run = models.OneToOneField(SheetRun, on_delete=models.CASCADE, related_name="tally")
    on = models.DateField(db_index=True)
    sheets = models.PositiveIntegerField(default=1)
    film_mm2 = models.FloatField()
    good_mm2 = models.FloatField()

    def __str__(self) -> str:
        return f"{self.run} on {self.on}"
