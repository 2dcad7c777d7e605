"""Codes that people read aloud, and tokens that nobody can guess."""

from __future__ import annotations

import secrets

# No I, L, O, U, 0 or 1: a code is read off a bag label and typed with gloves on.
ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LENGTH = 5


def new_code() -> str:
    """Return a short code for a label, for example ``7KQ4M`` (24 million of them)."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


def new_token() -> str:
    """Return an unguessable token for an address (128 random bits)."""
    return secrets.token_urlsafe(16)
