"""What artist and cutter write to each other about an order."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from orders.codes import new_token

from .designs import Version
from .jobs import Job
from .orders import Order
from .people import Person
from .records import Event, Mail


def message_photo_path(message: Message, filename: str) -> str:
    """Pictures lie under a random name; what the sender called them is not kept."""
    return f"messages/{new_token()}.jpg"


class Message(models.Model):
    """One message: plain text, perhaps a picture, perhaps a pin on a drawing.

    Taken back within two minutes it keeps its row, so that pins keep their numbers, and loses
    all that was said. ``pin_x_mm``, ``pin_y_mm`` lie in the blank's frame: from its top left, y
    down, of ``version``.
    """

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="messages")
    job = models.ForeignKey(
        Job, null=True, blank=True, on_delete=models.PROTECT, related_name="messages"
    )
    version = models.ForeignKey(
        Version, null=True, blank=True, on_delete=models.SET_NULL, related_name="messages"
    )
    role = models.CharField(max_length=10, choices=Event.Role.choices)
    by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT)
    text = models.TextField(blank=True)
    at = models.DateTimeField(default=timezone.now)
    changed_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    # when the other side opened the thread with it in
    seen_at = models.DateTimeField(null=True, blank=True)
    photo = models.FileField(upload_to=message_photo_path, max_length=120, blank=True)
    pin_x_mm = models.FloatField(null=True, blank=True)
    pin_y_mm = models.FloatField(null=True, blank=True)
    # Made with the form: the same form sent twice is one message.
    press = models.CharField(max_length=40)
    # The letter that carries it; several in a row share one.
    mail = models.ForeignKey(
        Mail, null=True, blank=True, on_delete=models.SET_NULL, related_name="messages"
    )

    class Meta:
        ordering = ("id",)
        indexes = (
            models.Index(
                fields=("role", "order"),
                name="message_unseen",
                condition=models.Q(seen_at=None, withdrawn_at=None),
            ),
        )
        constraints = (
            models.UniqueConstraint(fields=("order", "press"), name="message_press_once"),
            models.CheckConstraint(
                condition=models.Q(pin_x_mm=None, pin_y_mm=None)
                | models.Q(pin_x_mm__isnull=False, pin_y_mm__isnull=False),
                name="message_pin_whole",
            ),
        )

    def __str__(self) -> str:
        return f"message {self.pk} of {self.order}"

    @property
    def has_pin(self) -> bool:
        return self.pin_x_mm is not None
