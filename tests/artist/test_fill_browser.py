"""How often a place that fills itself in asks (docs/look.md): by a clock that the test turns."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
FILL = Path(__file__).resolve().parents[2] / "static" / "js" / "fill.js"
PAGE = '<body><div id="place" hx-get="/news" hx-trigger="every 4s" hx-swap="outerHTML">old</div>'
PLACE = '<div id="place" hx-get="/news" hx-trigger="every 4s" hx-swap="outerHTML">new</div>'
ANSWERS = """
window.asked = [];
window.answer = 204;
window.isAway = false;
window.fetch = async () => {
    asked.push(Date.now());
    if (isAway) throw new TypeError("no connection");
    return new Response(answer === 204 ? null : PLACE, {status: answer});
};
Object.defineProperty(document, "hidden", {get: () => Boolean(window.isHidden)});
"""


@pytest.fixture
def place(page: Any) -> Any:
    page.route(
        "http://fill.example/", lambda route: route.fulfill(body=PAGE, content_type="text/html")
    )
    page.add_init_script(f"const PLACE = {PLACE!r};{ANSWERS}")
    page.clock.install(time=0)
    page.goto("http://fill.example/")
    page.add_script_tag(content=FILL.read_text())
    return page


def waits(page: Any) -> list[float]:
    """Seconds between one question and the next."""
    asked = page.evaluate("asked")
    return [round((later - sooner) / 1000, 3) for sooner, later in pairwise(asked)]


def test_what_brings_nothing_new_is_asked_less_often_down_to_a_quarter(place: Any) -> None:
    place.clock.run_for(300_000)
    found = waits(place)
    assert found[0] == pytest.approx(4.4, abs=0.1)
    assert found == sorted(found)
    assert found[-1] == pytest.approx(16, abs=0.1)


def test_news_bring_its_own_time_back(place: Any) -> None:
    place.clock.run_for(120_000)
    place.evaluate("window.answer = 200")
    place.clock.run_for(20_000)
    assert place.inner_text("#place") == "new"
    place.evaluate("window.answer = 204; window.asked = []")
    place.clock.run_for(9_000)
    assert waits(place)[0] == pytest.approx(4.2, abs=0.3)


def test_a_server_that_is_away_is_asked_again(place: Any) -> None:
    place.evaluate("window.isAway = true")
    place.clock.run_for(60_000)
    assert len(place.evaluate("asked")) > 5
    place.evaluate("window.isAway = false; window.answer = 200")
    place.clock.run_for(20_000)
    assert place.inner_text("#place") == "new"


def test_what_is_done_asks_no_more(place: Any) -> None:
    place.evaluate("window.answer = 286")
    place.clock.run_for(60_000)
    assert len(place.evaluate("asked")) <= 2  # the place that came may ask once for itself


def test_a_page_that_nobody_sees_asks_nothing_and_at_once_when_it_is_seen(place: Any) -> None:
    place.evaluate("window.isHidden = true")
    place.clock.run_for(60_000)
    assert place.evaluate("asked") == []
    place.evaluate("window.isHidden = false; document.dispatchEvent(new Event('visibilitychange'))")
    assert len(place.evaluate("asked")) == 1
