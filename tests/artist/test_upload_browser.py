"""Putting drawings in by a browser: progress, several at once, a slow and a failing network."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from orders import workflow
from orders.models import Design, Version
from tests import factories
from tests.conftest import PHONE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]


def file(name: str, data: bytes | None = None) -> dict[str, Any]:
    buffer = factories.picture_png() if data is None else data
    return {"name": name, "mimeType": "image/png", "buffer": buffer}


def settle(status: str, version: Version) -> None:
    attempt = workflow.claim(version.pk)
    assert attempt is not None
    findings = [dict(factories.ISLAND)] if status == "rejected" else []
    workflow.finish(version.pk, attempt, factories.make_report(status, findings, "6x6in"))


def test_several_go_in_and_their_list_shows_each_verdict_as_it_comes(
    open_page: Open, live_server: Any, breaches: Callable[[Any], list[str]]
) -> None:
    page = open_page(PHONE)
    page.goto(live_server.url)
    page.locator("#drawing-file").set_input_files(
        [file(f"{n}.png") for n in ("gull", "crab", "eel")]
    )
    page.wait_for_url("**/sent/?d=*")
    assert page.get_by_text("being looked at", exact=True).count() == 3
    assert {design.visitor for design in Design.objects.all()} != {""}
    assert Design.objects.values("visitor").distinct().count() == 1
    for title, status in (("crab", "passed"), ("gull", "rejected")):
        settle(status, Version.objects.get(design__title=title))
    page.get_by_text("will hold").wait_for()
    page.get_by_text("to be mended").wait_for()
    page.get_by_text("1 still being looked at …").wait_for()
    settle("passed", Version.objects.get(design__title="eel"))
    page.get_by_text("All have been looked at.").wait_for()
    assert breaches(page) == []


def test_of_several_one_is_refused_with_why_and_the_others_go_on(
    open_page: Open, live_server: Any, breaches: Callable[[Any], list[str]]
) -> None:
    page = open_page(PHONE)
    page.goto(live_server.url)
    files = [file("gull.png"), file("torn.png", b""), file("crab.png")]
    page.locator("#drawing-file").set_input_files(files)
    row = page.locator(".sending", has_text="torn.png")
    row.get_by_text("That file is empty. Choose the picture again").wait_for()
    link = page.get_by_role("link", name="See the 2 that arrived")
    link.wait_for()
    assert breaches(page) == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    link.click()
    page.get_by_role("heading", name="2 drawings arrived").wait_for()
    assert sorted(Design.objects.values_list("title", flat=True)) == ["crab", "gull"]


def test_a_network_that_breaks_off_is_told_and_the_same_file_is_sent_again(
    open_page: Open, live_server: Any
) -> None:
    page = open_page(PHONE)
    page.goto(live_server.url)
    tries: list[str] = []

    def fail_first(route: Any) -> None:
        tries.append(route.request.method)
        route.abort("connectionreset") if len(tries) == 1 else route.continue_()

    page.route("**/upload/", fail_first)
    page.locator("#drawing-file").set_input_files(file("gull.png"))
    row = page.locator(".sending", has_text="gull.png")
    row.get_by_text("the network broke off. Your picture is still here.").wait_for()
    assert not Design.objects.exists()
    row.get_by_role("button", name="Send gull.png again").click()
    page.wait_for_url("**/drawing/**")
    assert Design.objects.get().title == "gull"
    assert tries == ["POST", "POST"]


def test_an_answer_lost_on_its_way_makes_no_second_drawing(
    open_page: Open, live_server: Any
) -> None:
    page = open_page()
    page.goto(live_server.url)
    page.locator("#drawing-file").set_input_files(file("eel.png"))
    page.wait_for_url("**/drawing/**")
    page.goto(live_server.url)  # the session is known from here on
    tries: list[int] = []

    def lose_first(route: Any) -> None:
        tries.append(1)
        answer = route.fetch()
        route.abort("connectionreset") if len(tries) == 1 else route.fulfill(response=answer)

    page.route("**/upload/", lose_first)
    page.locator("#drawing-file").set_input_files(file("gull.png"))
    page.get_by_role("button", name="Send gull.png again").click()
    page.wait_for_url("**/drawing/**")
    assert sorted(Design.objects.values_list("title", flat=True)) == ["eel", "gull"]


def test_on_a_slow_network_the_bar_moves(open_page: Open, live_server: Any) -> None:
    page = open_page(PHONE)
    page.goto(live_server.url)
    network = page.context.new_cdp_session(page)
    network.send("Network.enable")
    limits = {"offline": False, "latency": 20, "downloadThroughput": 1e6, "uploadThroughput": 2e5}
    network.send("Network.emulateNetworkConditions", limits)
    data = factories.picture_png() + bytes(600_000)  # a reader stops at the picture's end
    page.locator("#drawing-file").set_input_files(file("gull.png", data))
    bar = page.get_by_label("Sending gull.png")
    seen = set()
    for _ in range(100):
        if not bar.count():
            break
        seen.add(round(bar.evaluate("bar => bar.hasAttribute('value') ? bar.value : -1"), 2))
        if len([share for share in seen if 0 < share < 1]) >= 3:
            break
        page.wait_for_timeout(50)
    assert len([share for share in seen if 0 < share < 1]) >= 3
    assert "of 60" in page.locator(".sending-words").inner_text()
    limits["uploadThroughput"] = -1
    network.send("Network.emulateNetworkConditions", limits)
    page.wait_for_url("**/drawing/**")
    assert Version.objects.get().upload.size_bytes == len(data)


def test_a_mended_drawing_is_sent_again_after_a_failure(
    open_page: Open, live_server: Any, visitor: Client
) -> None:
    from .conftest import KEY

    version = factories.make_version(visitor=KEY, status="rejected")
    page = open_page(PHONE)
    value = visitor.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": value, "url": live_server.url}])
    page.goto(f"{live_server.url}/drawing/{version.design.token}/")
    page.route("**/mend/", lambda route: route.fulfill(status=502, body="no"))
    page.locator("#mended-file").set_input_files(file("better.png"))
    page.locator(".sending-words", has_text="computer did not answer").wait_for()
    page.unroute("**/mend/")
    page.get_by_role("button", name="Send better.png again").click()
    page.wait_for_url("**?v=2")
    assert version.design.latest.upload.name == "better.png"
