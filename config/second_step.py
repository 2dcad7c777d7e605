"""Secrets of the second step lie in the database encrypted, by a key made of the site's own.

Whoever reads a copy of the database without the key cannot make codes.
"""

import base64
import hashlib

from allauth.mfa.adapter import DefaultMFAAdapter
from cryptography.fernet import Fernet, InvalidToken
from django.conf import settings


class SecondStepAdapter(DefaultMFAAdapter):
    """Encrypt what is stored (Fernet: AES-128-CBC with HMAC-SHA256)."""

    def encrypt(self, text: str) -> str:
        return _fernet().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        """Return the secret. Raises ValueError where the site's key is another one by now."""
        try:
            return _fernet().decrypt(encrypted_text.encode()).decode()
        except InvalidToken:
            raise ValueError("The secret was stored under another key.") from None


def _fernet() -> Fernet:
    digest = hashlib.sha256(b"second step:" + settings.SECRET_KEY.encode()).digest()
    return Fernet(base64.urlsafe_b64encode(digest))
