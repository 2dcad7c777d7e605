"""Numbers as they arrive in forms and addresses."""

from __future__ import annotations


def whole_number(text: str | None) -> int | None:
    """Return a whole number of nine digits at most from a form, or None.

    More digits fit no column of the database, and thousands of them Python itself refuses.
    """
    text = text or ""
    return int(text) if text.isdecimal() and text.isascii() and len(text) < 10 else None
