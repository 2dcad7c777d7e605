"""manage.py restore FILE [--replace]: bring an archive back."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders.backup import BackupError, restore_backup


class Command(BaseCommand):
    help = "Bring an archive made by backup back; stop the site first."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--replace",
            action="store_true",
            help="put the backup in the place of the drawings and orders that are here",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            counts = restore_backup(options["file"], replace=options["replace"])
        except BackupError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"Brought back {counts['rows']} rows and {counts['files']} files.")
