"""How often somebody did something lately; `orders.limits` is the only reader and writer."""

from __future__ import annotations

from django.db import models


class UseCount(models.Model):
    """One action of one address or person since ``began_at``; ``who`` is a mark, no address."""

    action = models.CharField(max_length=20)
    who = models.CharField(max_length=24)
    count = models.PositiveIntegerField()
    began_at = models.DateTimeField(db_index=True)

    class Meta:
        constraints = (models.UniqueConstraint(fields=("action", "who"), name="use_count_once"),)

    def __str__(self) -> str:
        return f"{self.action}: {self.count}"
