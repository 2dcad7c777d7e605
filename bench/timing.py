"""The one way the benches time a piece of work."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any


def median_seconds(work: Callable[[], Any], rounds: int) -> float:
    """Return the median of the seconds that some rounds of work take."""
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return statistics.median(times)
