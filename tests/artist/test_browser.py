"""The artist's pages in a real browser: WCAG 2.2 by axe-core, phone and desktop, light and dark."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from orders import workflow
from orders.models import OrderLine, Version
from orders.quoting import place_order
from orders.workflow import Actor
from tests import factories
from tests.conftest import PHONE

from .conftest import KEY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]


@pytest.fixture
def cookie(visitor: Client, live_server: Any) -> dict[str, str]:
    """The session of ``visitor``, as the browser carries it."""
    name = "sessionid"
    return {"name": name, "value": visitor.cookies[name].value, "url": live_server.url}


@pytest.fixture
def addresses(shop: Any) -> dict[str, str]:
    """One address for each kind and state of page, with everything on it."""
    artist = Actor("artist", factories.artist_person())
    cutter = Actor("workshop", factories.workshop_person())
    note = {**factories.THIN_WEB, "id": 3, "key": "n", "severity": "note"}
    findings = [factories.ISLAND, {**factories.THIN_WEB, "id": 2}, note]
    design = factories.make_design(visitor=KEY, title="Tide snail")
    rejected = factories.make_version(design, status="rejected", findings=findings)
    passed = factories.make_version(design, findings=[factories.THIN_WEB])
    mask = factories.make_version(design, mode="mask")
    unreadable = factories.make_version(visitor=KEY, status="unreadable")
    waiting = factories.make_version(visitor=KEY, status="waiting")
    basket = factories.make_order(artist=artist.person, placed=False, visitor=KEY)
    order = factories.make_order(artist=artist.person, placed=False)
    for line_order in (basket, order):
        for version in (passed, mask, rejected):
            factories.make_line(line_order, version)
    quote = place_order(order, artist.person, artist, rights_confirmed=True)
    addresses = {"fresh quote": f"/quote/{quote.token}/"}
    taken = factories.make_order(artist=artist.person, placed=False, visitor=KEY)
    for version in (passed, mask, rejected):
        factories.make_line(taken, version)
    accepted = place_order(taken, artist.person, artist, rights_confirmed=True)
    workflow.accept(accepted, artist)
    asked, held, cancelled = taken.jobs.all()
    workflow.ask_changes(asked, cutter, why="A little more room, please.")
    workflow.hold(held, cutter, why="The film comes on Friday.")
    workflow.cancel(cancelled, artist)

    def at(version: Version) -> str:
        return f"/drawing/{version.design.token}/?v={version.number}"

    return addresses | {
        "landing": "/",
        "rejected": at(rejected),
        "passed": at(passed),
        "own picture": at(passed) + "&view=drawing",
        "mask": at(mask),
        "unreadable": at(unreadable),
        "waiting": at(waiting),
        "basket": "/basket/",
        "accepted quote": f"/quote/{accepted.token}/",
        "order": f"/order/{taken.link_token}/",
        "parcel": f"/parcel/{taken.parcel_token}/",
        "mine": "/mine/",
        "prices": "/prices/",
        "guide": "/guide/",
        "sheets": "/sheets/",
        "sign-in": "/sign-in/",
        "not found": "/nothing-here/",
    }


def no_sideways_scroll(page: Any) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def test_every_page_keeps_wcag_and_fits_its_width(
    open_page: Open,
    live_server: Any,
    cookie: dict[str, str],
    addresses: dict[str, str],
    faults_everywhere: Callable[[Any], list[str]],
) -> None:
    page = open_page(PHONE)
    page.context.add_cookies([cookie])
    faults = []
    for name, address in addresses.items():
        page.goto(live_server.url + address)
        for details in page.locator("details").all():
            details.evaluate("part => { part.open = true; }")
        faults += [f"{name}: {fault}" for fault in faults_everywhere(page)]
        if page.locator("h1").count() != 1:
            faults.append(f"{name}: not exactly one main heading")
        if page.locator(".button-main:visible").count() > 1:
            faults.append(f"{name}: more than one main button")
    assert faults == []


def test_a_page_fills_itself_in_when_the_check_is_done(
    open_page: Open, live_server: Any, cookie: dict[str, str], visitor: Client
) -> None:
    version = factories.make_version(visitor=KEY, status="waiting")
    page = open_page()
    page.context.add_cookies([cookie])
    page.goto(f"{live_server.url}/drawing/{version.design.token}/")
    page.get_by_text("Waiting for its turn").wait_for()
    attempt = workflow.claim(version.pk)
    assert attempt is not None
    workflow.show_step(version.pk, attempt, "islands")
    page.get_by_text("Looking for parts that fall out").wait_for()
    report = factories.make_report("rejected", [factories.ISLAND], "6x6in")
    workflow.finish(version.pk, attempt, report)
    page.get_by_role("heading", name="It will not hold yet").wait_for()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_timeout(1500)
    assert [url for url in asked if "/state/" in url] == []


def test_the_order_page_moves_by_itself_but_not_under_the_hand_that_types(
    open_page: Open, live_server: Any, shop: Any, visitor: Client
) -> None:
    job = factories.make_job(status="received")
    cutter = Actor("workshop", factories.workshop_person())
    page = open_page()
    page.goto(f"{live_server.url}/order/{job.order.link_token}/")
    page.get_by_text("What happened so far").click()
    page.get_by_text("Call it off").click()
    word = page.get_by_label("A word to the workshop")
    word.fill("Twice by mist")
    workflow.queue(job, cutter)
    page.wait_for_timeout(5000)
    assert word.input_value() == "Twice by mist"
    page.get_by_role("heading", level=1).click()
    word.evaluate("field => field.blur()")
    page.get_by_text("The workshop cuts it.").first.wait_for()
    assert page.locator("details#story").get_attribute("open") is not None
    assert "In the queue." in page.locator("#said").inner_text()


def test_a_finding_and_its_mark_light_up_together(
    open_page: Open, live_server: Any, cookie: dict[str, str], visitor: Client
) -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    page = open_page()
    page.context.add_cookies([cookie])
    page.goto(f"{live_server.url}/drawing/{version.design.token}/")
    page.locator("#finding-1").hover()
    assert page.locator("a.pin-shown").count() == 1
    page.locator("h1").hover()
    assert page.locator("a.pin-shown").count() == 0
    page.locator("a.pin").focus()
    assert page.locator("#finding-1.finding-shown").count() == 1
    page.keyboard.press("Enter")
    page.locator("#plate.plate-zoomed").wait_for()
    page.keyboard.press("Escape")
    assert page.locator("#plate.plate-zoomed").count() == 0


def test_choosing_a_picture_sends_it_at_once(
    open_page: Open, live_server: Any, visitor: Client
) -> None:
    page = open_page(PHONE)
    page.goto(live_server.url)
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Choose a picture").click()
    chooser.value.set_files(
        {"name": "crab.png", "mimeType": "image/png", "buffer": factories.picture_png()}
    )
    page.wait_for_url("**/drawing/**")
    assert Version.objects.get().design.title == "crab"


def test_dropping_a_picture_anywhere_on_the_page_sends_it(
    open_page: Open, live_server: Any, visitor: Client
) -> None:
    page = open_page()
    page.goto(live_server.url)
    page.evaluate(
        """bytes => {
            const carried = new DataTransfer();
            const file = new File([new Uint8Array(bytes)], "gull.png", {type: "image/png"});
            carried.items.add(file);
            document.querySelector("footer").dispatchEvent(
                new DragEvent("drop", {dataTransfer: carried, bubbles: true, cancelable: true}));
        }""",
        list(factories.picture_png()),
    )
    page.wait_for_url("**/drawing/**")
    assert Version.objects.get().design.title == "gull"


def test_the_price_follows_a_changed_number_and_the_focus_stays(
    open_page: Open, live_server: Any, cookie: dict[str, str], shop: Any, visitor: Client
) -> None:
    order = factories.make_order(placed=False, visitor=KEY)
    factories.make_line(order, factories.make_version(visitor=KEY), quantity=1)
    page = open_page()
    page.context.add_cookies([cookie])
    page.goto(f"{live_server.url}/basket/")
    number = page.get_by_label("How many")
    number.fill("5")
    number.press("Tab")
    page.get_by_text("The price from 5 pieces applies").wait_for()
    assert OrderLine.objects.get().quantity == 5
    assert page.evaluate("document.activeElement.name").endswith("-film")
    page.get_by_label("Collected in person").check()
    page.get_by_text("no postage").wait_for()
    assert not page.get_by_label("Street and number").is_visible()


def test_with_scripts_off_a_drawing_goes_in_and_an_order_is_placed(
    open_page: Open, live_server: Any, shop: Any
) -> None:
    page = open_page(PHONE, java_script_enabled=False)
    page.goto(live_server.url)
    page.locator('input[type="file"]:visible').set_input_files(
        {"name": "net.png", "mimeType": "image/png", "buffer": factories.picture_png()}
    )
    page.get_by_role("button", name="Put it in").click()
    page.wait_for_url("**/drawing/**")
    version = Version.objects.get()
    attempt = workflow.claim(version.pk)
    assert attempt is not None
    workflow.finish(version.pk, attempt, factories.make_report("passed", [], "6x6in"))
    page.reload()
    page.get_by_role("button", name="Put it in the basket").click()
    page.get_by_label("How many").fill("3")
    page.get_by_role("button", name="Update").click()
    assert OrderLine.objects.get().quantity == 3
    page.get_by_label("Your email address").fill("wren@harbour.example")
    page.get_by_label("Collected in person").check()
    page.get_by_label("Name").fill("Wren")
    page.get_by_label("The drawings are mine").check()
    page.get_by_role("button", name="Ask for the quote").click()
    page.get_by_role("button", name="Accept").click()
    page.get_by_role("heading", name="Order").wait_for()
