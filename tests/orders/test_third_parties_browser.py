"""No page asks anybody but this site: every page is opened in a browser that counts.

A browser fetches what markup, styles, fonts and scripts name, so it sees what reading would miss.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.urls import reverse

from tests.orders.test_page_roles import CUTTER, OWNER, ROWS, SHOP, client_for, world

__all__ = ["world"]
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
# addresses of data, which a browser makes itself
OWN_SCHEMES = ("data", "blob")


def pages_of(role: str, world: dict[str, Any]) -> list[str]:
    """Return the addresses of one side that a row of the table of roles lets in by GET."""
    workshop = role == CUTTER
    rows = [row for row in ROWS if row.method == "get" and row.codes.get(role) == "in"]
    mine = [row for row in rows if (row.codes == SHOP) == workshop]
    return [reverse(row.name, args=[world[arg] for arg in row.args]) for row in mine]


@pytest.mark.parametrize("role", [OWNER, CUTTER])
def test_no_page_asks_a_third_party(
    role: str, world: dict[str, Any], open_page: Callable[..., Any], live_server: Any
) -> None:
    page = open_page()
    client = client_for(role)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies(
        [{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}]
    )
    asked: list[str] = []
    page.context.on("request", lambda request: asked.append(request.url))
    here, opened = urlsplit(live_server.url).netloc, 0
    for address in pages_of(role, world):
        response = client.get(address)
        response.close()
        if response.streaming or b"<!doctype html>" not in response.content[:200]:
            continue  # a file, or a part of a page: pages that hold it are opened themselves
        page.goto(live_server.url + address)
        page.wait_for_load_state("load")
        opened += 1
    elsewhere = [
        url
        for url in asked
        if urlsplit(url).netloc != here and urlsplit(url).scheme not in OWN_SCHEMES
    ]
    print(f"{role}: {opened} pages, {len(asked)} requests, {len(elsewhere)} to third parties")
    assert opened >= 15
    assert len(asked) > 5 * opened, "styles, scripts and pictures were counted too"
    assert elsewhere == []
