"""Fill an empty installation with a small harbour workshop to try things on."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser


class Command(BaseCommand):
    help = "Make the demo workshop the first time, and say who can sign in."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--password", help="the cutter's password (made up when left out)")

    def handle(self, *args: Any, **options: Any) -> None:
        from orders.demo.make import make_demo  # loads the compute kernels

        signs = make_demo(options["password"])
        self.stdout.write(f"cutter: {signs.cutter}")
        if signs.password:
            self.stdout.write(f"password: {signs.password}")
        self.stdout.write(f"artist: {signs.artist} (a code is mailed)")
