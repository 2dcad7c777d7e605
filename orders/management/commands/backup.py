"""manage.py backup FILE: database and files into one archive, while the site runs."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders.backup import BackupError, write_backup


class Command(BaseCommand):
    help = "Write database and files into one archive; the site may go on running."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            counts = write_backup(options["file"])
        except BackupError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(
            f"{options['file']} holds {counts['rows']} rows and {counts['files']} files."
        )
