"""People who sign in: artists by a mailed code, the workshop by a password."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.utils import timezone


class PersonManager(BaseUserManager["Person"]):
    def for_email(self, email: str, name: str = "") -> Person:
        """Return the artist with this address, making the row the first time."""
        person, _ = self.get_or_create(
            email=tidy_email(email), defaults={"name": name, "password": "!"}
        )
        return person

    def create_workshop(self, email: str, password: str, name: str = "") -> Person:
        """Make a sign-in for the workshop's side."""
        person = Person(email=tidy_email(email), name=name, is_workshop=True)
        person.set_password(password)
        person.save()
        return person

    def get_by_natural_key(self, username: str | None) -> Person:
        return self.get(email=tidy_email(username or ""))


class Person(AbstractBaseUser):
    """Somebody with an email address; ``is_workshop`` opens the workshop's side."""

    class Unit(models.TextChoices):
        MM = "mm", "millimetres"
        INCH = "in", "inches"

    email = models.EmailField(unique=True, error_messages={"unique": "This address is known."})
    name = models.CharField(max_length=120, blank=True)
    is_workshop = models.BooleanField(default=False)
    is_active = models.BooleanField(default=True)
    unit = models.CharField(max_length=2, choices=Unit.choices, blank=True)
    joined_at = models.DateTimeField(default=timezone.now)
    # The account was erased: address and name are gone, and nobody can sign in to it.
    erased_at = models.DateTimeField(null=True, blank=True)

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"

    objects = PersonManager()

    def __str__(self) -> str:
        return self.name or self.email

    def save(self, *args: Any, **kwargs: Any) -> None:
        self.email = tidy_email(self.email)
        super().save(*args, **kwargs)


def tidy_email(email: str) -> str:
    """Return the address in the one form it is stored and looked up in."""
    return email.strip().lower()
