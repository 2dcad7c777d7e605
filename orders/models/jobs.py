"""Jobs, their pieces counted, what is packed with them, and the parcels they leave in."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from orders.codes import new_token

from .designs import Version
from .orders import Order
from .people import Person
from .workshop import Film


class Job(models.Model):
    """One design x blank x film x quantity."""

    class Status(models.TextChoices):
        RECEIVED = "received", "received"
        QUEUED = "queued", "in the queue"
        CUTTING = "cutting", "being cut"
        CUT = "cut", "cut"
        PACKED = "packed", "packed"
        SHIPPED = "shipped", "on its way"
        HANDED_OVER = "handed-over", "handed over"
        ON_HOLD = "on-hold", "on hold"
        NEEDS_CHANGES = "needs-changes", "needs changes"
        CANCELLED = "cancelled", "called off"
        DECLINED = "declined", "declined"

    class Fate(models.TextChoices):
        OPEN = "", "not yet settled"
        BAGGED = "bagged", "bagged for the artist"
        RECYCLED = "recycled", "recycled"
        KEPT = "kept", "kept by the workshop"

    code = models.CharField(max_length=16, unique=True)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="jobs")
    version = models.ForeignKey(Version, on_delete=models.PROTECT, related_name="jobs")
    film = models.ForeignKey(Film, on_delete=models.PROTECT)
    quantity = models.PositiveIntegerField()
    status = models.CharField(max_length=14, choices=Status.choices, default=Status.RECEIVED)
    before_hold = models.CharField(max_length=14, blank=True)
    # Counts every change, so that a button pressed on an old page is told, not obeyed.
    revision = models.PositiveIntegerField(default=0)
    promise_on = models.DateField(db_index=True)
    created_at = models.DateTimeField(default=timezone.now)

    cut = models.PositiveIntegerField(default=0)
    spoiled = models.PositiveIntegerField(default=0)
    packed = models.PositiveIntegerField(default=0)
    shipped = models.PositiveIntegerField(default=0)

    with_cut_outs = models.BooleanField(default=True)
    cut_outs_expected = models.PositiveIntegerField(default=0)
    cut_outs_bagged = models.PositiveIntegerField(null=True, blank=True)
    cut_outs_fate = models.CharField(max_length=10, choices=Fate.choices, blank=True)

    class Meta:
        ordering = ("promise_on", "id")
        indexes = (models.Index(fields=("status", "promise_on"), name="job_queue"),)
        constraints = (
            models.CheckConstraint(
                condition=models.Q(shipped__lte=models.F("packed"))
                & models.Q(packed__lte=models.F("cut")),
                name="job_counts_in_order",
            ),
        )

    def __str__(self) -> str:
        return f"job {self.code}"

    @property
    def to_cut(self) -> int:
        """Pieces still to be cut, remakes of spoiled ones included."""
        return max(0, self.quantity - self.cut)

    @property
    def is_over(self) -> bool:
        return self.status in OVER


CALLED_OFF = (Job.Status.CANCELLED, Job.Status.DECLINED)
OVER = (
    Job.Status.SHIPPED,
    Job.Status.HANDED_OVER,
    Job.Status.CANCELLED,
    Job.Status.DECLINED,
)


class Parcel(models.Model):
    """What left together: posted with a tracking number, or collected."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="parcels")
    carrier = models.CharField(max_length=60, blank=True)
    tracking = models.CharField(max_length=80, blank=True)
    collected = models.BooleanField(default=False)
    sent_at = models.DateTimeField(default=timezone.now)
    sent_by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("sent_at", "id")

    def __str__(self) -> str:
        return f"parcel of {self.order}"


class ParcelLine(models.Model):
    parcel = models.ForeignKey(Parcel, on_delete=models.CASCADE, related_name="lines")
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="parcel_lines")
    count = models.PositiveIntegerField()

    def __str__(self) -> str:
        return f"{self.count} of {self.job}"


def photo_path(photo: Photo, filename: str) -> str:
    return f"photos/{new_token()}.jpg"


class Photo(models.Model):
    """A picture of a cut piece, redrawn without the camera's data."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="photos")
    file = models.FileField(upload_to=photo_path, max_length=120)
    by = models.ForeignKey(Person, on_delete=models.PROTECT)
    at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return f"photo of {self.job}"
