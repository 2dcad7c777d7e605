"""Texts of letters that the workshop wrote itself; without a row a letter has ours."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from .people import Person


class LetterText(models.Model):
    """Subject and text of one kind of letter, with fields in square brackets."""

    kind = models.CharField(max_length=30, unique=True)
    subject = models.CharField(max_length=200)
    body = models.TextField(max_length=5000)
    by = models.ForeignKey(Person, null=True, on_delete=models.PROTECT)
    at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return f"text of the letter {self.kind}"
