"""Jobs, their pieces counted, what is packed with them, and the parcels they leave in."""

from __future__ import annotations

from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
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
        indexes = (
            models.Index(fields=("status", "promise_on"), name="job_queue"),
            models.Index(
                fields=("promise_on", "order"),
                condition=models.Q(cut__gt=models.F("packed")),
                name="job_to_pack",
            ),
            # what lies packed and has not left, in whatever status its job is
            models.Index(
                fields=("promise_on", "order"),
                condition=models.Q(packed__gt=models.F("shipped")),
                name="job_to_send",
            ),
        )
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
    def to_pack(self) -> int:
        """Pieces cut well that are not in an envelope yet."""
        return max(0, self.cut - self.packed)

    @property
    def to_send(self) -> int:
        """Pieces packed that have not left yet."""
        return max(0, self.packed - self.shipped)

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


class Packaging(models.Model):
    """Something to post in, with what it weighs empty: an envelope with its board, a tube."""

    name = models.CharField(max_length=60, unique=True)
    weight_g = models.DecimalField(
        max_digits=7,
        decimal_places=1,
        validators=[MinValueValidator(Decimal(0)), MaxValueValidator(Decimal(30000))],
    )
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ("weight_g", "name")

    def __str__(self) -> str:
        return f"{self.name}, {self.weight_g:g} g"


class Parcel(models.Model):
    """What left together: posted with a tracking number, or collected."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="parcels")
    carrier = models.CharField(max_length=60, blank=True)
    tracking = models.CharField(max_length=80, blank=True)
    collected = models.BooleanField(default=False)
    packaging = models.ForeignKey(Packaging, null=True, blank=True, on_delete=models.PROTECT)
    # With its packaging; worked out from the film, or read from a scale.
    weight_g = models.DecimalField(max_digits=8, decimal_places=1, null=True, blank=True)
    # The letter that tells of it; written anew while it waits, should the number come later.
    mail = models.ForeignKey(
        "orders.Mail", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    sent_at = models.DateTimeField(default=timezone.now)
    # The workshop's own date of it, so that figures by day need no time zone.
    sent_on = models.DateField(default=timezone.localdate, db_index=True)
    sent_by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("sent_at", "id")
        indexes = (models.Index(fields=("-sent_at",), name="parcel_newest"),)

    def __str__(self) -> str:
        return f"parcel of {self.order}"


class ParcelLine(models.Model):
    parcel = models.ForeignKey(Parcel, on_delete=models.CASCADE, related_name="lines")
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="parcel_lines")
    count = models.PositiveIntegerField()
    # In this parcel's bag; None where it was not written down.
    cut_outs = models.PositiveIntegerField(null=True, blank=True)

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
    # Of the form that it came by: the same form sent twice is one photo.
    press = models.CharField(max_length=40, blank=True)

    class Meta:
        constraints = (
            models.UniqueConstraint(
                fields=("job", "press"), condition=~models.Q(press=""), name="photo_press_once"
            ),
        )

    def __str__(self) -> str:
        return f"photo of {self.job}"
