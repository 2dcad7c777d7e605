"""manage.py backup FILE: database and files into one archive, while the site runs."""

from datetime import timedelta
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders import backup, pulses, rehearsal
from orders.management import phrase
from orders.models import Pulse


class Command(BaseCommand):
    help = "Write database and files into one archive; the site may go on running."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, nargs="?", help="the archive, a new file")
        parser.add_argument(
            "--into", type=Path, metavar="FOLDER", help="instead: a file named by the time there"
        )
        parser.add_argument(
            "--keep", type=int, default=0, metavar="N",
            help="with --into: drop all but the N newest backups of that folder",
        )  # fmt: skip
        parser.add_argument("--encrypt", action="store_true", help="seal it with a pass phrase")
        phrase.add_argument(parser)
        parser.add_argument(
            "--check", action="store_true",
            help="write nothing: verify FILE and rehearse bringing it back",
        )  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        if (options["file"] is None) == (options["into"] is None):
            raise CommandError("Say either a file or --into and a folder.")
        if options["keep"] < 0 or (options["keep"] and options["into"] is None):
            raise CommandError("--keep is 1 or more, and goes with --into and a folder.")
        try:
            if options["check"]:
                self._check(options)
            else:
                self._write(options)
        except backup.BackupError as error:
            raise CommandError(str(error)) from error

    def _check(self, options: dict[str, Any]) -> None:
        file = options["file"]
        if file is None:
            raise CommandError("--check looks at one file.")
        secret = phrase.given(options["passphrase_file"])
        if not secret and backup.needs_phrase(file):
            secret = phrase.asked(twice=False)
        counts = rehearsal.rehearse(file, secret)
        self.stdout.write(
            f"{file} is whole: {counts['rows']} rows came back as they were written, "
            f"{counts['files']} files have their checksums."
        )

    def _write(self, options: dict[str, Any]) -> None:
        secret = phrase.given(options["passphrase_file"])
        if options["encrypt"] and not secret:
            secret = phrase.asked(twice=True)
        if options["into"] is not None:
            file, written, dropped = backup.write_dated(options["into"], secret, options["keep"])
        else:
            file, dropped = options["file"], 0
            written = backup.write_backup(file, secret)
        pulses.beat(Pulse.Name.BACKUP, every=timedelta(0))  # what the page of the watch asks for
        sealed = ", sealed with the pass phrase" if secret else ""
        self.stdout.write(f"{file} holds {written.rows} rows and {written.files} files{sealed}.")
        if dropped:
            self.stdout.write(f"{dropped} older ones were dropped.")
        if faulty := len(written.missing) + len(written.altered):
            self.stderr.write(
                f"{faulty} stored files were missing or altered before this backup, "
                f"{(written.missing + written.altered)[0]} first. See: python3 run.py check-files"
            )
