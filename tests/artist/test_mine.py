"""One's own drawings and orders: found, named, copied, ordered again, deleted, erased."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from PIL import Image, ImageDraw

from geometry.recipe import Recipe
from orders import messages
from orders.access import VISITOR
from orders.artist.views_mine import DRAWINGS_ON_A_PAGE
from orders.checking import look_at, stencil_of
from orders.drawings import at_size, copy_at_size, receive_drawing
from orders.models import Design, Order, OrderLine, Person, Version
from orders.workflow import Actor
from tests import factories

from .conftest import KEY

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


def text(response: Any) -> str:
    assert response.status_code == 200, response.status_code
    return str(response.content.decode())


@pytest.fixture
def wren(shop: Any) -> Client:
    client = Client()
    client.force_login(factories.artist_person(), BACKEND)
    return client


def drawing_of_wren(title: str = "Tide snail", **values: Any) -> Version:
    design = factories.make_design(owner=factories.artist_person(), title=title)
    return factories.make_version(design, **values)


def test_all_that_is_kept_is_not_asked_for_without_end(wren: Client, settings: Any) -> None:
    settings.LIMITS = {"export": (2, 0)}
    answers = [wren.get("/mine/data/everything.zip") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert "asked for all that is kept of you very often" in answers[-1].content.decode()


def test_a_drawing_shows_its_name_note_status_and_orders(wren: Client) -> None:
    version = drawing_of_wren(status="rejected")
    Design.objects.update(note="The blue one")
    job = factories.make_job(version=version, status="queued")
    page = text(wren.get("/mine/"))
    assert "Tide snail" in page
    assert "The blue one" in page
    assert "to be mended" in page
    assert f'href="/order/{job.order.link_token}/"' in page
    assert "in the queue" in page


def test_a_note_is_kept_and_no_one_else_reads_it(
    wren: Client, stranger: Client, cutter_client: Client
) -> None:
    version = drawing_of_wren()
    token = version.design.token
    wren.post(f"/mine/drawing/{token}/note/", {"title": "Tide  snail 2", "note": "Secret cove"})
    version.design.refresh_from_db()
    assert (version.design.title, version.design.note) == ("Tide snail 2", "Secret cove")
    job = factories.make_job(version=version)
    order = f"/order/{job.order.link_token}/"
    assert stranger.get(f"/mine/drawing/{token}/").status_code == 404
    assert cutter_client.get(f"/mine/drawing/{token}/").status_code == 404
    for client, address in (
        (stranger, order),
        (stranger, f"/drawing/{token}/"),  # opened by the order's link
        (cutter_client, f"/workshop/job/{job.code}/"),
        (cutter_client, f"/drawing/{token}/"),
    ):
        assert "Secret cove" not in text(client.get(address))


def test_an_empty_name_is_told_and_the_note_typed_is_not_lost(wren: Client) -> None:
    version = drawing_of_wren()
    address = f"/mine/drawing/{version.design.token}/note/"
    response = wren.post(address, {"title": " ", "note": "Half a thought"})
    assert response.status_code == 422
    page = response.content.decode()
    assert "Give the drawing a name." in page
    assert "Half a thought" in page


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("q=KELP", {"Kelp frond"}),
        ("q=regatta", {"Limpet 3"}),
        ("state=mend", {"Kelp frond"}),
        ("state=ordered", {"Limpet 1"}),
        ("state=noted", {"Limpet 3"}),
        ("blank=4x4in", {"Limpet 2"}),
        ("state=nonsense&blank=huge&page=-4", None),
    ],
)
def test_drawings_are_searched_and_filtered(
    wren: Client, query: str, found: set[str] | None
) -> None:
    drawing_of_wren("Kelp frond", status="rejected")
    for number in range(1, 9):
        blank = "4x4in" if number == 2 else "6x6in"
        version = drawing_of_wren(f"Limpet {number}", blank_code=blank)
        if number == 1:
            factories.make_job(version=version, status="shipped")
        if number == 3:
            Design.objects.filter(pk=version.design.pk).update(note="For the regatta")
    response = wren.get(f"/mine/?{query}")
    titles = {card["design"].title for card in response.context["cards"]}
    assert titles == (found or {"Kelp frond", *(f"Limpet {n}" for n in range(1, 9))})
    if found:
        assert "1 of 9 drawings" in text(response)


def test_two_thousand_drawings_are_paged_with_few_queries(wren: Client) -> None:
    person = factories.artist_person()
    base = drawing_of_wren()
    designs = Design.objects.bulk_create(
        Design(title=f"Limpet {n}", owner=person) for n in range(2000)
    )
    Version.objects.bulk_create(
        Version(
            design=design,
            upload=base.upload,
            number=1,
            recipe=base.recipe,
            blank_code="6x6in",
            limits={},
            status="passed",
        )
        for design in designs
    )
    pages = []
    for address in ("/mine/", "/mine/?page=80", "/mine/?state=holds&q=limpet"):
        with CaptureQueriesContext(
            connection,
        ) as asked:
            pages.append(wren.get(address))
        assert len(asked) < 22, [query["sql"][:90] for query in asked]
    assert len(pages[0].context["cards"]) == DRAWINGS_ON_A_PAGE
    assert "Page 1 of 84" in text(pages[0])
    assert "2000 of 2001 drawings" in text(pages[2])


def test_the_same_drawing_at_another_size_is_a_drawing_of_its_own(wren: Client) -> None:
    version = drawing_of_wren()
    address = f"/mine/drawing/{version.design.token}/copy/"
    for _ in range(2):  # pressed twice it is there once
        response = wren.post(address, {"blank": "4x4in"})
    made = Design.objects.get(made_from=version)
    assert response.headers["Location"] == f"/drawing/{made.token}/"
    assert made.title == "Tide snail at 4 x 4 in"
    assert made.owner == version.design.owner
    first = made.versions.get()
    assert (first.blank_code, first.status) == ("4x4in", "waiting")
    assert first.upload.file.name != version.upload.file.name
    assert first.upload.sha256 == version.upload.sha256
    version.design.refresh_from_db()
    assert version.design.removed_at is None
    assert version.design.versions.count() == 1


def test_what_is_no_size_is_refused_with_a_sentence(wren: Client) -> None:
    version = drawing_of_wren()
    address = f"/mine/drawing/{version.design.token}/copy/"
    for blank, sentence in (
        ("6x6in", "It has that size already. Choose another one."),
        ("huge", "Choose one of the sizes in the list."),
    ):
        assert sentence in text(wren.post(address, {"blank": blank}, follow=True))
    assert Design.objects.count() == 1


def test_a_copy_is_cut_the_same_in_proportion(shop: Any, picture: Any) -> None:
    """Against arithmetic: every opening's corner lies at the same share of the blank's side."""
    from io import BytesIO

    image = Image.new("L", (1800, 1800), 255)
    draw = ImageDraw.Draw(image)
    draw.rectangle((300, 420, 700, 900), fill=0)
    draw.rectangle((1000, 1100, 1300, 1500), fill=0)
    out = BytesIO()
    image.save(out, "PNG")
    version = receive_drawing(
        picture("two.png", out.getvalue()),
        visitor=KEY, owner=None, blank_code="6x6in", paper_mm=(152.4, 152.4),
    )  # fmt: skip
    look_at(version.pk)
    version.refresh_from_db()
    copy = copy_at_size(version, "4x4in", owner=version.design, by=None)
    look_at(copy.pk)
    copy.refresh_from_db()
    assert copy.status == version.status == "passed"

    def shares(of: Version) -> list[float]:
        side = of.blank.width_mm
        return sorted(round(b / side, 3) for o in stencil_of(of).openings for b in o.bounds)

    assert shares(copy) == pytest.approx(shares(version), abs=0.002)


def test_strokes_and_place_go_with_the_size(shop: Any) -> None:
    version = factories.make_version(visitor=KEY)
    stroke = {"pen": "white", "points_mm": [[76.2, 30.0]], "width_mm": 1.5, "from": "hand"}
    recipe = {**version.recipe, "place_mm": [70.2, 76.2], "scale": 0.9, "strokes": [stroke]}
    Version.objects.update(recipe=recipe)
    version.refresh_from_db()
    copy = copy_at_size(version, "4x4in", owner=version.design, by=None)
    made = Recipe.from_json(copy.recipe)
    assert made.scale == pytest.approx(0.6)
    assert made.place_mm == pytest.approx((46.8, 50.8))
    assert made.strokes[0].points_mm[0] == pytest.approx((50.8, 20.0))
    assert made.strokes[0].width_mm == pytest.approx(1.0)
    assert at_size(version, "4x4in", None, by=None).design == version.design


def test_a_copy_that_somebody_else_owns_does_not_stand_in_the_way(wren: Client) -> None:
    """Made by a browser before the drawing was ordered, and so handed over, alone."""
    version = factories.make_version(visitor="another browser")
    old = copy_at_size(version, "4x4in", owner=version.design, by=None)
    again = copy_at_size(version, "4x4in", owner=version.design, by=None)
    assert again == old
    Design.objects.filter(pk=version.design_id).update(owner=Person.objects.get(), visitor="")
    answer = wren.post(f"/mine/drawing/{version.design.token}/copy/", {"blank": "4x4in"})
    assert wren.get(answer["Location"]).status_code == 200
    assert old.design.token not in answer["Location"]


def test_ordered_again_in_two_presses(wren: Client) -> None:
    version = drawing_of_wren()
    order = factories.make_order(accepted=True)
    factories.make_job(order, version=version, quantity=3, status="shipped", with_cut_outs=False)
    for _ in range(2):  # pressed twice it is in once
        page = text(wren.post(f"/mine/order/{order.code}/again/", follow=True))
    assert "It is in your basket again, at today’s prices." in page
    assert 'value="3 Quay Steps"' in page
    line = OrderLine.objects.get()
    assert (line.version, line.quantity, line.with_cut_outs) == (version, 3, False)
    placed = wren.post(
        "/basket/place/",
        {field: value for field, value in posted(page) if field != "line"} | {"rights": "on"},
    )
    assert placed.headers["Location"].startswith("/quote/")
    assert Order.objects.filter(placed_at__isnull=False).count() == 2


def posted(page: str) -> list[tuple[str, str]]:
    """What the address form of the basket holds."""
    fields = re.findall(r'name="(ship_[a-z0-9]+)" value="([^"]*)"', page)
    return [*fields, ("delivery", "post"), ("note", "")]


def test_a_film_that_is_gone_is_replaced_and_told(wren: Client) -> None:
    job = factories.make_job(version=drawing_of_wren(), status="shipped")
    factories.make_film("pet-0.25", name="PET 0.25 mm", thickness_mm="0.254")
    job.film.is_active = False
    job.film.save()
    page = text(wren.post(f"/mine/order/{job.order.code}/again/", follow=True))
    assert "cannot be had any more; “Tide snail” is put in on PET 0.25 mm." in page
    assert OrderLine.objects.get().film.code == "pet-0.25"


def test_a_deleted_drawing_is_told_of_and_brought_back(wren: Client) -> None:
    version = drawing_of_wren()
    token = version.design.token
    page = text(wren.post(f"/mine/drawing/{token}/remove/", follow=True))
    assert "Its files are erased" in page
    assert "Nothing here yet" not in page
    assert wren.get(f"/drawing/{token}/").status_code == 404
    for _ in range(2):
        page = text(wren.post(f"/mine/drawing/{token}/restore/", follow=True))
    assert wren.get(f"/drawing/{token}/").status_code == 200


def test_what_the_workshop_keeps_is_said_before_and_after(wren: Client) -> None:
    version = drawing_of_wren()
    factories.make_job(version=version, status="shipped")
    token = version.design.token
    assert "But the workshop keeps its file until" in text(wren.get(f"/mine/drawing/{token}/"))
    page = text(wren.post(f"/mine/drawing/{token}/remove/", follow=True))
    assert "The workshop keeps its file until" in page
    assert "it was ordered, and may have to be cut again. Then it is erased." in page


def test_an_order_with_news_says_so_in_the_list(wren: Client) -> None:
    job = factories.make_job(version=drawing_of_wren())
    ebb = Actor("workshop", factories.workshop_person())
    for number in range(2):
        messages.write(job.order, ebb, "Hello.", press=str(number))
    for address in ("/mine/", "/mine/orders/"):
        assert "2 new messages" in text(wren.get(address))
    wren.get(f"/order/{job.order.link_token}/")
    assert "new message" not in text(wren.get("/mine/orders/"))


def test_the_list_counts_what_the_order_page_counts(wren: Client) -> None:
    order = factories.make_order(accepted=True)
    factories.make_job(order, version=drawing_of_wren("Knot"), quantity=3)
    factories.make_job(order, version=drawing_of_wren("Crab"), status="cancelled")
    page = text(wren.get("/mine/orders/"))
    assert "3 × Knot" in page
    assert "× Crab" not in page
    assert "1 called off or declined" in page


def test_erasing_wants_the_word_and_offers_the_download_first(wren: Client) -> None:
    drawing_of_wren()
    page = text(wren.get("/mine/data/"))
    assert page.index("Download my files and data") < page.index("Type the word")
    wrong = wren.post("/mine/data/erase/", {"word": "yes"})
    assert wrong.status_code == 422
    assert "That is not the word. Type erase; nothing was erased." in wrong.content.decode()
    assert Design.objects.exists()
    done = wren.post("/mine/data/erase/", {"word": " Erase "}, follow=True)
    assert "It is erased." in text(done)
    assert not Design.objects.exists()
    assert "_auth_user_id" not in wren.session
    assert VISITOR not in wren.session


def test_a_visitor_erases_what_this_browser_put_in(visitor: Client) -> None:
    factories.make_version(visitor=KEY)
    assert "Erase what this browser put in" in text(visitor.get("/mine/data/"))
    visitor.post("/mine/data/erase/", {"word": "erase"})
    assert not Design.objects.exists()


def test_an_erased_person_is_signed_out_on_every_device(wren: Client) -> None:
    other = Client()
    other.force_login(factories.artist_person(), BACKEND)
    wren.post("/mine/data/erase/", {"word": "erase"})
    assert "Sign in" in text(other.get("/mine/"))
