"""An artist's browser without a sign-in, and rows that it owns."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from orders.access import VISITOR
from tests import factories

KEY = "visitor-of-the-test"


@pytest.fixture(autouse=True)
def _own_media(media: Path) -> None:
    """Keep uploads and pictures apart from test to test."""


@pytest.fixture
def visitor(db: None) -> Client:
    """A browser whose session owns what is made with ``visitor=KEY``."""
    client = Client()
    session = client.session
    session[VISITOR] = KEY
    session.save()
    return client


@pytest.fixture
def stranger(db: None) -> Client:
    """A browser that owns nothing."""
    return Client()


@pytest.fixture
def cutter_client(db: None) -> Client:
    """The workshop, signed in."""
    client = Client()
    client.force_login(
        factories.workshop_person(), backend="allauth.account.auth_backends.AuthenticationBackend"
    )
    return client


@pytest.fixture
def shop(db: None) -> Any:
    """A workshop with its films and its first price sheet."""
    factories.make_film()
    factories.price_sheet()
    return factories.workshop()


@pytest.fixture
def picture() -> Callable[..., SimpleUploadedFile]:
    """Give a function that makes an upload of a ring on white paper."""

    def make(name: str = "tide snail.png", data: bytes | None = None) -> SimpleUploadedFile:
        return SimpleUploadedFile(name, factories.picture_png() if data is None else data)

    return make
