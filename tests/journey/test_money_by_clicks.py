"""Prices, quotes and payments by clicks, at phone and desktop width, looked at by axe-core.

WCAG 2.2 A and AA through axe-core; nothing wider than the window.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.urls import reverse

from orders import quoting
from orders.models import Event, Film, Order, Payment, Quote
from orders.workflow import Actor
from pricing.models import PriceSheet
from tests import factories
from tests.conftest import DESKTOP, PHONE
from tests.journey.test_whole_path import shop, sign_in

__all__ = ["shop"]  # the fixture
pytestmark = [pytest.mark.browser]


def test_prices_are_published_a_quote_accepted_paid_and_ordered_again(
    shop: Any,
    open_page: Callable[..., Any],
    breaches: Callable[[Any], list[str]],
) -> None:
    artist, cutter = open_page(PHONE), open_page(DESKTOP)

    def look(page: Any) -> None:
        assert breaches(page) == [], page.url
        wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"{page.url} is {wide} px too wide"

    quote = offered()
    sign_in(cutter, shop.url)
    publish_new_prices(cutter, shop.url, look)
    look_up_the_price(artist, shop.url, look)
    change_and_accept(artist, f"{shop.url}{reverse('quote', args=[quote.token])}", look)
    order = quote.order
    pay_in_part_and_invoice(cutter, shop.url, order, look)
    order_again(artist, f"{shop.url}{reverse('order', args=[order.link_token])}", look)


def offered() -> Quote:
    """A quote of 19 stencils, one of a drawing with a warning, by the first prices."""
    person = factories.artist_person()
    order = factories.make_order(artist=person, note="For the regatta, if you can.")
    film = Film.objects.get(code="pet-0.1905")
    warned = factories.make_version(owner=person, findings=[dict(factories.THIN_WEB)])
    factories.make_line(order, warned, film=film, quantity=18)
    factories.make_line(order, film=Film.objects.get(code="pet-0.1905-6x6in"), quantity=1)
    return quoting.make_quote(order, Actor(Event.Role.ARTIST, person))


def publish_new_prices(page: Any, url: str, look: Callable[[Any], None]) -> None:
    page.goto(f"{url}/workshop/prices/")
    look(page)
    page.click("button:has-text('Make new prices')")
    page.wait_for_selector("h1:has-text('New prices')")
    look(page)
    page.fill("input[name=stencil-6x6in-0]", "eight")
    page.click("button:has-text('Save the draft')")
    page.wait_for_selector("text=Nothing is saved yet")
    look(page)
    page.fill("input[name=stencil-6x6in-0]", "8.50")
    page.fill("input[name='film-pet-0.1905-6x6in']", "0.60")
    page.fill("input[name=rush-days-0]", "2")
    page.fill("input[name=rush-percent-0]", "30")
    page.fill("input[name=step-0]", "250")
    page.fill("input[name=zone-name-0]", "Harbourland")
    page.fill("input[name=zone-countries-0]", "Harbourland")
    page.fill("input[name=post-0-0]", "4.80")
    page.click("button:has-text('Save the draft')")
    page.wait_for_selector("text=Saved. Next")
    look(page)
    page.click("a:has-text('Preview and publish')")
    page.wait_for_selector("h1:has-text('What the last orders would have cost')")
    look(page)
    page.click("button:has-text('Publish these prices')")
    page.wait_for_selector("text=is published")
    look(page)
    assert PriceSheet.objects.latest("pk").is_published


def look_up_the_price(page: Any, url: str, look: Callable[[Any], None]) -> None:
    page.goto(f"{url}/prices/")
    look(page)
    page.fill("#id_pieces", "19")
    page.click("button:has-text('Work it out')")
    page.wait_for_selector("text=In all")
    look(page)


def change_and_accept(page: Any, address: str, look: Callable[[Any], None]) -> None:
    page.goto(address)
    page.wait_for_selector("text=holds, with a warning")
    look(page)
    page.click("button:has-text('Take 20 instead of 19')")
    page.wait_for_selector("text=What is different from quote 1")
    page.click("summary:has-text('Change something')")
    look(page)
    page.locator("select[name=rush_days]").select_option("2")
    page.click("button:has-text('Make the new quote')")
    page.wait_for_selector("text=Wanted within 2 working days.")
    look(page)
    page.click("summary:has-text('No thanks')")
    page.fill("#why-not", "Too dear.")
    page.click("button:has-text('No thanks')")
    page.wait_for_selector("text=You said no thanks to this quote.")
    look(page)
    page.click("button:has-text('Make a new one after all')")
    page.wait_for_selector("button:has-text('Accept')")
    page.click("button:has-text('Accept')")
    page.wait_for_selector(".steps")
    look(page)


def pay_in_part_and_invoice(page: Any, url: str, order: Order, look: Callable[[Any], None]) -> None:
    page.goto(f"{url}/workshop/money/")
    look(page)
    page.click(f"main a:has-text('{order.code}')")
    page.wait_for_selector("h2:has-text('Record money')")
    look(page)
    page.fill("input[name=amount]", "20")
    page.click("button:has-text('Record it')")
    page.wait_for_selector("text=Recorded as receipt 1")
    page.click("summary:has-text('Entered by mistake')")
    page.fill("#why-1", "Another order.")
    page.click("button:has-text('Take receipt 1 back')")
    page.wait_for_selector("text=is taken back by receipt 2")
    page.fill("input[name=amount]", "25")
    page.select_option("select[name=kind]", "deposit")
    page.click("button:has-text('Record it')")
    page.wait_for_selector("text=Recorded as receipt 3")
    page.click("button:has-text('Issue the invoice')")
    page.wait_for_selector("text=Invoice 1 is issued.")
    look(page)
    assert sum(row.amount for row in Payment.objects.all()) == 25
    page.goto(f"{url}/workshop/books/")
    look(page)
    job = order.jobs.first()
    assert job is not None
    page.goto(f"{url}/workshop/job/{job.code}/")
    page.wait_for_selector("text=Put into the queue unpaid")
    look(page)


def order_again(page: Any, address: str, look: Callable[[Any], None]) -> None:
    page.goto(address)
    page.wait_for_selector("text=Still to pay")
    look(page)
    page.click("button:has-text('Order it again')")
    page.wait_for_selector("h1:has-text('Your quote')")
    look(page)
    page.click("button:has-text('Accept')")
    page.wait_for_selector(".steps")
    assert Order.objects.filter(accepted_at__isnull=False).count() == 2
