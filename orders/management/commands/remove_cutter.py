"""Take a sign-in for the workshop's side away."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders.models import Person
from orders.models.people import tidy_email


class Command(BaseCommand):
    help = "Take a sign-in of the workshop away; what that person did keeps its name."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email")

    def handle(self, *args: Any, **options: Any) -> None:
        cutters = Person.objects.filter(is_workshop=True)
        person = cutters.filter(email=tidy_email(options["email"])).first()
        if person is None:
            known = ", ".join(sorted(cutters.values_list("email", flat=True))) or "none"
            raise CommandError(f"There is no sign-in of that address. Those there are: {known}.")
        if not cutters.exclude(pk=person.pk).exists():
            raise CommandError(
                f"{person.email} is the only sign-in of the workshop. Make another one first."
            )
        person.is_workshop = False
        # a new password ends every session: one left open on the bench is shut too
        person.set_unusable_password()
        person.save()
        self.stdout.write(f"{person.email} can no longer sign in to the workshop.")
