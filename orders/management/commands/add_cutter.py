"""Make a sign-in for the workshop's side."""

from __future__ import annotations

import getpass
import sys
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders.begin import begin
from orders.models import Person
from orders.models.people import tidy_email


class Command(BaseCommand):
    help = "Make or renew a sign-in for the workshop (asks for the password, or reads it)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email")
        parser.add_argument("--name", default="")

    def handle(self, *args: Any, **options: Any) -> None:
        begin()
        asked = sys.stdin.isatty()
        password = getpass.getpass("Password: ") if asked else sys.stdin.readline().strip()
        email = tidy_email(options["email"])
        person = Person.objects.filter(email=email).first()
        person = person or Person(email=email)
        person.is_workshop = True
        person.name = options["name"] or person.name
        try:
            validate_password(password, person)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        person.set_password(password)
        person.save()
        self.stdout.write(f"{person.email} can sign in at /workshop/.")
