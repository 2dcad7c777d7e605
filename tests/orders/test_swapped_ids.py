"""Two artists with everything, and every id of the one in every address and form of the other.

An address of somebody else's leads nowhere, one that mixes two orders leads nowhere for anybody,
and nothing of the other's changes. Rows of test_page_roles.py are the addresses; FORMS lists each
field of the artist's side that names a row.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.core import serializers
from django.test import Client
from django.urls import reverse

from orders.models import Design, Event, Job, Mail, Message, Order, OrderLine, Quote, Version
from tests import factories
from tests.orders.test_page_methods import let_go
from tests.orders.test_page_roles import (
    BACKEND,
    EVERYBODY,
    ROWS,
    Row,
    client_for,
    world_of,
)

pytestmark = pytest.mark.django_db

# what names a row that belongs to one artist; the rest of an address is the shop's, or a word
OF_ONE = {
    *("design", "gone", "message", "quote", "link", "order", "job", "photo", "proposal"),
    *("invoice", "receipt", "run", "piece", "mail", "sent_parcel"),
}
# tokens that are the key themselves: whoever holds one is let in, by design
KEYS = {"quote", "link", "parcel"}
# (page, its address, field, whose row it names in the world, what goes with it)
FORMS: tuple[tuple[str, tuple[str, ...], str, str, dict[str, Any]], ...] = (
    ("basket-add", (), "drawing", "design", {"version": 1, "quantity": 1}),
    ("basket-change", (), "line", "line", {"quantity": 9}),
    ("basket-remove", (), "line", "line", {}),
    ("order-write", ("link",), "about", "job", {"text": "Hello.", "press": "swapped"}),
    ("quote-change", ("quote",), "line-{}-quantity", "line", {}),
    ("quote-change", ("quote",), "line-{}-take_out", "line", {}),
    ("drawing-answer", ("design",), "job", "job", {}),
    ("mine-remove", ("design",), "job", "job", {}),
    ("mine-order-again", ("order",), "job", "job", {}),
    ("order-again", ("link",), "job", "job", {}),
)


@pytest.fixture
def both() -> tuple[dict[str, Any], dict[str, Any]]:
    """What Wren has and what Moss has."""
    factories.price_sheet()
    factories.workshop()
    mine = world_of(factories.artist_person(), 7)
    other = world_of(factories.artist_person("moss@harbour.example", "Moss Breakwater"), 8)
    return mine, other


def rows_of(world: dict[str, Any]) -> list[str]:
    """Everything of one artist, written down."""
    order = Order.objects.get(code=world["order"])
    owner = order.artist
    found: list[Any] = [
        Design.objects.filter(owner=owner),
        Version.objects.filter(design__owner=owner),
        OrderLine.objects.filter(order=order),
        Quote.objects.filter(order=order),
        Job.objects.filter(order=order),
        Message.objects.filter(order=order),
        Event.objects.filter(order=order),
        Mail.objects.filter(order=order),
        Order.objects.filter(artist=owner),
    ]
    return [serializers.serialize("json", rows.order_by("pk")) for rows in found]


def asked(client: Client, row: Row, args: list[Any]) -> int:
    response = getattr(client, row.method)(reverse(row.name, args=args))
    let_go(response)
    return int(response.status_code)


def mixes(row: Row, mine: dict[str, Any], other: dict[str, Any]) -> list[list[Any]]:
    """Addresses with the other's id in one place and one's own in the rest."""
    found = []
    for place, name in enumerate(row.args):
        if name not in OF_ONE or mine[name] == other[name]:
            continue
        args = [mine[arg] for arg in row.args]
        args[place] = other[name]
        if len([arg for arg in row.args if arg in OF_ONE]) == 1 and name in KEYS:
            continue  # the other's own link: it opens the other's own order
        found.append(args)
    return found


def test_an_artist_gets_nowhere_with_ids_of_another(both: Any) -> None:
    mine, other = both
    client = client_for("owner")
    before = rows_of(other)
    wrong, tried = [], 0
    for row in ROWS:
        expected = {403} if row.name.startswith("workshop-") else {403, 404}
        for args in mixes(row, mine, other):
            tried += 1
            status = asked(client, row, args)
            # a message that is gone already is taken back once more: the same answer for any id
            is_repeat = row.name == "message-undo" and status == 302
            if status not in expected and not is_repeat:
                wrong.append((row.name, args, status))
    assert wrong == []
    assert tried > 80
    assert rows_of(other) == before


def test_not_even_the_workshop_reaches_a_row_through_another_order(both: Any) -> None:
    mine, other = both
    client = client_for("cutter")
    before = rows_of(mine), rows_of(other)
    wrong, tried = [], 0
    for row in ROWS:
        if not row.name.startswith("workshop-") or len(set(row.args) & OF_ONE) < 2:
            continue
        for args in mixes(row, mine, other):
            tried += 1
            status = asked(client, row, args)
            if status != 404 and not (row.name == "workshop-message-undo" and status == 302):
                wrong.append((row.name, args, status))
    assert wrong == []
    assert tried > 15
    assert (rows_of(mine), rows_of(other)) == before


@pytest.mark.parametrize(
    ("name", "args", "field", "whose", "more"), FORMS, ids=[f"{f[0]}-{f[2]}" for f in FORMS]
)
def test_a_field_with_an_id_of_another_changes_nothing_of_theirs(
    both: Any, name: str, args: tuple[str, ...], field: str, whose: str, more: dict[str, Any]
) -> None:
    mine, other = both
    client = client_for("owner")
    before = rows_of(other)
    form = {field.format(other[whose]): "on" if "{}" in field else other[whose], **more}
    response = client.post(reverse(name, args=[mine[arg] for arg in args]), form)
    assert response.status_code in (302, 400, 403, 404, 409, 422, 200)
    assert rows_of(other) == before
    told = response.content.decode() if "html" in response.headers.get("Content-Type", "") else ""
    assert "Moss" not in told
    lines = OrderLine.objects.filter(order__artist__email="wren@harbour.example")
    assert not lines.filter(version__design__token=other["design"]).exists()
    said = Message.objects.filter(press="swapped")
    assert not said.filter(job__code=other["job"]).exists()


def test_lists_hold_ones_own_and_nothing_of_another(both: Any) -> None:
    mine, other = both
    client = client_for("owner")
    tokens = f"{mine['design']}.{other['design']}"
    for address in (reverse("mine"), reverse("mine-orders"), f"{reverse('sent')}?d={tokens}"):
        page = client.get(address).content.decode()
        assert other["design"] not in page
        assert other["order"] not in page
        assert "Moss" not in page


def test_a_link_without_its_session_opens_only_its_own_order(both: Any) -> None:
    """Whoever was forwarded one artist's link gains nothing of the other's."""
    mine, other = both
    client = Client()
    assert client.get(reverse("order", args=[mine["link"]])).status_code == 200
    assert client.get(reverse("drawing", args=[mine["design"]])).status_code == 200
    assert client.get(reverse("drawing", args=[other["design"]])).status_code == 404
    assert client.post(reverse("drawing-rename", args=[other["design"]])).status_code == 404


def test_signing_in_takes_over_nothing_that_has_an_owner(both: Any) -> None:
    _, other = both
    Design.objects.filter(token=other["design"]).update(visitor="same-browser")
    client = Client()
    session = client.session
    session["visitor"] = "same-browser"
    session.save()
    client.force_login(factories.artist_person(), BACKEND)
    assert Design.objects.get(token=other["design"]).owner is not None
    assert str(Design.objects.get(token=other["design"]).owner) == "Moss Breakwater"


def test_every_page_that_everybody_opens_hangs_on_a_token_or_tells_nothing_of_anybody() -> None:
    """A new page of one order or drawing that is open to all must name why."""
    opened = {row.name: row.args for row in ROWS if row.codes == EVERYBODY and row.args}
    # an offer is on the shelf for everybody, by its artist's consent
    words = {"blank", "letter", "offer", "offered", "paint"}
    assert all(args[0] in KEYS or set(args) <= words for args in opened.values()), opened
