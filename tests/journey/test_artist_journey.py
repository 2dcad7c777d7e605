"""An artist's way by clicks: by finger on a phone, by keyboard alone, and over paper and back."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from django.core import mail
from PIL import Image, ImageDraw

from bench.photographs import inside_picture
from orders.demo import drawings
from orders.models import Design, Order, Quote, Version
from tests import factories
from tests.artist.test_straighten_browser import by_finger, corners_of, middle
from tests.conftest import DESKTOP, PHONE
from tests.geometry.photographs import Scene, photograph
from tests.journey.test_whole_path import Look, shop
from tests.orders.test_round_trip import CORNER_MM, ring_png

__all__ = ["shop"]
pytestmark = [pytest.mark.browser]
Open = Callable[..., Any]
Breaches = Callable[[Any], list[str]]
WREN = "wren@harbour.example"
SIX_MM = (152.4, 152.4)
LETTER_MM = (215.9, 279.4)
ADDRESS = {
    "ship_name": "Wren Saltmarsh",
    "ship_line1": "3 Quay Steps",
    "ship_postcode": "TH 1",
    "ship_city": "Tidehaven",
    "ship_country": "Harbourland",
}


@pytest.fixture(autouse=True)
def _own_prepared(settings: Any, tmp_path: Path) -> None:
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")


def limpet_on_a_table() -> tuple[bytes, Any]:
    """A photograph at a slant of a limpet without bridges, and the paper's true corners.

    On this table one edge of the paper is taken for the seam of two boards.
    """
    paper = np.array(Image.open(io.BytesIO(drawings.limpet(0))).convert("L"))
    scene = Scene(table="wood", tilt_deg=18, turn_deg=7, size_px=(1920, 2560), seed=4)
    picture, corners = photograph(paper, SIX_MM, inside_picture(scene))
    return jpeg(picture), corners


def jpeg(picture: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=88)
    return out.getvalue()


def mailed_code() -> str:
    found = re.search(r"^ {4}(\d{6})$", str(mail.outbox[-1].body), re.MULTILINE)
    assert found
    return found[1]


def test_a_slanted_photograph_becomes_an_accepted_quote_by_finger(
    shop: Any, worker: None, open_page: Open, breaches: Breaches, tmp_path: Path
) -> None:
    """Corners dragged, islands mended all at once, basket, signed in by the code, accepted."""
    factories.artist_person(WREN)
    look = Look(breaches)
    data, true = limpet_on_a_table()
    file = tmp_path / "limpet.jpg"
    file.write_bytes(data)
    page = open_page(PHONE, has_touch=True, is_mobile=True)
    page.goto(shop.url)
    look(page)
    page.set_input_files("#drawing-file", str(file))
    page.wait_for_selector("h1:has-text('It will not hold yet')")
    page.locator(".mends-awaited").wait_for(state="detached")
    look(page)

    page.locator("#other-ways summary").tap()
    page.get_by_role("link", name="Straighten, place, size").tap()
    page.locator("#straighten[data-ready]").wait_for()
    look(page)
    assert drag_corners(page, true) > 0, "the corners were right from the start"
    assert np.abs(corners_of(page) - true.ravel()).max() < 4
    look(page)
    page.get_by_role("button", name="Save as version 2").tap()
    page.get_by_text("version 2").first.wait_for()
    page.locator(".mends-awaited").wait_for(state="detached")
    islands = Version.objects.get(number=2).findings
    assert [one["kind"] for one in islands if one["severity"] == "reject"] == ["island"] * 2

    page.locator("#mend-all").tap()
    page.get_by_role("button", name="Mend what is ticked").wait_for()
    look(page)
    page.get_by_role("button", name="Mend what is ticked").tap()
    page.wait_for_selector("h1:has-text('It will hold')")
    look(page)
    page.get_by_role("button", name="Put it in the basket").tap()
    page.wait_for_selector("h1:has-text('Basket')")

    page.get_by_role("link", name="Sign in", exact=True).tap()
    page.fill("input[name=email]", WREN)
    page.locator("main button").first.tap()
    page.wait_for_selector("input[name=code]")
    look(page)
    page.fill("input[name=code]", mailed_code())
    page.get_by_role("button", name="Sign in").tap()
    page.wait_for_selector("h1:has-text('Mine')")
    look(page)
    page.locator("header").get_by_role("link", name="Basket").tap()
    page.wait_for_selector("h1:has-text('Basket')")
    for name, text in ADDRESS.items():
        page.fill(f"input[name={name}]", text)
    page.locator("input[name=rights]").check()
    look(page)
    page.get_by_role("button", name="Ask for the quote").tap()
    page.wait_for_selector("h1:has-text('Your quote')")
    look(page)
    page.get_by_role("button", name="Accept").tap()
    page.wait_for_selector(".steps")
    look(page)
    order = Order.objects.get()
    assert (order.artist.email, order.jobs.get().version.number) == (WREN, 3)
    assert Design.objects.get().owner == order.artist


def drag_corners(page: Any, true: Any) -> int:
    """Drag every ring that is off by more than three dots of the picture; return how many."""
    dragged = 0
    for name, wanted in zip(("tl", "tr", "br", "bl"), true, strict=True):
        ring = f"#corner-{name} .ring"
        page.locator(ring).scroll_into_view_if_needed()
        is_at = [float(page.locator(ring).get_attribute(axis)) for axis in ("cx", "cy")]
        way = np.subtract(wanted, is_at)
        if np.hypot(*way) <= 3:
            continue
        scale = page.evaluate("document.getElementById('corner-view').getScreenCTM().a")
        by_finger(page, middle(page, ring), way * scale)
        dragged += 1
    return dragged


class Keys:
    """A reader without a mouse: moves by Tab, presses by Enter and Space, types."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def to(self, selector: str) -> None:
        """Go on by Tab until the focus is on what is wanted."""
        self.page.locator(selector).first.wait_for(state="attached")
        for _ in range(160):
            if self.page.evaluate("(s) => document.activeElement.matches(s)", selector):
                shown = self.page.evaluate(
                    "getComputedStyle(document.activeElement).outlineStyle !== 'none'"
                )
                assert shown, f"the focus on {selector} cannot be seen"
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{selector} on {self.page.url} is not reached by Tab")

    def press(self, selector: str, key: str = "Enter") -> None:
        self.to(selector)
        self.page.keyboard.press(key)

    def write(self, selector: str, text: str) -> None:
        self.to(selector)
        self.page.keyboard.press("Control+a")
        self.page.keyboard.type(text)


def test_keyboard_alone_goes_from_upload_to_an_accepted_quote(
    shop: Any, worker: None, open_page: Open, breaches: Breaches, tmp_path: Path
) -> None:
    look = Look(breaches)
    file = tmp_path / "limpet.png"
    file.write_bytes(drawings.limpet(0))
    page = open_page(DESKTOP)
    keys = Keys(page)
    page.goto(shop.url)
    with page.expect_file_chooser() as chooser:
        keys.press("[data-pick='drawing-file']")
    chooser.value.set_files(str(file))
    page.wait_for_selector("h1:has-text('It will not hold yet')")
    page.locator(".mends-awaited").wait_for(state="detached")
    look(page)
    # what is found is told: to the ear first, then each finding close up and whole again
    assert page.inner_text("#told").startswith("2 things to mend. 1, must be mended: ")
    keys.press("#look-1")
    assert page.evaluate("document.activeElement.matches('[data-whole]')")
    page.keyboard.press("Escape")
    page.reload()
    page.locator(".mends-awaited").wait_for(state="detached")
    keys.press("#mend-all")
    page.wait_for_selector(".mend-ticks")
    keys.press(".mend-ticks input", "Space")
    assert not page.locator(".mend-ticks input").first.is_checked()
    page.keyboard.press("Space")
    look(page)
    keys.press("main button.button-main")
    page.wait_for_selector("h1:has-text('It will hold')")
    look(page)
    keys.write(".order-this input[name=quantity]", "2")
    keys.press(".order-this button")
    page.wait_for_selector("h1:has-text('Basket')")
    keys.write("input[name=email]", WREN)
    for name, text in ADDRESS.items():
        keys.write(f"input[name={name}]", text)
    keys.press("input[name=rights]", "Space")
    look(page)
    keys.press("form[action='/basket/place/'] button")
    page.wait_for_selector("h1:has-text('Your quote')")
    look(page)
    keys.press("form[action$='/accept/'] button")
    page.wait_for_selector(".steps")
    look(page)
    assert Quote.objects.get().status == "accepted"
    assert Order.objects.get().jobs.get().quantity == 2


def test_a_proof_mended_on_paper_and_photographed_is_the_next_version(
    shop: Any, worker: None, open_page: Open, breaches: Breaches, tmp_path: Path
) -> None:
    """Printed by its link, mended with a white pen, photographed at a slant, put in anywhere."""
    look = Look(breaches)
    file = tmp_path / "ring.png"
    file.write_bytes(ring_png())
    page = open_page(PHONE, has_touch=True, is_mobile=True)
    page.goto(shop.url)
    page.set_input_files("#drawing-file", str(file))
    page.wait_for_selector("h1:has-text('It will not hold yet')")
    link = page.get_by_role("link", name="Print it on Letter")
    pdf = page.request.get(shop.url + link.get_attribute("href"))
    assert pdf.headers["content-type"] == "application/pdf"
    paper = tmp_path / "from paper.jpg"
    paper.write_bytes(photographed(pdf.body()))

    page.locator("header .wordmark").tap()
    page.set_input_files("#drawing-file", str(paper))
    page.wait_for_selector("text=Mended on paper")
    page.wait_for_selector("h1:has-text('It will hold')")
    look(page)
    back = Version.objects.get(number=2)
    assert (Design.objects.count(), back.origin, back.status) == (1, "proof", "passed")
    assert [place["pen"] for place in back.round_trip.places] == ["white", "white"]
    page.get_by_role("link", name="2 places changed").tap()
    page.get_by_role("heading", name="What changed on paper").wait_for()
    look(page)
    page.get_by_role("button", name="Put it in the basket").tap()
    page.wait_for_selector("h1:has-text('Basket')")


def photographed(pdf: bytes) -> bytes:
    """The proof with two strokes of a white pen across its ring, photographed on a dark table."""
    dpi = 300
    with pypdfium2.PdfDocument(pdf) as document:
        sheet = document[0].render(scale=dpi / 72, grayscale=True).to_pil().convert("L")
    pen, px = ImageDraw.Draw(sheet), dpi / 25.4
    for x in (46.2, 106.2):
        (left, top), reach = (CORNER_MM[0] + x, CORNER_MM[1] + 76.2), 5
        ends = [((left + side * reach) * px, top * px) for side in (-1, 1)]
        pen.line(ends, fill=255, width=round(2 * px))
    scene = Scene(table="dark", fill=0.75, tilt_deg=9, turn_deg=3, size_px=(2160, 2880), shadow=0.2)
    picture, _ = photograph(np.asarray(sheet), LETTER_MM, inside_picture(scene, LETTER_MM))
    return jpeg(picture)
