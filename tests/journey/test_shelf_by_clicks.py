"""The shelf by clicks: consent, found and ordered by somebody else, shares owed, paid and told.

WCAG 2.2 A and AA through axe-core on the way; nothing wider than the window.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.core import mail
from django.urls import reverse

from orders import tasks
from orders.models import Film, Job, Order, ShareLine, ShelfOffer
from tests import factories
from tests.conftest import DESKTOP, PHONE
from tests.journey.test_whole_path import Look, shop, sign_in

__all__ = ["shop"]  # the fixture
pytestmark = [pytest.mark.browser]


def test_a_design_is_offered_found_ordered_sent_and_its_share_paid(
    shop: Any, open_page: Callable[..., Any], breaches: Callable[[Any], list[str]]
) -> None:
    artist, buyer, cutter = open_page(PHONE), open_page(PHONE), open_page(DESKTOP)
    look = Look(breaches)
    version = factories.make_version(owner=factories.artist_person())
    version.design.title = "Tide snail"
    version.design.save()

    sign_in_by_code(artist, shop.url, "wren@harbour.example")
    offer_it(artist, f"{shop.url}{reverse('drawing', args=[version.design.token])}", look)
    order = find_and_order(buyer, shop.url, look)
    sign_in(cutter, shop.url)
    take_the_money(cutter, shop.url, order, look)
    cut_and_send(cutter, shop.url, order.jobs.get(), look)
    assert ShareLine.objects.get().amount == Decimal("2.40")

    artist.goto(f"{shop.url}/mine/shelf/")
    artist.wait_for_selector("text=USD 2.40 still to come to you")
    look(artist)
    pay_the_share(cutter, shop.url, look)
    artist.reload()
    artist.wait_for_selector("text=bank line 7")
    artist.click("main a:has-text('20')")  # the month
    artist.wait_for_selector("text=paid USD 2.40, bank line 7")
    look(artist)
    withdraw_and_undo(artist, shop.url, look)
    take_down(cutter, shop.url, look)
    buyer.goto(shop.url)
    assert buyer.locator("text=From the shelf").count() == 0


def sign_in_by_code(page: Any, url: str, address: str) -> None:
    page.goto(f"{url}/sign-in/")
    page.fill("input[name=email]", address)
    page.click("main button.button-main")
    page.wait_for_selector("input[name=code]")
    found = re.search(r"^ {4}(\S+)$", str(mail.outbox[-1].body), re.MULTILINE)
    assert found is not None, mail.outbox[-1].body
    page.fill("input[name=code]", found[1])
    page.click("main button.button-main")
    page.wait_for_selector("text=Sign out")


def offer_it(page: Any, address: str, look: Look) -> None:
    page.goto(address)
    page.click("summary:has-text('Share it with others')")
    page.click("a:has-text('Offer it on the shelf')")
    page.wait_for_selector("h2:has-text('What you agree to')")
    look(page)
    page.fill("input[name=shown_name]", "Wren of the Quay")
    page.fill("input[name=pay_to]", "I collect it")
    page.click("button:has-text('Put it on the shelf')")
    page.wait_for_selector("text=Tick this to put the drawing on the shelf")
    assert not ShelfOffer.objects.exists()
    assert page.input_value("input[name=pay_to]") == "I collect it"
    look(page)
    page.check("input[name=agree]")
    page.click("button:has-text('Put it on the shelf')")
    page.wait_for_selector("text=is on the shelf. Thank you")
    look(page)


def find_and_order(page: Any, url: str, look: Look) -> Order:
    """From the landing page into the basket, the quote and the order."""
    page.goto(url)
    look(page)
    page.click("a:has-text('See the whole shelf')")
    page.wait_for_selector("h1:has-text('The shelf')")
    look(page)
    page.click("main a:has-text('Tide snail')")
    page.wait_for_selector("text=drawn by Wren of the Quay")
    page.click("summary:has-text('Try your own colours')")
    page.check("input[name=paper][value=night]")
    look(page)
    page.fill("input[name=quantity]", "2")
    page.select_option("select[name=film]", str(Film.objects.get(code="pet-0.1905").pk))
    page.click("button:has-text('Put it in my basket')")
    page.wait_for_selector("h1:has-text('Basket')")
    look(page)
    for name, value in (
        ("email", "tern@harbour.example"),
        ("ship_name", "Tern Ropewalk"),
        ("ship_line1", "9 Slip Lane"),
        ("ship_postcode", "TH 9"),
        ("ship_city", "Tidehaven"),
        ("ship_country", "Harbourland"),
    ):
        page.fill(f"input[name={name}]", value)
    page.check("label:has-text('the drawings stay their artists') input")
    page.click("button:has-text('Ask for the quote')")
    page.wait_for_selector("h1:has-text('Your quote')")
    page.wait_for_selector("text=from the shelf, drawn by Wren of the Quay")
    look(page)
    page.click("button:has-text('Accept')")
    page.wait_for_selector(".steps")
    look(page)
    assert page.locator("a[href*='/drawing/']").count() == 0
    page.click("a[aria-label='Look at Tide snail']")
    page.wait_for_selector("text=drawn by Wren of the Quay")
    return Order.objects.get(artist__email="tern@harbour.example")


def take_the_money(page: Any, url: str, order: Order, look: Look) -> None:
    page.goto(f"{url}/workshop/money/{order.code}/")
    page.click("button:has-text('Record it')")
    page.wait_for_selector("text=settled")
    look(page)


def cut_and_send(page: Any, url: str, job: Job, look: Look) -> None:
    page.goto(f"{url}/workshop/job/{job.code}/")
    page.wait_for_selector("text=no change is proposed or asked for")
    look(page)
    page.click("button:has-text('Put into the queue')")
    page.wait_for_selector("text=Undo")
    page.click("summary:has-text('Cut without a sheet')")
    page.fill("input[name=good]", "2")
    page.click("button:has-text('Count them')")
    page.fill("input[name=cut_outs_bagged]", str(job.cut_outs_expected))
    page.click("button:has-text('Packed')")
    page.wait_for_selector("text=Post it or hand it over")
    page.goto(f"{url}/workshop/order/{job.order.code}/")
    page.fill("input[name=carrier]", "Harbour Post")
    page.click("main form[action$='/ship/'] button.button-main")
    page.wait_for_selector("text=Harbour Post")


def pay_the_share(page: Any, url: str, look: Look) -> None:
    """Marked as paid, undone, marked again; the artist is mailed of the last one."""
    page.goto(f"{url}/workshop/shelf/")
    look(page)
    page.click("a:has-text('Shares owed: USD 2.40')")
    look(page)
    page.click("main table a:has-text('20') >> nth=0")
    look(page)
    page.click("button:has-text('Mark USD 2.40 as paid')")
    page.wait_for_selector("text=Nothing owed")
    page.click("button:has-text('Undo: not paid after all')")
    page.wait_for_selector("text=The mark is taken back")
    page.fill("input[name=reference]", "bank line 7")
    page.click("button:has-text('Mark USD 2.40 as paid')")
    page.wait_for_selector("text=Nothing owed")
    look(page)
    page.goto(f"{url}/workshop/books/")
    page.wait_for_selector("text=Owed to artists of the shelf")
    look(page)
    tasks.sweep()


def withdraw_and_undo(page: Any, url: str, look: Look) -> None:
    page.goto(f"{url}/mine/shelf/")
    page.click("button:has-text('Take it off the shelf')")
    page.wait_for_selector("text=is off the shelf. Nobody can order it")
    look(page)
    assert not ShelfOffer.objects.filter(revoked_at=None).exists()
    page.click("button:has-text('Put it back')")
    page.wait_for_selector("text=It is on the shelf again")
    assert ShelfOffer.objects.filter(revoked_at=None).exists()


def take_down(page: Any, url: str, look: Look) -> None:
    page.goto(f"{url}/workshop/shelf/")
    page.click("summary:has-text('Take it down')")
    page.fill("textarea[name=why]", "The line by the shell melts.")
    page.click("button:has-text('Take it down')")
    page.wait_for_selector("text=It is off the shelf")
    look(page)
    assert ShelfOffer.objects.get().taken_down_why == "The line by the shell melts."
