"""What happened (events) and who is told of it (mails)."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .designs import Version
from .jobs import Job
from .orders import Order, Quote
from .people import Person
from .runs import SheetRun


class Event(models.Model):
    """One change: who, when, from what to what, and why. Never altered, never deleted."""

    class Life(models.TextChoices):
        VERSION = "version"
        QUOTE = "quote"
        JOB = "job"
        RUN = "run"
        ORDER = "order"
        MACHINE = "machine"
        SHELF = "shelf"

    class Role(models.TextChoices):
        ARTIST = "artist", "the artist"
        WORKSHOP = "workshop", "the workshop"
        SYSTEM = "system", "Holdfast"

    life = models.CharField(max_length=8, choices=Life.choices)
    action = models.CharField(max_length=30)
    at = models.DateTimeField(default=timezone.now, db_index=True)
    by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT)
    role = models.CharField(max_length=10, choices=Role.choices)
    order = models.ForeignKey(Order, null=True, on_delete=models.PROTECT, related_name="events")
    job = models.ForeignKey(Job, null=True, on_delete=models.PROTECT, related_name="events")
    quote = models.ForeignKey(Quote, null=True, on_delete=models.PROTECT, related_name="events")
    version = models.ForeignKey(
        Version, null=True, on_delete=models.SET_NULL, related_name="events"
    )
    run = models.ForeignKey(SheetRun, null=True, on_delete=models.PROTECT, related_name="events")
    from_status = models.CharField(max_length=14, blank=True)
    to_status = models.CharField(max_length=14, blank=True)
    why = models.TextField(blank=True)
    # Values before the change of the fields it touched, so that it can be undone, and the
    # revision it left behind, so that undo is refused once something else has happened.
    before = models.JSONField(default=dict)
    revision = models.PositiveIntegerField(default=0)
    undoes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by"
    )

    class Meta:
        ordering = ("id",)

    def __str__(self) -> str:
        return f"{self.life} {self.action}"


class Mail(models.Model):
    """A letter in the outbox. It waits a little, so that undo can withdraw it."""

    class Status(models.TextChoices):
        WAITING = "waiting", "waiting"
        SENDING = "sending", "being sent"
        SENT = "sent", "sent"
        WITHDRAWN = "withdrawn", "withdrawn"
        FAILED = "failed", "could not be sent"
        # on its way when the line broke; sent again only at a person's word
        IN_DOUBT = "in-doubt", "may have gone"

    to = models.EmailField()
    subject = models.CharField(max_length=200)
    body = models.TextField()
    kind = models.CharField(max_length=30)
    order = models.ForeignKey(Order, null=True, on_delete=models.CASCADE, related_name="mails")
    event = models.ForeignKey(Event, null=True, on_delete=models.PROTECT, related_name="mails")
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.WAITING)
    created_at = models.DateTimeField(default=timezone.now)
    send_after = models.DateTimeField(default=timezone.now)
    sent_at = models.DateTimeField(null=True, blank=True)
    attempts = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    # The last moment before the mail server took it over.
    handed_at = models.DateTimeField(null=True, blank=True)
    failure = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ("-id",)
        indexes = (models.Index(fields=("status", "send_after"), name="mail_due"),)
        constraints = (
            # One letter of a kind for one event: a repeated press never mails twice.
            models.UniqueConstraint(fields=("event", "kind", "to"), name="mail_once"),
        )

    def __str__(self) -> str:
        return f"{self.subject} to {self.to}"
