"""Take the second step of a sign-in away, for whoever lost the phone and the spare codes."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders import second_step
from orders.models import Person
from orders.models.people import tidy_email


class Command(BaseCommand):
    help = "Take the second step of a workshop's sign-in away; the password stays as it is."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email")

    def handle(self, *args: Any, **options: Any) -> None:
        email = tidy_email(options["email"])
        person = Person.objects.filter(email=email, is_workshop=True).first()
        if person is None:
            raise CommandError(f"Nobody of the workshop signs in as {email}.")
        if second_step.turn_off(person):
            told = "signs in by the password alone now. Set the second step up again soon."
        else:
            told = "had no second step; nothing was changed."
        self.stdout.write(f"{person.email} {told}")
