"""The basket: lines, the price that follows each change, and placing the order."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from orders import access
from orders.access import VISITOR
from orders.artist.forms import CheckoutForm
from orders.models import Design, Film, Mail, Order, OrderLine, Person, Quote, Version
from tests import factories

from .conftest import KEY

ADDRESS = {
    "email": "wren@harbour.example",
    "delivery": "post",
    "ship_name": "Wren Saltmarsh",
    "ship_line1": "3 Quay Steps",
    "ship_city": "Tidehaven",
    "ship_postcode": "TH 1",
    "ship_country": "Harbourland",
    "note": "Ring twice.",
    "rights": "on",
}
HTMX = {"HX-Request": "true"}


@pytest.fixture
def version(shop: Any) -> Version:
    return factories.make_version(factories.make_design(visitor=KEY, title="Tide snail"))


def put_in(client: Client, version: Version, quantity: str = "2", **more: str) -> Any:
    form = {
        "drawing": version.design.token,
        "version": str(version.number),
        "quantity": quantity,
        "film": str(Film.objects.get(code="pet-0.1905").pk),
        "with_cut_outs": "on",
        **more,
    }
    return client.post("/basket/add/", form)


def text(response: Any) -> str:
    return str(response.content.decode())


def test_an_empty_basket_says_how_to_begin(visitor: Client) -> None:
    page = text(visitor.get("/basket/"))
    assert "Nothing in it yet" in page
    assert "Put a drawing in" in page


def test_more_of_the_same_adds_to_its_line(visitor: Client, version: Version) -> None:
    put_in(visitor, version, "2")
    response = put_in(visitor, version, "3")
    assert response.headers["Location"] == "/basket/"
    assert OrderLine.objects.get().quantity == 5


def test_the_same_form_sent_twice_is_put_in_once(visitor: Client, version: Version) -> None:
    page = text(visitor.get(f"/drawing/{version.design.token}/"))
    press = page.split('name="press" value="')[1].split('"')[0]
    for _ in range(3):
        put_in(visitor, version, "2", press=press)
    assert OrderLine.objects.get().quantity == 2
    put_in(visitor, version, "3", press="another page")
    assert OrderLine.objects.get().quantity == 5


def test_each_change_brings_the_new_price_with_its_reasons(
    visitor: Client, version: Version
) -> None:
    put_in(visitor, version, "1")
    line = OrderLine.objects.get()
    before = text(visitor.get("/basket/"))
    assert "1 stencil, 6 × 6 in" in before
    changed = {
        "line": str(line.pk),
        f"line-{line.pk}-quantity": "5",
        f"line-{line.pk}-film": str(line.film_id),
    }
    after = text(visitor.post("/basket/change/", changed, headers=HTMX))
    assert after.lstrip().startswith('<div id="basket-lines">')
    assert "The price from 5 pieces applies: USD 6.80 each." in after
    line.refresh_from_db()
    assert (line.quantity, line.with_cut_outs) == (5, False)
    plain = visitor.post("/basket/change/", changed)
    assert plain.headers["Location"] == "/basket/"


@pytest.mark.parametrize(
    ("quantity", "sentence"),
    [
        ("0", "One is the fewest that can be cut."),
        ("1000", "999 is the most in one line."),
        ("two", "Write a whole number from 1 to 999."),
        ("", "Say how many."),
    ],
)
def test_a_wrong_number_is_told_and_the_old_one_stays(
    visitor: Client, version: Version, quantity: str, sentence: str
) -> None:
    put_in(visitor, version, "4")
    line = OrderLine.objects.get()
    changed = {
        "line": str(line.pk),
        f"line-{line.pk}-quantity": quantity,
        f"line-{line.pk}-film": str(line.film_id),
    }
    assert sentence in text(visitor.post("/basket/change/", changed, headers=HTMX))
    assert visitor.post("/basket/change/", changed).status_code == 422
    line.refresh_from_db()
    assert line.quantity == 4


def test_collecting_takes_the_postage_off(visitor: Client, version: Version) -> None:
    put_in(visitor, version)
    assert "One parcel with everything in it." in text(visitor.get("/basket/"))
    after = text(visitor.post("/basket/change/", {"delivery": "collect"}, headers=HTMX))
    assert "Fetched from the workshop: no postage." in after


def test_only_films_that_take_the_size_are_offered(visitor: Client, version: Version) -> None:
    factories.make_film("strip", name="A strip", sheet_width_mm=100, sheet_height_mm=100)
    factories.make_film("old", name="Old film", is_active=False)
    page = text(visitor.get(f"/drawing/{version.design.token}/"))
    assert "PET 0.19 mm" in page
    assert "A strip" not in page
    assert "Old film" not in page


def test_stencil_and_mask_of_one_drawing_go_into_one_order(
    visitor: Client, version: Version
) -> None:
    mask = factories.make_version(version.design, mode="mask")
    put_in(visitor, version, "2")
    put_in(visitor, mask, "1")
    page = text(visitor.get("/basket/"))
    assert "3 pieces (2 stencils, 1 mask), 6 × 6 in" in page


def test_a_rejected_drawing_goes_in_only_as_a_question(visitor: Client, version: Version) -> None:
    rejected = factories.make_version(version.design, status="rejected")
    assert "Order it all the same" in text(visitor.get(f"/drawing/{version.design.token}/?v=2"))
    put_in(visitor, rejected)
    assert "does not hold; the workshop is asked" in text(visitor.get("/basket/"))


def test_what_cannot_be_read_or_is_not_mine_cannot_be_put_in(
    visitor: Client, version: Version
) -> None:
    unreadable = factories.make_version(version.design, status="unreadable")
    foreign = factories.make_version(visitor="somebody-else")
    assert put_in(visitor, unreadable).status_code == 404
    assert put_in(visitor, foreign).status_code == 404
    assert not OrderLine.objects.exists()


def test_nobody_changes_the_line_of_another_basket(
    visitor: Client, version: Version, stranger: Client
) -> None:
    put_in(visitor, version)
    line = OrderLine.objects.get()
    stranger.post("/basket/remove/", {"line": str(line.pk)})
    stranger.post("/basket/change/", {"line": str(line.pk), f"line-{line.pk}-quantity": "9"})
    line.refresh_from_db()
    assert line.quantity == 2


def test_placing_makes_the_order_and_leads_to_its_quote(visitor: Client, version: Version) -> None:
    put_in(visitor, version)
    response = visitor.post("/basket/place/", ADDRESS)
    quote = Quote.objects.get()
    assert response.headers["Location"] == f"/quote/{quote.token}/"
    order = quote.order
    artist = Person.objects.get(email="wren@harbour.example")
    assert (order.artist, order.note, order.ship_city) == (artist, "Ring twice.", "Tidehaven")
    version.design.refresh_from_db()
    assert version.design.owner == artist
    assert order.mails.filter(kind="quote", to=artist.email).count() == 1
    again = visitor.post("/basket/place/", ADDRESS)
    assert again.headers["Location"] == response.headers["Location"]
    assert Quote.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"email": ""}, "Write your email address."),
        ({"email": "wren"}, "That is not an email address; it looks like name@harbour.example."),
        ({"rights": ""}, "Confirm this before anything is cut."),
        ({"ship_line1": ""}, "Write the street and number, so that the parcel arrives."),
        ({"email": "Cutter@Harbour.Example"}, "That is an address of the workshop; use your own."),
    ],
)
def test_what_is_missing_is_told_and_the_rest_is_kept(
    visitor: Client, version: Version, change: dict[str, str], sentence: str
) -> None:
    factories.workshop_person("cutter@harbour.example")
    put_in(visitor, version)
    response = visitor.post("/basket/place/", ADDRESS | change)
    assert response.status_code == 422
    assert sentence in text(response)
    assert "Ring twice." in text(response)
    assert Order.objects.get().is_basket


def test_who_collects_needs_no_address(visitor: Client, version: Version) -> None:
    put_in(visitor, version)
    form = {"email": "wren@harbour.example", "delivery": "collect", "rights": "on"}
    visitor.post("/basket/place/", form | {"ship_name": "Wren"})
    assert Quote.objects.get().order.delivery == "collect"


def test_a_second_press_in_the_same_moment_leads_to_the_first_ones_quote(
    visitor: Client, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_in(visitor, version)
    other_finger = Client()
    other_finger.cookies = visitor.cookies
    is_valid, answers = CheckoutForm.is_valid, iter([True])
    pressed: list[Any] = []

    def is_valid_a_moment_later(form: CheckoutForm) -> bool:
        """The form of the first press was read; before it is saved the second is through."""
        answer = is_valid(form)
        if next(answers, False):
            pressed.append(other_finger.post("/basket/place/", ADDRESS))
        return answer

    monkeypatch.setattr(CheckoutForm, "is_valid", is_valid_a_moment_later)
    response = visitor.post("/basket/place/", ADDRESS)
    quote = Quote.objects.get()
    assert response.headers["Location"] == f"/quote/{quote.token}/"
    assert pressed[0].headers["Location"] == f"/quote/{quote.token}/"
    assert Mail.objects.filter(kind="quote").count() == 1


def test_an_address_longer_than_mail_allows_is_told(visitor: Client, version: Version) -> None:
    """RFC 5321, 4.5.3.1.3: a path has 256 characters at most, its two brackets included."""
    put_in(visitor, version)
    long = f"{'a' * 60}@{('b' * 60 + '.') * 4}example"
    response = visitor.post("/basket/place/", {**ADDRESS, "email": long})
    assert response.status_code == 422
    assert Order.objects.get().is_basket


def test_a_film_taken_out_of_stock_is_told_and_not_ordered(
    visitor: Client, version: Version
) -> None:
    put_in(visitor, version)
    Film.objects.update(is_active=False)
    assert "choose another film" in text(visitor.get("/basket/"))
    visitor.post("/basket/place/", ADDRESS)
    assert Order.objects.get().is_basket


def test_the_name_for_the_parcel_is_one_line_in_the_letter(
    visitor: Client, version: Version
) -> None:
    put_in(visitor, version)
    visitor.post("/basket/place/", {**ADDRESS, "ship_name": "Wren\r\n\r\nPay the gull at once"})
    assert Order.objects.get().ship_name == "Wren Pay the gull at once"
    assert Mail.objects.get(kind="quote").body.startswith("Hello Wren Pay the gull at once,")


def test_a_typed_address_takes_over_the_ordered_drawing_and_no_other(
    visitor: Client, version: Version
) -> None:
    """The address is not proved at checkout; what else this browser holds stays its own."""
    other = factories.make_version(factories.make_design(visitor=KEY, title="Private"))
    put_in(visitor, version)
    visitor.post("/basket/place/", ADDRESS)
    version.design.refresh_from_db()
    other.design.refresh_from_db()
    assert str(version.design.owner) == "Wren Saltmarsh"
    assert other.design.owner is None


def test_who_proves_the_address_holds_the_drawing_alone(
    visitor: Client, version: Version, client: Client
) -> None:
    put_in(visitor, version)
    visitor.post("/basket/place/", ADDRESS)
    assert visitor.get(f"/drawing/{version.design.token}/").status_code == 200
    wren = Person.objects.get(email="wren@harbour.example")
    client.force_login(wren, "allauth.account.auth_backends.AuthenticationBackend")
    request = client.get("/mine/").wsgi_request
    access.adopt(request, wren)
    assert not Design.objects.exclude(visitor="").filter(owner=wren).exists()
    assert visitor.get(f"/mine/drawing/{version.design.token}/").status_code == 404


def test_which_addresses_are_the_workshops_is_counted_before_it_is_told(
    visitor: Client, version: Version, settings: Any
) -> None:
    settings.LIMITS = {"order": (2, 0)}
    factories.workshop_person("cutter@harbour.example")
    put_in(visitor, version)
    probe = ADDRESS | {"email": "cutter@harbour.example"}
    told = "That is an address of the workshop"
    wrong = visitor.post("/basket/place/", probe | {"rights": ""})
    assert told not in text(wrong)
    for status in (422, 422, 429):
        response = visitor.post("/basket/place/", probe)
        assert response.status_code == status
        assert (told in text(response)) == (status == 422)
        assert "Ring twice." in text(response)
    assert Order.objects.get().is_basket


def test_baskets_for_somebody_elses_address_end_with_the_letters(
    version: Version, settings: Any
) -> None:
    settings.LIMITS = {"order-mail": (1, 0)}
    codes = []
    for _ in range(2):
        client = Client()
        session = client.session
        session[VISITOR] = KEY
        session.save()
        Design.objects.update(owner=None, visitor=KEY)
        put_in(client, version)
        codes.append(client.post("/basket/place/", ADDRESS).status_code)
    assert codes == [302, 429]
    assert Mail.objects.filter(kind="quote").count() == 1


def test_a_change_that_comes_after_the_order_was_placed_changes_nothing(
    visitor: Client, version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else: a quote for collecting, accepted, and the parcel goes by post for nothing."""
    put_in(visitor, version)
    stale = Order.objects.get()
    collect = {**ADDRESS, "delivery": "collect"}
    visitor.post("/basket/place/", collect)
    monkeypatch.setattr(access, "basket_of", lambda request, make=False: stale)
    visitor.post("/basket/change/", {"delivery": "post", "ship_country": "Elsewhere"})
    placed = Order.objects.get()
    assert (placed.delivery, placed.ship_country) == ("collect", "Harbourland")


def test_prices_of_many_pieces_are_counted_those_of_few_are_not(
    visitor: Client, version: Version, settings: Any
) -> None:
    settings.LIMITS = {"prices": (1, 1)}
    put_in(visitor, version, "2")
    number = OrderLine.objects.get().pk
    codes = []
    for pieces in (50, 60, 101, 102):
        form = {"line": number, f"line-{number}-quantity": pieces}
        form |= {f"line-{number}-film": Film.objects.get(code="pet-0.1905").pk}
        codes.append(visitor.post("/basket/change/", form, headers=HTMX).status_code)
    assert codes == [200, 200, 200, 429]
    assert OrderLine.objects.get().quantity == 101
    assert visitor.get("/basket/").status_code == 200


@pytest.mark.parametrize("name", ["Win at https://tide.example", "WWW.tide.example"])
def test_a_name_is_no_web_address(visitor: Client, version: Version, name: str) -> None:
    put_in(visitor, version)
    response = visitor.post("/basket/place/", ADDRESS | {"ship_name": name})
    assert response.status_code == 422
    assert "That looks like a web address; write the name alone." in text(response)
    assert not Mail.objects.exists()
