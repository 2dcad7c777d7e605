"""Do what time brings: nudge lost checks, send letters that are due, close old quotes."""

from __future__ import annotations

import logging
import signal
import threading
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, close_old_connections

from orders import tasks
from orders.file_store import StoreAwayError
from orders.nightly import Nightly

logger = logging.getLogger(__name__)
FIRST_DAILY_S, DAY_S = 600.0, 24 * 3600.0


class Command(BaseCommand):
    help = "Run the sweep every few seconds until stopped (or --once)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="sweep once and say what was done")
        parser.add_argument("--every", type=float, default=5.0, help="seconds between sweeps")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["once"]:
            self.stdout.write(str(tasks.sweep(daily=True)))
            return
        stopped, daily_at = threading.Event(), time.monotonic() + FIRST_DAILY_S
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stopped.set())
        night = Nightly()
        while not stopped.is_set():
            is_daily = time.monotonic() >= daily_at
            tasks.sweep(daily=is_daily)
            if is_daily:
                daily_at = time.monotonic() + DAY_S
            try:
                night.look()
            except (DatabaseError, StoreAwayError):
                # A database or a store of files that is away comes back; the sweep outlives it.
                logger.exception("the nightly work could not be looked at and is tried again")
            close_old_connections()
            stopped.wait(options["every"])
        night.end()
