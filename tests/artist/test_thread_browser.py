"""Messages and sign-in by clicks, at phone and desktop width: pins by mouse, touch and keys."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from django.core import mail

from orders import workflow
from orders.models import Job, Message
from orders.workflow import Actor
from tests import factories
from tests.conftest import DESKTOP, PHONE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]
Breaches = Callable[[Any], list[str]]


@pytest.fixture
def job(shop: Any, settings: Any, live_server: Any) -> Job:
    settings.PUBLIC_ADDRESS = live_server.url
    design = factories.make_design(owner=factories.artist_person(), title="Tide snail")
    return factories.make_job(version=factories.make_version(design), status="received")


def fits(page: Any) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def sign_in_cutter(page: Any, url: str) -> None:
    factories.workshop_person(password="tide-table")
    page.goto(f"{url}/workshop/sign-in/")
    page.get_by_label("Email address").fill("cutter@harbour.example")
    page.get_by_label("Password").fill("tide-table")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Today").wait_for()


def near(value: Any, wanted: float, by: float = 0.6) -> bool:
    return abs(float(value) - wanted) <= by


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["390", "1280"])
def test_artist_and_cutter_talk_and_a_pin_is_put_by_pressing(
    open_page: Open, live_server: Any, job: Job, breaches: Breaches, size: dict[str, int]
) -> None:
    artist = open_page(size, has_touch=size == PHONE)
    cutter = open_page(size)
    artist.goto(f"{live_server.url}/order/{job.order.link_token}/")
    artist.get_by_label("Write to the workshop").fill("Is the hook too thin here?")
    artist.get_by_text("Put a pin on the drawing").click()
    plate = artist.locator("[data-pin-plate] svg.plate-marks")
    box = plate.bounding_box()
    spot = {"x": box["width"] / 4, "y": box["height"] / 2}
    if size == PHONE:
        plate.tap(position=spot)
    else:
        plate.click(position=spot)
    assert near(artist.get_by_label("Pin from the left, mm").input_value(), 152.4 / 4)
    assert near(artist.get_by_label("Pin from the top, mm").input_value(), 152.4 / 2)
    assert "mm from the left" in artist.locator("[data-pin-told]").inner_text()
    assert breaches(artist) == []
    assert fits(artist)
    artist.get_by_role("button", name="Send the message").click()
    artist.locator(".said-text", has_text="Is the hook too thin here?").wait_for()
    message = Message.objects.get()
    assert near(message.pin_x_mm, 38.1)
    assert near(message.pin_y_mm, 76.2)

    sign_in_cutter(cutter, live_server.url)
    cutter.get_by_role("link", name=re.compile("1 new message")).first.click()
    cutter.locator(".said-text", has_text="Is the hook too thin here?").wait_for()
    assert cutter.get_by_role("link", name="Pin 1: to its message").count() == 1
    assert breaches(cutter) == []
    assert fits(cutter)
    cutter.get_by_label("Write to the artist").fill("It holds; the web is 1.2 mm.")
    cutter.get_by_role("button", name="Send the message").click()
    artist.locator(".said-text", has_text="It holds").wait_for()  # by the page's own polling
    assert artist.locator(".said-new").count() == 1
    assert breaches(artist) == []


def test_a_pin_is_put_and_moved_by_keys_and_dragged(
    open_page: Open, live_server: Any, job: Job
) -> None:
    page = open_page()
    page.goto(f"{live_server.url}/order/{job.order.link_token}/")
    page.locator("#talk-pin > summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    left, top = (page.get_by_label(f"Pin from the {side}, mm") for side in ("left", "top"))
    page.keyboard.press("ArrowRight")  # the first press puts it in the middle
    assert (left.input_value(), top.input_value()) == ("76.2", "76.2")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Alt+ArrowUp")
    assert (left.input_value(), top.input_value()) == ("77.2", "86.1")
    for _ in range(9):
        page.keyboard.press("Shift+ArrowLeft")
    assert left.input_value() == "0"
    left.fill("50")
    assert (
        "50 mm from the left, 86.1 mm from the top" in page.locator("[data-pin-told]").inner_text()
    )
    plate = page.locator("[data-pin-plate] svg.plate-marks")
    box = plate.bounding_box()
    per_mm = box["width"] / 152.4
    page.mouse.move(box["x"] + 50 * per_mm, box["y"] + 80 * per_mm)
    page.mouse.down()
    page.mouse.move(box["x"] + 100 * per_mm, box["y"] + 20 * per_mm, steps=4)
    page.mouse.up()
    assert near(left.input_value(), 100)
    assert near(top.input_value(), 20)
    plate.focus()
    page.keyboard.press("Delete")
    assert (left.input_value(), top.input_value()) == ("", "")


def test_with_scripts_off_a_message_goes_with_a_pin_in_figures(
    open_page: Open, live_server: Any, job: Job
) -> None:
    page = open_page(PHONE, java_script_enabled=False)
    page.goto(f"{live_server.url}/order/{job.order.link_token}/")
    page.get_by_label("Write to the workshop").fill("Here.")
    page.get_by_text("Put a pin on the drawing").click()
    page.get_by_label("Pin from the left, mm").fill("12.5")
    page.get_by_label("Pin from the top, mm").fill("20")
    page.get_by_role("button", name="Send the message").click()
    page.get_by_text("Pin 1").wait_for()
    message = Message.objects.get()
    assert (message.pin_x_mm, message.pin_y_mm) == (12.5, 20)


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["390", "1280"])
def test_a_proposal_is_taken_with_one_press(
    open_page: Open, live_server: Any, job: Job, breaches: Breaches, size: dict[str, int]
) -> None:
    proposal = factories.make_version(
        job.version.design,
        proposal="offered",
        origin="proposal",
        proposal_reason="A little smaller, so that it keeps off the edge.",
        proposed_for=job,
    )
    workflow.propose(job, proposal, Actor("workshop", factories.workshop_person()))
    page = open_page(size)
    page.goto(f"{live_server.url}/order/{job.order.link_token}/")
    page.get_by_role("link", name="See both and choose").click()
    sides = page.locator(".said .compare figure")
    assert sides.count() == 2
    first, second = (sides.nth(number).bounding_box() for number in (0, 1))
    assert first["y"] == second["y"]
    assert breaches(page) == []
    assert fits(page)
    page.get_by_role("button", name="Take the workshop’s").click()
    page.get_by_text("Taken. The workshop cuts that version.").wait_for()
    job.refresh_from_db()
    assert job.version == proposal


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["390", "1280"])
def test_the_mailed_link_on_a_second_device_and_signing_in_there(
    open_page: Open, live_server: Any, job: Job, breaches: Breaches, size: dict[str, int]
) -> None:
    page = open_page(size)
    page.goto(f"{live_server.url}/order/{job.order.link_token}/")
    page.get_by_role("link", name="sign in with a code").click()
    assert page.evaluate("document.activeElement.name") == "email"
    page.keyboard.type("wren@harbour.example")
    assert breaches(page) == []
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Look into your mail").wait_for()
    assert page.evaluate("document.activeElement.name") == "code"
    assert breaches(page) == []
    code = re.search(r"^ {4}(\d{6})$", str(mail.outbox[-1].body), re.MULTILINE)
    assert code
    page.keyboard.type(f"{code[1][:3]} {code[1][3:]}")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Orders").wait_for()
    page.get_by_role("link", name=f"Order {job.order.code}").wait_for()


def test_the_pages_of_mine_keep_wcag_and_fit(
    open_page: Open, live_server: Any, job: Job, faults_everywhere: Breaches
) -> None:
    from django.test import Client

    client = Client()
    client.force_login(
        factories.artist_person(), "allauth.account.auth_backends.AuthenticationBackend"
    )
    owner = factories.artist_person()
    designs = [
        factories.make_version(
            factories.make_design(owner=owner, title=f"Limpet {number}"),
            blank_code="4x4in" if number % 2 else "6x6in",
        ).design
        for number in range(13)
    ]
    designs[0].note = "The blue one, for the regatta"
    designs[0].save()
    client.post(f"/mine/drawing/{designs[1].token}/remove/")
    page = open_page(PHONE)
    cookie = client.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
    faults = []
    snail = job.version.design.token
    for address in (
        "/mine/",
        "/mine/?q=nothing",
        "/mine/orders/",
        f"/mine/drawing/{snail}/",
        "/mine/data/",
    ):
        page.goto(live_server.url + address)
        faults += faults_everywhere(page)
    assert faults == []
