"""Whether the mail server took the last sign-in code: what the page of the code tells everybody.

Codes are sent beside the answer, so that it takes as long for any address, and their page cannot
wait for what becomes of one. A mark in the cache tells of the last one, whosever it was.
"""

from __future__ import annotations

from typing import Final

from django.core.cache import cache

MARK: Final = "mail-away"
KEPT_S: Final = 5 * 60


def note(*, is_away: bool) -> None:
    """Note whether the mail server took a code."""
    if is_away:
        cache.set(MARK, True, KEPT_S)
    else:
        cache.delete(MARK)


def is_away() -> bool:
    """Return whether the last code of the last five minutes could not be handed over."""
    return bool(cache.get(MARK))
