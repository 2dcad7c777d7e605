"""List or delete stored files that no row names."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from orders import orphans


class Command(BaseCommand):
    help = "List stored files that no row names (--delete deletes them; the sweep does so daily)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--hours", type=float, default=24.0, help="stored longer ago than this")
        parser.add_argument("--delete", action="store_true", help="delete them")

    def handle(self, *args: Any, **options: Any) -> None:
        age = timedelta(hours=options["hours"])
        if options["delete"]:
            self.stdout.write(f"{orphans.delete_orphans(age)} files deleted")
            return
        for name in orphans.orphans(age):
            self.stdout.write(name)
