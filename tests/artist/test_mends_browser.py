"""Mending by clicks: on a phone and on a desk, by keyboard, with axe in every state."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from django.core.files.base import ContentFile
from PIL import Image
from shapely.geometry import LineString, Point

from orders.models import Kept, Version
from tests import factories
from tests.conftest import DESKTOP, PHONE
from tests.geometry.scans import scan

from .conftest import KEY
from .test_browser import cookie, no_sideways_scroll

__all__ = ["cookie"]
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]
SIDE_MM = 152.4


def drawing_png() -> bytes:
    """Two rings, each an island, and a line of 0.7 mm."""
    rings = [Point(x, 60).buffer(16, 64).exterior.buffer(1.2) for x in (50, 100)]
    line = LineString([(40, 110), (110, 112)]).buffer(0.35)
    grey = scan(rings[0].union(rings[1]).union(line), (SIDE_MM, SIDE_MM), 200)[0]
    out = io.BytesIO()
    Image.fromarray(np.asarray(grey)).save(out, "PNG", dpi=(200, 200))
    return out.getvalue()


def waiting_version() -> Version:
    from orders import tasks

    version = factories.make_version(visitor=KEY, status="waiting")
    version.upload.sha256 = "f" * 64
    version.upload.file.save("upload", ContentFile(drawing_png()), save=True)
    tasks.send(tasks.check_version, version.pk)
    return version


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_islands_are_mended_all_at_once_and_the_stencil_goes_into_the_basket(
    open_page: Open,
    live_server: Any,
    worker: None,
    shop: Any,
    cookie: dict[str, str],
    breaches: Callable[[Any], list[str]],
    settings: Any,
    tmp_path: Any,
    size: dict[str, int],
) -> None:
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    version = waiting_version()
    page = open_page(size)
    page.context.add_cookies([cookie])
    page.goto(f"{live_server.url}/drawing/{version.design.token}/")
    page.get_by_role("link", name="Mend all 3").wait_for()
    assert breaches(page) == []
    assert no_sideways_scroll(page)
    # close up by the mouse, whole again by the key; by the key, whole again by the button
    transform = "document.querySelector('#plate img').style.transform"
    page.get_by_role("link", name="Look closer at finding 2").click()
    assert "scale" in page.evaluate(transform)
    assert breaches(page) == []
    page.keyboard.press("Escape")
    assert page.evaluate(transform) == ""
    page.locator("#look-1").focus()
    page.keyboard.press("Enter")
    assert "scale" in page.evaluate(transform)
    assert page.evaluate("document.activeElement.matches('[data-whole]')")
    page.keyboard.press("Enter")
    assert page.evaluate(transform) == ""
    assert page.evaluate("document.activeElement.id") == "look-1"
    # keep the thin line, and take it back
    page.locator("#keep-3").click()
    page.get_by_text("Kept as it is").wait_for()
    assert Kept.objects.count() == 1
    assert breaches(page) == []
    page.get_by_role("button", name="Do not keep it").click()
    page.locator("#keep-3", has_text="Keep it as it is").wait_for()
    assert Kept.objects.count() == 0
    # the unit
    page.get_by_role("button", name="inches").click()
    page.get_by_text("1/32 in (0.").first.wait_for()
    page.get_by_role("button", name="millimetres").click()
    # a place before and after
    page.locator("#see-1 summary").click()
    pictures = page.locator("#see-1 img")
    for picture in pictures.all():
        picture.scroll_into_view_if_needed()
    for _ in range(50):
        if pictures.evaluate_all("all => all.every((one) => one.naturalWidth === 280)"):
            break
        page.wait_for_timeout(100)
    assert pictures.evaluate_all("all => all.map((one) => one.naturalWidth)") == [280, 280]
    # all of it, but for the thin line first
    page.get_by_role("link", name="Mend all 3").click()
    page.get_by_role("heading", name="Mend all of").wait_for()
    assert breaches(page) == []
    assert no_sideways_scroll(page)
    tick = page.get_by_role("checkbox").nth(2)
    tick.uncheck()
    assert page.locator('[data-mend="2"]').first.get_attribute("data-untaken") == ""
    tick.check()
    assert page.locator('[data-mend="2"]').first.get_attribute("data-untaken") is None
    page.get_by_role("button", name="Mend what is ticked").click()
    page.get_by_role("heading", name="It will hold").wait_for()
    assert version.design.latest.origin == "here"
    assert breaches(page) == []
    page.get_by_role("button", name="basket").first.click()
    page.wait_for_url("**/basket/**")


def test_one_finding_is_mended_by_its_button_without_scripts(
    open_page: Open,
    live_server: Any,
    worker: None,
    shop: Any,
    cookie: dict[str, str],
    settings: Any,
    tmp_path: Any,
) -> None:
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    version = waiting_version()
    page = open_page(PHONE, java_script_enabled=False)
    page.context.add_cookies([cookie])
    address = f"{live_server.url}/drawing/{version.design.token}/"
    page.goto(address)
    page.get_by_role("heading", name="It will not hold yet").wait_for()
    for _ in range(40):
        if page.locator("#mend-1").count():
            break
        page.wait_for_timeout(500)
        page.get_by_role("link", name="Look again in a moment").click()
    page.get_by_role("link", name="Look closer at finding 1").click()
    page.get_by_role("link", name="Whole picture").click()
    page.locator("#mend-1").click()
    page.get_by_text("One place has to be mended").wait_for()
    assert version.design.versions.count() == 2
