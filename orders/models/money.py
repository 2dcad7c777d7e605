"""What was invoiced and what was paid. Rows are added, never altered and never deleted."""

from __future__ import annotations

from typing import Any, NoReturn

from django.db import models
from django.utils import timezone

from orders.errors import RefusedError

from .orders import Order
from .people import Person


def _refuse() -> NoReturn:
    raise RefusedError("Money rows stay as they are; correct one by a counter-entry.")


class AddedOnly(models.QuerySet):
    """Refuses to alter or delete rows, one at a time or many at once."""

    def update(self, **values: Any) -> int:
        _refuse()

    def delete(self) -> tuple[int, dict[str, int]]:
        _refuse()

    def bulk_update(self, *args: Any, **options: Any) -> int:
        _refuse()


class _AddedRow(models.Model):
    objects = AddedOnly.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **options: Any) -> None:
        if not self._state.adding:
            _refuse()
        super().save(*args, **options)

    def delete(self, *args: Any, **options: Any) -> tuple[int, dict[str, int]]:
        _refuse()


class Counter(models.Model):
    """The last number given of a series; its row is locked while the next one is taken."""

    series = models.CharField(max_length=20, primary_key=True)
    last = models.PositiveIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.series} {self.last}"


class Invoice(_AddedRow):
    """An invoice or a credit note as it was issued: numbers, names and lines are a copy."""

    class Kind(models.TextChoices):
        INVOICE = "invoice", "invoice"
        CREDIT = "credit", "credit note"

    number = models.PositiveIntegerField(unique=True)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="invoices")
    corrects = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="credits"
    )
    issued_on = models.DateField()
    due_on = models.DateField()
    issued_at = models.DateTimeField(default=timezone.now)
    issued_by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    seller = models.TextField()
    buyer = models.TextField()
    pay_to = models.TextField(blank=True)
    currency = models.CharField(max_length=3)
    tax_inclusive = models.BooleanField()
    # Lines as of the quote: [{kind, text, reason, quantity, unit_price, amount, tax_rate}]; a
    # credit note has negative amounts.
    lines = models.JSONField()
    taxes = models.JSONField()
    subtotal = models.DecimalField(max_digits=14, decimal_places=4)
    total = models.DecimalField(max_digits=14, decimal_places=4)
    why = models.TextField(blank=True)
    press = models.CharField(max_length=40, unique=True)

    class Meta:
        ordering = ("number",)
        # sums over twenty thousand rows are read from these alone; a row is a kilobyte
        indexes = (
            models.Index(fields=("order", "kind", "total"), name="invoice_sums_by_order"),
            models.Index(fields=("issued_on", "total", "issued_at"), name="invoice_sums_by_day"),
        )
        constraints = (
            models.UniqueConstraint(
                fields=("order",), condition=models.Q(kind="invoice"), name="invoice_once_per_order"
            ),
        )

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.number}"


class Payment(_AddedRow):
    """Money that came in (above nothing) or went back (below nothing), with its receipt number.

    No card data: how it was paid and a reference of the workshop's own, nothing else.
    """

    class Kind(models.TextChoices):
        DEPOSIT = "deposit", "deposit"
        PAYMENT = "payment", "payment"
        REFUND = "refund", "refund"
        CORRECTION = "correction", "correction"

    class Method(models.TextChoices):
        TRANSFER = "transfer", "bank transfer"
        CASH = "cash", "cash"
        TERMINAL = "terminal", "card terminal"
        LINK = "link", "payment link"

    number = models.PositiveIntegerField(unique=True)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="payments")
    method = models.CharField(max_length=10, choices=Method.choices)
    amount = models.DecimalField(max_digits=14, decimal_places=4)
    currency = models.CharField(max_length=3)
    paid_on = models.DateField()
    reference = models.CharField(max_length=80, blank=True)
    why = models.CharField(max_length=300, blank=True)
    counters = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="countered_by"
    )
    at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    press = models.CharField(max_length=40, unique=True)

    class Meta:
        ordering = ("number",)
        indexes = (
            models.Index(fields=("order", "amount"), name="payment_sums_by_order"),
            models.Index(fields=("paid_on", "amount", "at"), name="payment_sums_by_day"),
        )

    def __str__(self) -> str:
        return f"receipt {self.number}"
