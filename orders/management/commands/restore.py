"""manage.py restore FILE [--replace]: bring an archive back."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders import backup, file_check
from orders.management import phrase
from orders.putting_back import put_back


class Command(BaseCommand):
    help = "Bring an archive made by backup back; stop the site first."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--replace",
            action="store_true",
            help="put the backup in the place of the drawings and orders that are here",
        )
        parser.add_argument(
            "--files-only",
            action="store_true",
            help="only put back stored files that are missing or altered here; no row is touched",
        )
        phrase.add_argument(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        file = options["file"]
        if options["replace"] and options["files_only"]:
            raise CommandError("Say --replace or --files-only, not both.")
        try:
            secret = phrase.given(options["passphrase_file"])
            if not secret and backup.needs_phrase(file):
                secret = phrase.asked(twice=False)
            if options["files_only"]:
                self._put_back(file, secret)
                return
            counts = backup.restore_backup(file, replace=options["replace"], phrase=secret)
        except (backup.BackupError, OSError) as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"Brought back {counts['rows']} rows and {counts['files']} files.")

    def _put_back(self, file: Path, secret: str) -> None:
        back, left = put_back(file, secret)
        self.stdout.write(f"Put back {len(back)} files.")
        for fault in left:
            self.stderr.write(file_check.sentence(fault))
        if left:
            raise CommandError(f"{file} does not hold {len(left)} of them; try an older backup.")
