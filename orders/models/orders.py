"""Orders from basket to acceptance: what is wanted, and what it was quoted at."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from orders.codes import new_code, new_token
from pricing.models import PriceSheet

from .coded import Coded
from .designs import Version
from .people import Person
from .workshop import Film

LARGEST_QUANTITY = 999


class Order(Coded):
    """An artist's jobs, quoted and sent together; a basket until it is placed.

    Its status is derived from its quote and its jobs (``orders.standing``), never stored.
    """

    class Delivery(models.TextChoices):
        POST = "post", "by post"
        COLLECT = "collect", "collected in person"

    code = models.CharField(max_length=12, unique=True, default=new_code)
    link_token = models.CharField(max_length=40, unique=True, default=new_token)
    parcel_token = models.CharField(max_length=40, unique=True, default=new_token)
    visitor = models.CharField(max_length=40, blank=True, db_index=True)
    artist = models.ForeignKey(
        Person, null=True, blank=True, on_delete=models.PROTECT, related_name="orders"
    )
    created_at = models.DateTimeField(default=timezone.now)
    placed_at = models.DateTimeField(null=True, blank=True)
    rights_confirmed_at = models.DateTimeField(null=True, blank=True)
    accepted_at = models.DateTimeField(null=True, blank=True)
    promise_on = models.DateField(null=True, blank=True, db_index=True)
    note = models.TextField(blank=True, max_length=2000)
    # Working days within which it is wanted, as the price sheet offers; None is the usual time.
    rush_days = models.PositiveSmallIntegerField(null=True, blank=True)

    delivery = models.CharField(max_length=8, choices=Delivery.choices, default=Delivery.POST)
    ship_name = models.CharField("name", max_length=120, blank=True)
    ship_line1 = models.CharField("street and number", max_length=120, blank=True)
    ship_line2 = models.CharField("flat, building", max_length=120, blank=True)
    ship_city = models.CharField("town", max_length=80, blank=True)
    ship_region = models.CharField("state or county", max_length=80, blank=True)
    ship_postcode = models.CharField("postcode", max_length=20, blank=True)
    ship_country = models.CharField("country", max_length=80, blank=True)

    class Meta:
        ordering = ("-created_at", "-id")

    def __str__(self) -> str:
        return f"order {self.code}"

    @property
    def is_basket(self) -> bool:
        return self.placed_at is None

    @property
    def address_lines(self) -> list[str]:
        town = " ".join(part for part in (self.ship_city, self.ship_region) if part)
        town = " ".join(part for part in (town, self.ship_postcode) if part)
        lines = (self.ship_name, self.ship_line1, self.ship_line2, town, self.ship_country)
        return [line for line in lines if line]


class OrderLine(models.Model):
    """So many pieces of one version, from one film."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    version = models.ForeignKey(Version, on_delete=models.PROTECT, related_name="lines")
    film = models.ForeignKey(Film, on_delete=models.PROTECT)
    quantity = models.PositiveIntegerField(default=1)
    with_cut_outs = models.BooleanField(default=True)
    # Ordered from the shelf: whoever orders it sees the offer and never the drawing's own pages.
    shelf_offer = models.ForeignKey(
        "orders.ShelfOffer",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="lines",
    )
    # Of the form that was last put in: the same form twice is put in once.
    press = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ("id",)
        constraints = (
            models.UniqueConstraint(fields=("order", "version", "film"), name="line_once"),
            models.CheckConstraint(
                condition=models.Q(quantity__gte=1, quantity__lte=LARGEST_QUANTITY),
                name="line_quantity",
            ),
        )

    def __str__(self) -> str:
        return f"{self.quantity} x {self.version}"


class Quote(models.Model):
    """A frozen copy of lines and prices, good until a date."""

    class Status(models.TextChoices):
        DRAFT = "draft", "being put together"
        OFFERED = "offered", "waiting for the artist's answer"
        ACCEPTED = "accepted", "accepted"
        EXPIRED = "expired", "run out"
        REPLACED = "replaced", "replaced by a newer one"
        REFUSED = "refused", "not wanted"

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="quotes")
    number = models.PositiveIntegerField()
    token = models.CharField(max_length=40, unique=True, default=new_token)
    status = models.CharField(max_length=10, choices=Status.choices, default=Status.DRAFT)
    revision = models.PositiveIntegerField(default=0)
    price_sheet = models.ForeignKey(PriceSheet, on_delete=models.PROTECT)
    currency = models.CharField(max_length=3)
    tax_inclusive = models.BooleanField(default=False)
    # What was asked for: [{line, version, film, quantity, with_cut_outs, and their names}], how it
    # goes ({delivery, country, rush_days}), and the lines it came to.
    request = models.JSONField()
    terms = models.JSONField(default=dict)
    lines = models.JSONField()
    taxes = models.JSONField()
    subtotal = models.DecimalField(max_digits=14, decimal_places=4)
    total = models.DecimalField(max_digits=14, decimal_places=4)
    lead_working_days = models.PositiveIntegerField()
    lead_reason = models.TextField(blank=True)
    # [{blank, name, quantity, total, saves}]: where more pieces come cheaper in all.
    hints = models.JSONField(default=list)
    # Sentences: what differs from the quote before.
    differs = models.JSONField(default=list)
    valid_until = models.DateField()
    created_at = models.DateTimeField(default=timezone.now)
    accepted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ("number",)
        constraints = (
            models.UniqueConstraint(fields=("order", "number"), name="quote_number_once"),
            # At most one quote of an order is ever accepted, whoever presses and however often.
            models.UniqueConstraint(
                fields=("order",),
                condition=models.Q(status="accepted"),
                name="quote_accepted_once",
            ),
        )

    def __str__(self) -> str:
        return f"quote {self.order.code}/{self.number}"
