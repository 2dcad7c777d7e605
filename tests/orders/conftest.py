"""Files of these tests lie in a folder of each test's own."""

from pathlib import Path

import pytest

from orders.models import Event
from orders.workflow import Actor
from tests import factories


@pytest.fixture(autouse=True)
def _own_media(media: Path) -> None:
    """Keep uploads and pictures apart from test to test."""


@pytest.fixture
def cutter(db: None) -> Actor:
    """The workshop acting."""
    return Actor(Event.Role.WORKSHOP, factories.workshop_person())


@pytest.fixture
def artist(db: None) -> Actor:
    """The artist acting."""
    return Actor(Event.Role.ARTIST, factories.artist_person())
