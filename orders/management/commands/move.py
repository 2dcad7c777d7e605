"""manage.py move --to DATABASE [--files PLACE], or --from FOLDER: everything to another place."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any, cast

from django.conf import settings
from django.core.files.storage import storages
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DEFAULT_DB_ALIAS

from config import environment
from orders import moving, rows
from orders.file_store import Store, store


class Command(BaseCommand):
    help = "Take every row and file of a stopped installation to another database and store."

    def add_arguments(self, parser: CommandParser) -> None:
        ways = parser.add_mutually_exclusive_group()
        ways.add_argument(
            "--to", metavar="DATABASE", default=os.environ.get("HOLDFAST_MOVE_TO", ""),
            help="the new database, as in DATABASE_URL (HOLDFAST_MOVE_TO holds it otherwise)",
        )  # fmt: skip
        ways.add_argument(
            "--from", metavar="FOLDER", dest="source", type=Path,
            help="the other way round: fetch what is in the var folder of a run.py to here",
        )  # fmt: skip
        parser.add_argument(
            "--files", metavar="PLACE", default=os.environ.get("HOLDFAST_MOVE_FILES", ""),
            help="with --to: a bucket as in HOLDFAST_FILES_URL, or the HOLDFAST_VAR of the new "
            "installation (HOLDFAST_MOVE_FILES holds it otherwise); left out, files stay",
        )  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["source"] is not None:
                moved = self._fetch(options["source"])
            elif options["to"]:
                moved = self._send(options["to"], options["files"])
            else:
                raise CommandError("Say --to and the new database, or --from and a folder.")
        except (moving.MoveError, environment.SettingError) as error:
            self._progress("")
            raise CommandError(str(error)) from error
        self._progress("")
        self._tell(moved)

    def _send(self, url: str, files: str) -> moving.Moved:
        described = environment.database(url, Path())
        if not url or moving.same_database(settings.DATABASES[DEFAULT_DB_ALIAS], described):
            raise moving.MoveError("The new database is the one that is in use; name another.")
        with moving.nobody_runs_it(Path(settings.VAR)):
            moving.bring_up_to_date(url)
            with rows.another_database(moving.TARGET, described) as target:
                return moving.move(
                    moving.Side(DEFAULT_DB_ALIAS, store()),
                    moving.Side(target, _store_at(files) if files else store()),
                    self._progress,
                )

    def _fetch(self, folder: Path) -> moving.Moved:
        file = folder.absolute() / "holdfast.sqlite3"
        if not file.is_file():
            raise moving.MoveError(f"{folder} is no var folder of run.py: it has no {file.name}.")
        described = environment.database("", file)
        if moving.same_database(settings.DATABASES[DEFAULT_DB_ALIAS], described):
            raise moving.MoveError("That folder is the one that is in use; name another.")
        with moving.nobody_runs_it(folder):
            call_command("migrate", verbosity=0, interactive=False)
            with rows.another_database(moving.SOURCE, described) as source:
                return moving.move(
                    moving.Side(source, _store_at(str(folder))),
                    moving.Side(DEFAULT_DB_ALIAS, store()),
                    self._progress,
                )

    def _progress(self, text: str) -> None:
        if sys.stderr.isatty():
            self.stderr.write(f"\r\033[K{text}", ending="")
            self.stderr.flush()

    def _tell(self, moved: moving.Moved) -> None:
        wide = max(map(len, moved.tables))
        self.stdout.write(f"{'table':{wide}}  {'rows':>8}  SHA-256 of the rows, here and there")
        for name, table in moved.tables.items():
            if table.rows:
                self.stdout.write(f"{name:{wide}}  {table.rows:8}  {table.sha256[:32]}")
        self.stdout.write(f"{'files':{wide}}  {moved.files:8}  {moved.files_sha256[:32]}")
        empty = sum(not table.rows for table in moved.tables.values())
        self.stdout.write(
            f"{moved.rows} rows in {len(moved.tables)} tables ({empty} of them empty) and "
            f"{moved.files} files, {moved.size_bytes / 1e6:.1f} MB, are there and the same "
            + ("already." if moved.was_there and not moved.copied else "as here.")
        )
        for kind, names in (("missing", moved.missing), ("altered", moved.altered)):
            if names:
                self.stderr.write(
                    f"{len(names)} files were {kind} before the move, {names[0]} first. "
                    "See: python3 run.py check-files"
                )


def _store_at(place: str) -> Store:
    """Return the store at an address of a bucket, or in the folder of everything that lives."""
    if place.startswith("s3:"):
        described = environment.files(
            place,
            key=os.environ.get("HOLDFAST_FILES_KEY", ""),
            secret=os.environ.get("HOLDFAST_FILES_SECRET", ""),
            variable="--files",
        )
    else:
        media = Path(place).expanduser().absolute() / "media"
        described = {
            "BACKEND": "orders.file_store.FolderStore",
            "OPTIONS": {"location": str(media)},
        }
    return cast(Store, storages.create_storage(described))
