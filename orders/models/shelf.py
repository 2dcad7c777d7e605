"""The shelf: drawings that artists offer to others, what was sold of them, the artists' shares."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.utils import timezone

from orders.codes import new_code

from .coded import Coded
from .designs import Design, Version
from .jobs import Job, ParcelLine
from .money import _AddedRow
from .people import Person


class ShelfOffer(Coded):
    """A drawing offered on public pages, by the consent of its artist.

    It stands until the artist withdraws it, the workshop takes it down, or the drawing goes; then
    the row stays as the record of what was agreed, and a new consent makes a new row.
    """

    code = models.CharField(max_length=12, unique=True, default=new_code)
    design = models.ForeignKey(
        Design, null=True, on_delete=models.SET_NULL, related_name="shelf_offers"
    )
    artist = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="shelf_offers")
    # What buyers read; the account's own name and address are never shown to them.
    shown_name = models.CharField(max_length=80, blank=True)
    # Of the stencil's price without tax, as it was agreed; a later setting does not change it.
    share_percent = models.DecimalField(max_digits=5, decimal_places=2)
    # Word for word what was on the page when the box was ticked.
    consent_text = models.TextField()
    consented_at = models.DateTimeField(default=timezone.now)
    revoked_at = models.DateTimeField(null=True, blank=True)
    taken_down_at = models.DateTimeField(null=True, blank=True)
    taken_down_by = models.ForeignKey(
        Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    taken_down_why = models.TextField(blank=True)

    class Meta:
        ordering = ("-consented_at", "-id")
        constraints = (
            models.UniqueConstraint(
                fields=("design",),
                condition=models.Q(revoked_at=None, taken_down_at=None),
                name="shelf_offer_once",
            ),
        )

    def __str__(self) -> str:
        return f"shelf offer {self.code}"

    @property
    def stands(self) -> bool:
        """Whether nobody has ended it; `orders.shelf_sales.live` also asks after the drawing."""
        return self.revoked_at is None and self.taken_down_at is None


class ShelfSize(models.Model):
    """One version that an offer shows and sells: a size, as stencil or mask. It stays this one,
    whatever versions are made later."""

    offer = models.ForeignKey(ShelfOffer, on_delete=models.CASCADE, related_name="sizes")
    version = models.ForeignKey(Version, on_delete=models.CASCADE, related_name="shelf_sizes")

    class Meta:
        ordering = ("id",)
        constraints = (
            models.UniqueConstraint(fields=("offer", "version"), name="shelf_size_once"),
        )

    def __str__(self) -> str:
        return f"{self.version} on the shelf"


class ShelfPayee(models.Model):
    """Who a share is paid to, and how. Seen by the person and by the workshop."""

    person = models.OneToOneField(Person, on_delete=models.PROTECT, related_name="shelf_payee")
    name = models.CharField(max_length=120, blank=True)
    pay_to = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return self.name or f"payee {self.person_id}"


class ShelfSale(models.Model):
    """A job of a drawing from the shelf, with the share of each piece as it was quoted."""

    job = models.OneToOneField(Job, on_delete=models.PROTECT, related_name="shelf_sale")
    offer = models.ForeignKey(ShelfOffer, on_delete=models.PROTECT, related_name="sales")
    # Of the size's line on the accepted quote; it may hold tax, where the price sheet's prices do.
    unit_price = models.DecimalField(max_digits=14, decimal_places=4)
    share_percent = models.DecimalField(max_digits=5, decimal_places=2)
    share_each = models.DecimalField(max_digits=14, decimal_places=4)
    currency = models.CharField(max_length=3)

    def __str__(self) -> str:
        return f"{self.job} from the shelf"


class ShareLine(_AddedRow):
    """Shares of pieces that left the workshop, or their counter-entry; added, never altered."""

    class Kind(models.TextChoices):
        BOOKED = "booked", "sent"
        BACK = "back", "taken back"

    kind = models.CharField(max_length=6, choices=Kind.choices)
    sale = models.ForeignKey(ShelfSale, on_delete=models.PROTECT, related_name="lines")
    artist = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="share_lines")
    parcel_line = models.ForeignKey(ParcelLine, on_delete=models.PROTECT, related_name="+")
    # Below nothing in a counter-entry, and so is the amount: pieces x the share of each.
    pieces = models.IntegerField()
    amount = models.DecimalField(max_digits=14, decimal_places=4)
    currency = models.CharField(max_length=3)
    booked_on = models.DateField(db_index=True)
    counters = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="countered_by"
    )
    why = models.CharField(max_length=300, blank=True)
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT, related_name="+")
    press = models.CharField(max_length=60, unique=True)

    class Meta:
        ordering = ("id",)

    def __str__(self) -> str:
        return f"{self.pieces} shares of {self.sale}"

    @property
    def share_each(self) -> Decimal:
        return self.sale.share_each


class SharePayout(_AddedRow):
    """A month's shares marked as paid, or the counter-entry of such a mark."""

    artist = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="share_payouts")
    month = models.DateField()  # its first day
    amount = models.DecimalField(max_digits=14, decimal_places=4)
    currency = models.CharField(max_length=3)
    paid_on = models.DateField()
    reference = models.CharField(max_length=80, blank=True)
    counters = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="countered_by"
    )
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT, related_name="+")
    press = models.CharField(max_length=60, unique=True)

    class Meta:
        ordering = ("id",)

    def __str__(self) -> str:
        return f"{self.amount} {self.currency} for {self.month:%Y-%m}"
