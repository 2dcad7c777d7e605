"""Small words for sentences on pages."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """Return "1 piece", "2 pieces": a number with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
