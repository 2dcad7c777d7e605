"""Put drawings into a living installation, wait for their verdicts, print them as JSON.

Six at a time, until two were seen to be looked at at once: on a busy machine the second process
may still be starting when the first is through with six.

Run with its environment: tests/service/test_several_at_once.py starts it.
"""

import json
import sys
import time
from pathlib import Path

import django

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
django.setup()

from django.core.files.uploadedfile import SimpleUploadedFile  # noqa: E402

from geometry.limits import BLANKS  # noqa: E402
from orders import drawings  # noqa: E402
from orders.demo.drawings import DRAWINGS  # noqa: E402
from orders.models import Event, Version  # noqa: E402

SECONDS = 240


def main() -> None:
    made: list[int] = []
    most = 0
    for _ in range(4):
        most = max(most, looked_at_at_once(made))
        if most > 1:
            break
    events = Event.objects.filter(version__in=made, life="version")
    told = {
        "verdicts": list(Version.objects.filter(pk__in=made).values_list("status", "attempt")),
        "most_at_once": most,
        "events": sorted(events.values_list("version_id", "to_status")),
    }
    print(json.dumps(told))


def looked_at_at_once(made: list[int]) -> int:
    """Put six more in; return how many were being looked at at once, at most."""
    for number in range(6):
        title, blank_code, draw = list(DRAWINGS.values())[number % len(DRAWINGS)]
        file = SimpleUploadedFile(f"{title} {number}.png", draw(), "image/png")
        version = drawings.receive_drawing(
            file, visitor="v", owner=None, blank_code=blank_code,
            paper_mm=BLANKS[blank_code].size_mm,
        )  # fmt: skip
        made.append(version.pk)
    waiting = Version.objects.filter(pk__in=made, status__in=("waiting", "checking"))
    most, last = 0, time.monotonic() + SECONDS
    while waiting.exists() and time.monotonic() < last:
        most = max(most, Version.objects.filter(pk__in=made, status="checking").count())
        time.sleep(0.02)
    return most


main()
