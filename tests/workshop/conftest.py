"""The cutter at the bench: a signed-in browser, and a way to press buttons."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from orders.models import Event
from orders.workflow import Actor
from tests import factories

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


@pytest.fixture(autouse=True)
def _own_media(media: Path) -> None:
    """Keep uploads and pictures apart from test to test."""


class Bench:
    """A browser signed in for the workshop, with the sentences that its pages said."""

    def __init__(self, client: Client) -> None:
        self.client = client

    def see(self, name: str, /, *args: Any, **query: Any) -> str:
        """Return the text of a page that answers 200."""
        response = self.client.get(reverse(name, args=args), query)
        assert response.status_code == 200, response.status_code
        return str(response.content.decode())

    def press(self, name: str, /, *args: Any, **data: Any) -> Any:
        """Post a form and return the page it leads to."""
        return self.client.post(reverse(name, args=args), data, follow=True)

    def told(self, name: str, /, *args: Any, **data: Any) -> list[str]:
        """Post a form and return the sentences that the next page says."""
        return [str(message) for message in self.press(name, *args, **data).context["messages"]]


@pytest.fixture
def cutter(db: None) -> Actor:
    """The workshop acting."""
    return Actor(Event.Role.WORKSHOP, factories.workshop_person())


@pytest.fixture
def artist(db: None) -> Actor:
    """The artist acting."""
    return Actor(Event.Role.ARTIST, factories.artist_person())


@pytest.fixture
def bench(db: None) -> Bench:
    """The cutter's browser."""
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    factories.workshop()
    return Bench(client)
