"""People who sign in: artists by a mailed code, the workshop by a password."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from django.utils import timezone

from orders.codes import new_token


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
    # Changes with what one signs in by, and so ends every session from before (see below).
    sign_in_stamp = models.CharField(max_length=40, blank=True)
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

    def get_session_auth_hash(self) -> str:
        """Return what a session must hold: of the password, and of the stamp where there is one.

        A sign-in writes it from the row as it was read before the password was compared; where the
        second step was set up between, the session it makes is dead from the start.
        """
        return super().get_session_auth_hash() + self.sign_in_stamp

    def get_session_auth_fallback_hash(self) -> Iterator[str]:
        """The same under keys of the site that were replaced."""
        return (told + self.sign_in_stamp for told in super().get_session_auth_fallback_hash())

    def end_sessions(self) -> None:
        """End every session of this person, those that begin at this moment included."""
        self.sign_in_stamp = new_token()
        type(self).objects.filter(pk=self.pk).update(sign_in_stamp=self.sign_in_stamp)


def tidy_email(email: str) -> str:
    """Return the address in the one form it is stored and looked up in."""
    return email.strip().lower()
