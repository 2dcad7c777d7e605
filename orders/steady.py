"""Whether the clock of the day goes steadily, or has just been put forward or back."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

logger = logging.getLogger(__name__)

MOST_APART_S = 60.0  # a clock that is kept right over the network moves by far less
WAIT_S = 3600.0


def _since_start() -> float:
    """Return seconds that nobody can put forward or back; a machine that slept counts its sleep."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class SteadyClock:
    """Compares the clock of the day with one that cannot be set, from one look to the next."""

    def __init__(
        self,
        of_the_day: Callable[[], float] = time.time,
        steady: Callable[[], float] = _since_start,
    ) -> None:
        self.of_the_day, self.steady = of_the_day, steady
        self.apart = of_the_day() - steady()
        self.trusted_from = steady()

    def is_steady(self) -> bool:
        """Say whether the clock has not jumped within the last hour."""
        now = self.steady()
        apart = self.of_the_day() - now
        if abs(apart - self.apart) > MOST_APART_S:
            logger.warning(
                "the clock jumped by %.0f s; nothing is erased or closed for an hour",
                apart - self.apart,
            )
            self.trusted_from = now + WAIT_S
        self.apart = apart
        return now >= self.trusted_from
