"""The same again, in two presses; papers about money reached by the order's link only."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import invoices, limits, payments, quoting, workflow
from orders.dates import today
from orders.models import Event, Order, Quote
from orders.workflow import Actor
from pricing.models import PriceSheet
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def old(shop: Any) -> Order:
    order = factories.make_order()
    factories.make_line(order, quantity=3)
    artist = Actor(Event.Role.ARTIST, order.artist)
    workflow.accept(quoting.make_quote(order, artist), artist)
    order.refresh_from_db()
    return order


def again(client: Client, order: Order, **data: Any) -> Any:
    return client.post(reverse("order-again", args=[order.link_token]), data, follow=True)


def test_two_presses_order_the_same_without_a_set_up(stranger: Client, old: Order) -> None:
    """First 36.90; again 3 x 8.00 + 1.90 + 0.50 + 4.50 = 30.90, no set-up."""
    page = again(stranger, old)
    quote = Quote.objects.latest("pk")
    assert quote.order != old
    assert quote.total == Decimal("30.90")
    assert "One more press orders it." in page.content.decode()
    stranger.post(reverse("quote-accept", args=[quote.token]))
    job = quote.order.jobs.get()
    was = old.jobs.get()
    assert (job.version, job.film, job.quantity) == (was.version, was.film, 3)
    assert quote.order.address_lines == old.address_lines


def test_it_costs_what_it_costs_today(stranger: Client, old: Order) -> None:
    dearer = PriceSheet.current(today()).copy_as_draft("Dearer", today())
    dearer.lines.filter(blank_code="6x6in", from_quantity=1).update(unit_price=Decimal(10))
    dearer.publish(quoting.timezone.now())
    again(stranger, old)
    assert Quote.objects.latest("pk").total == Decimal("36.90")


def test_another_number_and_film(stranger: Client, old: Order) -> None:
    job, ready = old.jobs.get(), factories.make_blank_film()
    form = {f"again-{job.code}-pieces": 7, f"again-{job.code}-film": ready.pk}
    again(stranger, old, **form)
    line = Quote.objects.latest("pk").order.lines.get()
    assert (line.quantity, line.film) == (7, ready)


def test_a_film_that_is_gone_gives_way_to_one_that_is_there(stranger: Client, old: Order) -> None:
    ready = factories.make_blank_film()
    film = old.jobs.get().film
    film.is_active = False
    film.save()
    again(stranger, old)
    assert Quote.objects.latest("pk").order.lines.get().film == ready


def test_another_size_is_looked_at_before_it_is_ordered(stranger: Client, old: Order) -> None:
    job = old.jobs.get()
    form = {f"again-{job.code}-size": "4x4in"}
    response = stranger.post(reverse("order-again", args=[old.link_token]), form)
    other = job.version.design.versions.latest("number")
    assert other.blank_code == "4x4in"
    assert other.recipe["scale"] == pytest.approx(4 / 6, abs=1e-5)
    assert response["Location"].endswith(f"?v={other.number}")
    assert Order.objects.count() == 1


def test_nothing_wanted_is_told(stranger: Client, old: Order) -> None:
    job = old.jobs.get()
    page = again(stranger, old, **{f"again-{job.code}-pieces": 0})
    assert "Choose at least one stencil to order again." in page.content.decode()
    page = again(stranger, old, **{f"again-{job.code}-pieces": 1000})
    assert Order.objects.count() == 1


def test_what_was_typed_stays_when_it_is_refused(
    stranger: Client, old: Order, settings: Any
) -> None:
    job, ready = old.jobs.get(), factories.make_blank_film()
    typed = {f"again-{job.code}-pieces": 17, f"again-{job.code}-film": ready.pk}
    wrong = again(stranger, old, **typed | {f"again-{job.code}-pieces": 1000})
    settings.LIMITS = {"order-mail": (1, 0)}
    limits.count_person(limits.ORDER_MAIL, f"mail to {old.artist.email}")  # type: ignore[union-attr]
    too_often = again(stranger, old, **typed)
    settings.LIMITS = {}
    job.version.design.removed_at = timezone.now()
    job.version.design.save()
    gone = again(stranger, old, **typed)
    for page, status, number, sentence in (
        (wrong, 422, 1000, "999 is the most in one line."),
        (too_often, 429, 17, "very many quotes sent to one address"),
        (gone, 422, 17, "is deleted, so it cannot be ordered again"),
    ):
        text = page.content.decode()
        assert page.status_code == status
        assert sentence in text
        assert f'value="{number}"' in text
        assert f'<option value="{ready.pk}" selected>' in text
        assert '<details id="again-other" open>' in text
    assert Order.objects.count() == 1


def test_two_jobs_together_are_no_more_than_a_line_holds(shop: Any, stranger: Client) -> None:
    """The same drawing on two films, 999 of each, both on the one film: 1998 are refused."""
    order, ready = factories.make_order(), factories.make_blank_film()
    line = factories.make_line(order, quantity=3)
    factories.make_line(order, line.version, quantity=3, film=ready)
    artist = Actor(Event.Role.ARTIST, order.artist)
    workflow.accept(quoting.make_quote(order, artist), artist)
    order.refresh_from_db()
    form = {}
    for job in order.jobs.all():
        form |= {f"again-{job.code}-pieces": 999, f"again-{job.code}-film": ready.pk}
    page = again(stranger, order, **form)
    assert page.status_code == 422
    assert "more than 999 of" in page.content.decode()
    assert Order.objects.count() == 1


def test_the_order_page_tells_what_is_paid_and_prints_it(
    stranger: Client, old: Order, cutter_client: Client
) -> None:
    cutter = Actor(Event.Role.WORKSHOP, factories.workshop_person())
    invoice = invoices.issue(old, cutter, press="a")
    receipt = payments.pay(
        old,
        Decimal(10),
        cutter,
        kind="deposit",
        method="cash",
        paid_on=today(),
        press="a",
    )
    page = stranger.get(reverse("order", args=[old.link_token])).content.decode()
    assert "Still to pay" in page
    assert "26.90" in page
    for name, number in (("order-invoice", invoice.number), ("order-receipt", receipt.number)):
        assert stranger.get(reverse(name, args=[old.link_token, number])).status_code == 200
        other = factories.make_order()
        assert stranger.get(reverse(name, args=[other.link_token, number])).status_code == 404


def test_again_and_again_by_link_is_counted(stranger: Client, old: Order, settings: Any) -> None:
    settings.LIMITS = {"order-mail": (1, 0)}
    again(stranger, old)
    made = Quote.objects.latest("pk")
    workflow.refuse(made, Actor(Event.Role.ARTIST, None))
    page = again(stranger, old).content.decode()
    assert "very many quotes sent to one address" in page
    assert Quote.objects.latest("pk") == made
