"""What a buyer of the shelf gets at: status and small pictures; nothing of the drawing itself.

Every address of the artist's side that names a drawing is walked by a buyer who has ordered it,
by a stranger and by its artist.
"""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

import pypdfium2
import pytest
from django.test import Client
from django.urls import get_resolver, reverse
from PIL import Image

from orders import shelf, shelf_pictures
from orders.models import Event, Job, OrderLine, ShelfOffer, Version
from orders.workflow import Actor
from tests import factories
from tests.orders.test_page_roles import _patterns

pytestmark = pytest.mark.django_db
BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
STRANGER, BUYER, ARTIST = "stranger", "buyer", "artist"
SHUT = {STRANGER: 404, BUYER: 404, ARTIST: 200}

# every address with a drawing's token, and what its further parts are filled with
OF_A_DRAWING: dict[str, tuple[Any, ...]] = {
    "drawing": (),
    "drawing-state": (),
    "straighten": (),
    "straighten-measure": (),
    "straighten-paper": (),
    "straighten-source": (),
    "compare": (),
    "compare-difference": (),
    "drawing-pens": (),
    "pens-film": (),
    "pens-state": (),
    "drawing-mends": (),
    "drawing-mend-all": (),
    "drawing-mend-picture": (1, 1, "before"),
    "drawing-original": (1,),
    "drawing-picture": (1, "film.png"),
    "drawing-hold": (),
    "drawing-real-size": (),
    "drawing-see": (1, "film"),
    "drawing-proof": (1, "letter"),
    "shelf-offer": (),
    "mine-drawing": (),
    # changes, by POST
    "drawing-mend": (),
    "drawing-mode": (),
    "drawing-size": (),
    "drawing-rename": (),
    "drawing-remove": (),
    "drawing-answer": (),
    "drawing-back": (),
    "straighten-save": (),
    "pens-strokes": (),
    "pens-propose": (),
    "pens-bridges": (),
    "pens-save": (),
    "pens-discard": (),
    "drawing-mend-here": (),
    "drawing-mend-all-do": (),
    "drawing-keep": (),
    "mine-note": (),
    "mine-copy": (),
    "mine-remove": (),
    "mine-restore": (),
}


@pytest.fixture
def job(cutter: Actor) -> Job:
    """A drawing from the shelf that somebody ordered, its versions two."""
    factories.price_sheet()
    factories.workshop()
    owner = factories.artist_person()
    version = factories.make_version(owner=owner, findings=[dict(factories.THIN_WEB)])
    offer = factories.make_offer(version)
    factories.make_version(version.design)
    return factories.sell(offer, cutter)


def client_of(role: str, job: Job) -> Client:
    """A browser of that role; the buyer's is signed in and has opened the order by its link."""
    client = Client()
    if role == BUYER:
        client.force_login(factories.buyer_person(), BACKEND)
        assert client.get(reverse("order", args=[job.order.link_token])).status_code == 200
    elif role == ARTIST:
        client.force_login(factories.artist_person(), BACKEND)
    return client


def offer_of(job: Job) -> ShelfOffer:
    return job.shelf_sale.offer


def test_the_table_knows_every_address_that_names_a_drawing() -> None:
    named = {
        str(pattern.name)
        for pattern in _patterns(get_resolver().url_patterns)
        if str(pattern.pattern).startswith(("drawing/", "mine/drawing/"))
    }
    assert named == set(OF_A_DRAWING)


@pytest.mark.parametrize("role", [STRANGER, BUYER, ARTIST])
def test_no_address_of_the_drawing_opens_for_a_buyer(role: str, job: Job) -> None:
    client, token = client_of(role, job), job.version.design.token
    for name, args in OF_A_DRAWING.items():
        address = reverse(name, args=[token, *args])
        response = client.get(address)
        if response.status_code == 405:
            response = client.post(address)
        if response.streaming:
            b"".join(response.streaming_content)  # type: ignore[arg-type]
        if role == ARTIST:
            assert response.status_code != 404 or name in NOT_THERE, name
            if name in ("drawing-remove", "mine-remove"):
                continue
        else:
            assert response.status_code == 404, name
            assert client.post(address).status_code in (404, 405), name


# for this drawing there is nothing there, even for its artist
NOT_THERE = {"mine-restore", "straighten-measure", "pens-film", "drawing-mend-picture"}


@pytest.mark.parametrize("role", [STRANGER, BUYER])
def test_a_drawing_of_the_shelf_is_not_ordered_past_the_shelf(role: str, job: Job) -> None:
    client = client_of(role, job)
    form = {"drawing": job.version.design.token, "version": 1, "film": job.film_id, "quantity": 1}
    assert client.post(reverse("basket-add"), form).status_code == 404


@pytest.mark.parametrize(
    ("role", "codes"),
    [
        (STRANGER, {"live": 200, "off": 404}),
        (BUYER, {"live": 200, "off": 200}),
        (ARTIST, {"live": 200, "off": 200}),
    ],
)
def test_pictures_of_the_shelf_stay_with_who_ordered(
    role: str, codes: dict[str, int], job: Job
) -> None:
    client, offer = client_of(role, job), offer_of(job)
    for state in ("live", "off"):
        for name in ("film.png", "paint.png"):
            address = reverse("shelf-picture", args=[offer.code, job.version_id, name])
            assert client.get(address).status_code == codes[state], (state, name)
        page = client.get(reverse("shelf-design", args=[offer.code]))
        assert page.status_code == (200 if state == "live" else 404)
        shelf.withdraw(offer, Actor(Event.Role.ARTIST, offer.artist))


def test_a_picture_of_another_version_is_not_on_the_shelf(job: Job) -> None:
    other = Version.objects.exclude(pk=job.version_id).get()
    for role in (STRANGER, BUYER, ARTIST):
        address = reverse("shelf-picture", args=[offer_of(job).code, other.pk, "film.png"])
        assert client_of(role, job).get(address).status_code == 404, role
    unknown = reverse("shelf-picture", args=[offer_of(job).code, job.version_id, "cut.svg"])
    assert client_of(ARTIST, job).get(unknown).status_code == 404


def test_pictures_for_buyers_have_few_dots(job: Job) -> None:
    """At most 4 dots a mm: 152.4 mm are 610 dots, however fine the stored picture is."""
    large = Image.new("L", (3600, 3600), 255)
    out = io.BytesIO()
    large.save(out, "PNG")
    job.version.film_picture.save("film.png", io.BytesIO(out.getvalue()), save=True)
    client, order = client_of(BUYER, job), job.order
    message = order.messages.create(
        role=Event.Role.ARTIST, job=job, version=job.version, text="?", press="m", pin_x_mm=9,
        pin_y_mm=9,
    )  # fmt: skip
    for name, args in (
        ("order-picture", (order.link_token, job.code)),
        ("parcel-picture", (order.parcel_token, job.code)),
        ("message-drawing", (order.link_token, message.pk)),
        ("shelf-picture", (offer_of(job).code, job.version_id, "film.png")),
        ("shelf-picture", (offer_of(job).code, job.version_id, "paint.png")),
    ):
        answer = client.get(reverse(name, args=args))
        assert max(Image.open(io.BytesIO(answer.content)).size) <= 610, name
    assert shelf_pictures.size_px(job.version) == (610, 610)


def test_what_a_buyer_is_shown_names_neither_token_nor_artist(job: Job) -> None:
    """Only the name that the artist chose; no way to the drawing's pages."""
    client, order, offer = client_of(BUYER, job), job.order, offer_of(job)
    basket = factories.make_order(artist=order.artist, placed=False, ship_name="Tern Ropewalk")
    factories.make_line(basket, job.version, shelf_offer=offer)
    quote = order.quotes.get()
    for address in (
        reverse("order", args=[order.link_token]),
        reverse("order-state", args=[order.link_token]),
        reverse("quote", args=[quote.token]),
        reverse("basket"),
        reverse("parcel", args=[order.parcel_token]),
        reverse("shelf"),
        reverse("shelf-design", args=[offer.code]),
        reverse("landing"),
        reverse("mine"),
        reverse("mine-orders"),
    ):
        page = client.get(address, follow=True).content.decode()
        for secret in (job.version.design.token, "Saltmarsh", "wren@", "melt"):
            assert secret not in page, (address, secret)
    assert (
        "Wren of the Quay"
        in client.get(reverse("shelf-design", args=[offer.code])).content.decode()
    )


def test_a_quote_of_the_shelf_is_changed_in_number_and_film_only(job: Job) -> None:
    """The other versions of the drawing are neither told nor taken."""
    client, order = client_of(BUYER, job), job.order
    order.quotes.update(status="refused", accepted_at=None)
    Job.objects.filter(pk=job.pk)
    quote = order.quotes.get()
    line = OrderLine.objects.get(order=order)
    other = Version.objects.exclude(pk=job.version_id).get()
    page = client.get(reverse("quote", args=[quote.token])).content.decode()
    assert f'name="line-{line.pk}-quantity"' in page
    assert f'name="line-{line.pk}-version"' not in page
    form = {
        f"line-{line.pk}-quantity": 3,
        f"line-{line.pk}-film": line.film_id,
        f"line-{line.pk}-version": other.pk,
    }
    client.post(reverse("quote-change", args=[quote.token]), form)
    changed = OrderLine.objects.get(order=order)
    assert (changed.quantity, changed.version_id) == (3, job.version_id)
    assert changed.shelf_offer == offer_of(job)


def test_a_buyer_makes_no_other_size_of_it(job: Job) -> None:
    client = client_of(BUYER, job)
    form = {
        f"again-{job.code}-pieces": 1,
        f"again-{job.code}-film": job.film_id,
        f"again-{job.code}-size": "4x4in",
    }
    client.post(reverse("order-again", args=[job.order.link_token]), form)
    assert Version.objects.count() == 2
    assert not Version.objects.filter(blank_code="4x4in").exists()


def test_a_buyers_download_holds_nothing_of_the_drawing(job: Job) -> None:
    client = client_of(BUYER, job)
    data = b"".join(client.get(reverse("mine-download")).streaming_content)  # type: ignore[attr-defined]
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        told = json.loads(archive.read("data.json"))
    assert sorted(names) == ["data.json", "index.html"]
    assert told["drawings"] == []
    assert told["orders"][0]["jobs"][0]["drawing"] == job.version.design.title
    text = json.dumps(told)
    for secret in (job.version.design.token, "Saltmarsh", "wren@", "recipe", "findings"):
        assert secret not in text, secret


def test_the_artists_download_holds_offers_and_shares_and_no_buyer(job: Job, cutter: Actor) -> None:
    factories.send(job, cutter)
    client = client_of(ARTIST, job)
    data = b"".join(client.get(reverse("mine-download")).streaming_content)  # type: ignore[attr-defined]
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        told = json.loads(archive.read("data.json"))
    shared = told["shelf"]
    assert shared["offers"][0]["agreed"].startswith("I offer this drawing")
    assert shared["shares"][0]["amount"] == "2.40"
    assert shared["paid_to"]["how"] == "I collect it at the shed"
    text = json.dumps(told)
    for secret in ("Tern", "tern@", job.code, job.order.code):
        assert secret not in text, secret


def test_the_artist_sees_no_order_of_a_buyer(job: Job) -> None:
    client = client_of(ARTIST, job)
    for name in ("mine", "mine-orders", "mine-shelf"):
        page = client.get(reverse(name)).content.decode()
        for secret in ("Tern", "tern@", job.order.code, job.order.link_token):
            assert secret not in page, (name, secret)
    page = client.get(reverse("mine-drawing", args=[job.version.design.token])).content.decode()
    assert job.order.code not in page


def test_papers_of_a_shelf_order_are_printed_and_name_its_artist(job: Job, cutter: Actor) -> None:
    factories.send(job, cutter)
    slip = client_of(BUYER, job).get(reverse("order-slip", args=[job.order.link_token]))
    workshop = Client()
    workshop.force_login(cutter.person, BACKEND)
    ticket = workshop.get(reverse("workshop-job-ticket", args=[job.code]))
    for pdf in (slip, ticket):
        with pypdfium2.PdfDocument(pdf.content) as document:
            words = document[0].get_textpage().get_text_range()
        assert "Wren of the Quay" in words
        assert "Saltmarsh" not in words
    page = workshop.get(reverse("workshop-job", args=[job.code])).content.decode()
    assert "drawn by <b>Wren of the Quay</b>" in page


def test_the_workshop_is_told_why_nothing_is_proposed(job: Job, cutter: Actor) -> None:
    client = Client()
    client.force_login(cutter.person, BACKEND)
    page = client.get(reverse("workshop-job", args=[job.code])).content.decode()
    assert "no change is proposed or asked for" in page
    assert reverse("workshop-job-propose", args=[job.code]) not in page
    answer = client.get(reverse("workshop-job-propose", args=[job.code]), follow=True)
    assert "cut as it is offered" in answer.content.decode()
