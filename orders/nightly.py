"""What the sweep has done once a night, in a process of its own: a look at every stored file."""

from __future__ import annotations

import logging
import subprocess
import sys
import time
from datetime import timedelta

from django.conf import settings
from django.utils import timezone

from . import file_check
from .models import FileLook

logger = logging.getLogger(__name__)

HOURS = range(2, 5)  # of the workshop's own night
AGAIN_AFTER = timedelta(hours=20)
LATEST = timedelta(hours=50)  # a machine that is off at night has it done by day
NOT_BEFORE_SECONDS = 600.0  # a start is busy enough


class Nightly:
    """Starts the look when it is due, and never a second beside it."""

    def __init__(self) -> None:
        self._began = self._asked = time.monotonic()
        self._child: subprocess.Popen[bytes] | None = None

    def look(self) -> None:
        """Start a look at the files if one is due; called at every sweep, asks once a minute."""
        now = time.monotonic()
        if self._child is not None and self._child.poll() is not None:
            self._told(self._child.returncode)
            self._child = None
        if self._child or now - self._began < NOT_BEFORE_SECONDS or now - self._asked < 60:
            return
        self._asked = now
        if is_due():
            self.start()

    def start(self) -> None:
        """Look at every file beside the sweep, after everything else that wants the machine."""
        command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "check_files", "--gently"]
        self._child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)

    def end(self) -> None:
        """End a look that goes on, as the sweep ends."""
        if self._child is not None and self._child.poll() is None:
            self._child.terminate()
            self._child.wait()

    @staticmethod
    def _told(code: int) -> None:
        found = file_check.last_look()
        if code == 1 and found is not None:
            logger.error(
                "of %s stored files %s are missing, %s altered, %s not named by any row; "
                "python3 run.py check-files lists them",
                found.files, found.missing, found.altered, found.unknown,
            )  # fmt: skip
        elif code:
            logger.error("the look at the stored files ended with exit code %s", code)


def is_due() -> bool:
    """Say whether the files are to be looked at now: by night, or when it is long ago."""
    now = timezone.now()
    begun = FileLook.objects.values_list("begun_at", flat=True).first()
    age = now - begun if begun else AGAIN_AFTER
    is_night = timezone.localtime(now).hour in HOURS
    return age >= LATEST or (is_night and age >= AGAIN_AFTER)
