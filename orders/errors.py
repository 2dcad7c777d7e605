"""What may go wrong with an order, each error one sentence that a page can show.

OrderError
├── NotNowError        the action does not apply in this state
├── StaleError         somebody else changed the thing a moment ago
├── NotAllowedError    the action is another role's
└── RefusedError       something is missing or wrong in what was given
"""

from __future__ import annotations

import errno

from django.db import InterfaceError, OperationalError

NO_ROOM_OR_READ = {
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EIO,
    errno.EROFS,
    errno.ENFILE,
    errno.EMFILE,
    errno.ENOMEM,
}


def is_machine_fault(error: BaseException) -> bool:
    """Say whether the machine failed and not a drawing: a full disk, a database that is away.

    That ends after some time, so what it stopped is simply done again.
    """
    if isinstance(error, (OperationalError, InterfaceError)):
        return True
    return isinstance(error, OSError) and error.errno in NO_ROOM_OR_READ


class OrderError(Exception):
    """Root of this package's errors; ``sentence`` is written for the person on the page."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class NotNowError(OrderError):
    """The action does not apply in the present state."""


class StaleError(OrderError):
    """The thing was changed between looking and pressing."""


class NotAllowedError(OrderError):
    """The action belongs to another role."""


class RefusedError(OrderError):
    """Something given is missing or wrong."""
