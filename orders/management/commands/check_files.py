"""manage.py check_files: is every stored file there, and is it what was stored?"""

from __future__ import annotations

import json
import os
import sys
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from orders import file_check
from orders.file_store import StoreAwayError, store

EVERY_SECONDS = 1.0
GENTLE = 15  # as nice has it


class Command(BaseCommand):
    help = "Compare every stored file with its checksum; list missing, altered and unknown ones."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="one object for other programs")

        parser.add_argument("--gently", action="store_true", help="let everything else go first")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["gently"]:
            os.nice(GENTLE)
        self._told_at = time.monotonic()
        try:
            found = file_check.look_and_note(self._progress)
        except StoreAwayError as error:
            raise CommandError(str(error), returncode=2) from error
        if sys.stderr.isatty():
            self.stderr.write("\r\033[K", ending="")
        if options["json"]:
            self.stdout.write(json.dumps(file_check.as_json(found), ensure_ascii=False, indent=1))
        else:
            self._tell(found)
        if found.faults:
            raise SystemExit(1)

    def _tell(self, found: file_check.Look) -> None:
        for fault in found.faults:
            self.stdout.write(file_check.sentence(fault))
        if found.unproved:
            self.stdout.write(
                f"{found.unproved} files are from before checksums were kept; they are there, and "
                "more is not known of them."
            )
        self.stdout.write(
            f"{found.files} files, {found.size_bytes / 1e6:.1f} MB, in {store().place}: "
            f"{found.count(file_check.MISSING)} missing, {found.count(file_check.ALTERED)} "
            f"altered, {found.count(file_check.UNKNOWN)} that no row names."
        )

    def _progress(self, done: int, of: int, size_bytes: int) -> None:
        now = time.monotonic()
        if sys.stderr.isatty() and now - self._told_at >= EVERY_SECONDS:
            self._told_at = now
            line = f"\r\033[K{done} of {of} files, {size_bytes / 1e6:.0f} MB"
            self.stderr.write(line, ending="")
            self.stderr.flush()
