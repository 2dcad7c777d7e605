"""Links to an order: unguessable, made anew by either side, and dead afterwards."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import links, outbox, quoting, reorder
from orders.codes import new_token
from orders.errors import RefusedError
from orders.models import Design, Event, Order
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


def test_whoever_holds_a_link_does_not_keep_its_artist_from_a_new_one(order: Order) -> None:
    """Each press shows whoever presses the new link: by as many as may be they would stay in."""
    thief, token = Client(REMOTE_ADDR="192.0.2.66"), order.link_token
    for _ in range(6):
        told = thief.post(reverse("order-new-link", args=[token]))
        token = told["Location"].split("/")[-2]
    order.refresh_from_db()
    assert order.link_token == token
    artist, other = Client(), Client()
    other.force_login(factories.artist_person("moss@harbour.example"), BACKEND)
    other.post(reverse("order-new-link", args=[token]))
    order.refresh_from_db()
    assert order.link_token == token
    assert order.artist is not None
    artist.force_login(order.artist, BACKEND)
    artist.post(reverse("order-new-link", args=[token]))
    order.refresh_from_db()
    assert order.link_token != token
    assert thief.get(reverse("order", args=[token])).status_code == 404


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


def test_a_new_link_shuts_out_whoever_ordered_again_by_the_old_one(client: Client) -> None:
    """Orders made of one by its link go with it, and so do those made of those."""
    order = factories.make_order(artist=factories.artist_person(), accepted=True)
    job = factories.make_job(order)
    factories.price_sheet()
    wren = Actor(Event.Role.ARTIST, order.artist)
    wanted = {job.code: (1, job.film)}
    again = reorder.order_again(order, wren, wanted, rights_confirmed=True).order
    tokens = [order.link_token, again.link_token]
    links.make_new_link(order, wren)
    for token in tokens:
        assert client.get(reverse("order", args=[token])).status_code == 404


def test_an_orders_link_orders_renames_and_deletes_nothing(client: Client) -> None:
    order = factories.make_order(artist=factories.artist_person(), accepted=True)
    version = factories.make_version(owner=order.artist)
    factories.make_job(order, version=version)
    design = version.design
    client.get(reverse("order", args=[order.link_token]))
    assert client.get(reverse("drawing", args=[design.token])).status_code == 200
    form = {"drawing": design.token, "version": 1, "film": factories.make_film().pk, "quantity": 1}
    assert client.post(reverse("basket-add"), form).status_code == 404
    for name in ("drawing-rename", "drawing-remove"):
        assert client.post(reverse(name, args=[design.token]), {"title": "x"}).status_code == 404


def test_somebody_elses_order_of_a_drawing_does_not_open_it(client: Client) -> None:
    """However it got there: only an order of the drawing's own artist opens its page by a link."""
    version = factories.make_version(owner=factories.artist_person())
    moss = factories.artist_person("moss@harbour.example", "Moss Breakwater")
    theirs = factories.make_order(artist=moss, accepted=True)
    factories.make_job(theirs, version=version)
    client.get(reverse("order", args=[theirs.link_token]))
    assert client.get(reverse("drawing", args=[version.design.token])).status_code == 404


def test_a_deleted_drawing_is_not_ordered_again_by_a_link() -> None:
    order = factories.make_order(artist=factories.artist_person(), accepted=True)
    job = factories.make_job(order)
    factories.price_sheet()
    Design.objects.filter(pk=job.version.design_id).update(removed_at=timezone.now())
    wren = Actor(Event.Role.ARTIST, order.artist)
    with pytest.raises(RefusedError, match="is deleted"):
        reorder.order_again(order, wren, {job.code: (1, job.film)}, rights_confirmed=True)
