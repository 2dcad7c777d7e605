"""What may go wrong with an order, each error one sentence that a page can show.

OrderError
├── NotNowError        the action does not apply in this state
├── StaleError         somebody else changed the thing a moment ago
├── NotAllowedError    the action is another role's
└── RefusedError       something is missing or wrong in what was given
"""

from __future__ import annotations

from django.db import InterfaceError, OperationalError

# A full disk, a database that is away: of the machine, and over some time. No fault of a drawing.
MACHINE_FAULTS = (OperationalError, InterfaceError, OSError)


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
