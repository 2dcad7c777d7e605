"""Upload a drawing to a living installation, kill its worker in mid-check, print how it went on.

Run as a program of its own, in the environment of that installation:
`python -m tests.service.interrupted_check PID` with the worker's process id.
"""

import json
import os
import signal
import sys
import time
from datetime import timedelta
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from django.core.files.uploadedfile import SimpleUploadedFile  # noqa: E402
from django.utils import timezone  # noqa: E402

from orders.drawings import receive_drawing  # noqa: E402
from orders.models import Event, Version  # noqa: E402


def drawing() -> bytes:
    """Return a PNG of 6 x 6 in at 600 dpi with a hundred strokes: about a second of work."""
    import cv2
    import numpy as np

    picture = np.full((3600, 3600), 255, np.uint8)
    for row in range(10):
        for column in range(10):
            centre = (600 + 260 * column, 600 + 260 * row)
            cv2.ellipse(picture, centre, (90, 60), 20 * row, 0, 250, 0, 40, cv2.LINE_AA)
    return bytes(cv2.imencode(".png", picture)[1])


def wait_for(version_id: int, statuses: set[str], seconds: float, pause: float) -> Version:
    last = time.monotonic() + seconds
    while True:
        version = Version.objects.get(pk=version_id)
        if version.status in statuses:
            return version
        if time.monotonic() > last:
            sys.exit(f"after {seconds} s the version is still {version.status}")
        time.sleep(pause)


def main(worker: int) -> dict[str, Any]:
    upload = SimpleUploadedFile("strokes.png", drawing(), "image/png")
    version_id = receive_drawing(
        upload, visitor="test", owner=None, blank_code="6x6in", paper_mm=None
    ).pk
    settled = {Version.Status.PASSED, Version.Status.REJECTED, Version.Status.UNREADABLE}
    wait_for(version_id, {Version.Status.CHECKING}, 40, 0.005)
    os.kill(worker, signal.SIGKILL)
    time.sleep(2)  # a check that was not interrupted would be done by now
    interrupted = Version.objects.get(pk=version_id).status == Version.Status.CHECKING
    # time passes: the dead worker's lease runs out
    Version.objects.filter(pk=version_id, status=Version.Status.CHECKING).update(
        lease_until=timezone.now() - timedelta(seconds=1)
    )
    version = wait_for(version_id, {str(status) for status in settled}, 60, 0.1)
    time.sleep(2)  # a second answer, if there were one, would come now
    answers = Event.objects.filter(version=version, life="version", action="checked").count()
    return {
        "interrupted": interrupted,
        "status": version.status,
        "attempt": version.attempt,
        "answers": answers,
        "error": (version.report or {}).get("error"),
    }


if __name__ == "__main__":
    print(json.dumps(main(int(sys.argv[1]))))
