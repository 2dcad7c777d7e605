"""Rows that people know by a short code."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, models, transaction

from orders import codes

CODE_TRIES = 5


class Coded(models.Model):
    """A row with a short ``code``; a new one whose code another has gets another code."""

    class Meta:
        abstract = True

    def save(self, *args: Any, **options: Any) -> None:
        """Save; of a new row whose code is taken, with another one."""
        row: Any = self
        for _ in range(CODE_TRIES if self._state.adding else 0):
            try:
                with transaction.atomic():
                    super().save(*args, **options)
                return
            except IntegrityError:
                if not type(row)._base_manager.filter(code=row.code).exists():
                    raise
                row.code = codes.new_code()
        super().save(*args, **options)
