"""Links to an order: unguessable, made anew by either side, and dead afterwards."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from orders import outbox, quoting
from orders.codes import new_token
from orders.models import Event, Order
from orders.workflow import Actor
from tests import factories

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
pytestmark = pytest.mark.django_db


@pytest.fixture
def order() -> Order:
    factories.price_sheet()
    factories.workshop()
    owner = factories.artist_person()
    order = factories.make_order(artist=owner)
    factories.make_line(order, factories.make_version(owner=owner), quantity=2)
    quoting.make_quote(order, Actor(Event.Role.ARTIST, owner))
    return order


def addresses(order: Order) -> list[str]:
    """Every address that hangs on the order's or its quotes' tokens and answers to a look."""
    link, quote = order.link_token, order.quotes.get().token
    return [
        *(reverse(name, args=[link]) for name in ("order", "order-state", "order-talk")),
        *(reverse(name, args=[quote]) for name in ("quote", "quote-pdf")),
    ]


def test_tokens_have_128_random_bits() -> None:
    """OWASP ASVS asks for 128 bits of a reference that alone opens something."""
    tokens = {new_token() for _ in range(500)}
    assert len(tokens) == 500
    assert all(len(token) == 22 for token in tokens)  # 16 bytes in base 64


@pytest.mark.parametrize("side", ["artist", "workshop"])
def test_the_old_links_die_and_the_new_one_is_mailed(order: Order, side: str) -> None:
    client, stranger = Client(), Client()
    old = addresses(order)
    assert [stranger.get(address).status_code for address in old] == [200] * 5
    if side == "workshop":
        client.force_login(factories.workshop_person(), BACKEND)
        answer = client.post(reverse("workshop-order-new-link", args=[order.code]))
    else:
        answer = client.post(reverse("order-new-link", args=[order.link_token]))
    order.refresh_from_db()
    if side == "artist":
        assert answer["Location"] == reverse("order", args=[order.link_token])
    # whoever opened the old link is out as well, though the browser remembers it
    for reader in (stranger, Client()):
        assert [reader.get(address).status_code for address in old] == [404] * 5
        assert reader.post(reverse("order-write", args=[old[0].split("/")[2]])).status_code == 404
    assert [Client().get(address).status_code for address in addresses(order)] == [200] * 5
    letter = order.mails.get(kind="new-link")
    assert letter.to == "wren@harbour.example"
    assert order.link_token in letter.body
    assert order.events.filter(action="new-link", role=side).exists()


def test_drawings_that_the_old_link_opened_are_shut(order: Order) -> None:
    stranger = Client()
    drawing = reverse("drawing", args=[order.lines.get().version.design.token])
    stranger.get(addresses(order)[0])
    assert stranger.get(drawing).status_code == 200
    Client().post(reverse("order-new-link", args=[order.link_token]))
    assert stranger.get(drawing).status_code == 404


def test_letters_on_their_way_lead_to_the_new_addresses(order: Order) -> None:
    (letter,) = order.mails.filter(kind="quote")
    old = order.quotes.get().token
    assert old in letter.body
    Client().post(reverse("order-new-link", args=[order.link_token]))
    letter.refresh_from_db()
    assert old not in letter.body
    assert order.quotes.get().token in letter.body
    assert outbox.send_due() == 2


def test_it_is_an_act_and_not_a_link_and_not_done_without_end(order: Order, settings: Any) -> None:
    assert Client().get(reverse("order-new-link", args=[order.link_token])).status_code == 405
    settings.LIMITS = {"link": (2, 0)}
    for _ in range(2):
        order.refresh_from_db()
        Client().post(reverse("order-new-link", args=[order.link_token]))
    order.refresh_from_db()
    Client().post(reverse("order-new-link", args=[order.link_token]))
    last = Order.objects.get()
    assert last.link_token == order.link_token
    assert last.mails.filter(kind="new-link").count() == 2


def test_the_slip_in_the_parcel_still_opens_status_and_pictures(order: Order) -> None:
    parcel = reverse("parcel", args=[order.parcel_token])
    Client().post(reverse("order-new-link", args=[order.link_token]))
    assert Client().get(parcel).status_code == 200


def test_the_button_says_what_it_does_on_both_sides(order: Order) -> None:
    page = Client().get(reverse("order", args=[order.link_token])).content.decode()
    assert "Make a new link" in page
    assert "stop working at once" in page
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    page = client.get(reverse("workshop-order", args=[order.code])).content.decode()
    assert "Make a new link" in page
