"""Do what time brings: nudge lost checks, send letters that are due, close old quotes."""

from __future__ import annotations

import logging
import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, close_old_connections

from config.file_store import StoreAwayError
from orders import tasks
from orders.nightly import Nightly

logger = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Run the sweep every few seconds until stopped (or --once)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="sweep once and say what was done")
        parser.add_argument("--every", type=float, default=5.0, help="seconds between sweeps")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["once"]:
            self.stdout.write(str(tasks.sweep()))
            return
        stopped = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stopped.set())
        night = Nightly()
        while not stopped.is_set():
            try:
                tasks.sweep()
                night.look()
            except DatabaseError:
                # A database that is locked or away comes back; the sweep must outlive it.
                logger.exception("the sweep could not reach the database and tries again")
            except StoreAwayError as error:
                # So does the store of files; what was to be erased is begun and goes on then.
                logger.error("the sweep goes on later: %s", error)
            close_old_connections()
            stopped.wait(options["every"])
        night.end()
