"""A null character in an address or a form is refused, whatever the database makes of it.

PostgreSQL's manual, 8.3 Character Types: the character with code zero cannot be stored.
"""

from __future__ import annotations

import pytest
from django.test import Client

from tests import factories
from tests.workshop.conftest import BACKEND

pytestmark = pytest.mark.django_db

ADDRESSES = (
    "/drawing/a%00b/",
    "/quote/%00/",
    "/order/%00/",
    "/parcel/%00/",
    "/workshop/job/%00/",
    "/workshop/film/%00/",
    "/workshop/queue/?q=tide%00snail",
    "/workshop/queue/?film=%00",
)


@pytest.fixture
def cutter_client() -> Client:
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    return client


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_null_character_in_an_address_is_not_understood(
    cutter_client: Client, address: str
) -> None:
    response = cutter_client.get(address)
    assert response.status_code == 400
    assert "could not be understood" in response.content.decode()


@pytest.mark.parametrize(
    ("address", "form"),
    [
        ("/basket/add/", {"drawing": "\0", "version": "1"}),
        ("/workshop/queue/selected/", {"job": "\0", "do": "queue"}),
        ("/sign-in/", {"email": "wren@harbour.example", "na\0me": ""}),
    ],
)
def test_a_null_character_in_a_form_is_not_understood(
    cutter_client: Client, address: str, form: dict[str, str]
) -> None:
    assert cutter_client.post(address, form).status_code == 400


def test_a_stranger_learns_no_more_by_a_null_character_than_by_any_address() -> None:
    assert Client().get("/workshop/job/%00/").status_code == 400
    assert Client(enforce_csrf_checks=True).post("/upload/", {"blank": "\0"}).status_code == 403
