"""The bench by clicks: three designs sent in two parcels after one piece was spoiled."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from playwright.sync_api import expect

from orders.models import Job, Order, Packaging
from tests import factories

pytestmark = [pytest.mark.browser]
PASSWORD = "tide-table-at-noon"
TABLET = {"width": 820, "height": 1180}
TITLES = ("Shore crab", "Carrick knot", "Ferry sign")


@pytest.fixture
def order(transactional_db: None, media: Path, settings: Any, live_server: Any) -> Order:
    """Three passed designs in the queue, two pieces each; addresses lead to this server."""
    settings.PUBLIC_ADDRESS = live_server.url
    factories.workshop()
    factories.workshop_person(password=PASSWORD)
    Packaging.objects.create(name="Board envelope", weight_g="38")
    order = factories.make_order(accepted=True)
    for title in TITLES:
        version = factories.make_version(factories.make_design(title=title))
        factories.make_job(order, version=version, status="queued")
    return order


def test_three_designs_leave_in_two_parcels_after_one_piece_was_spoiled(
    order: Order,
    live_server: Any,
    open_page: Callable[..., Any],
    faults_everywhere: Callable[..., list[str]],
) -> None:
    page = open_page(TABLET)
    sign_in(page, live_server.url)
    cut_all_on_a_sheet(page)
    first, second, third = order.jobs.order_by("id")
    spoil_one_at_the_bench(page, live_server.url, order, first, faults_everywhere)
    for job in (second, third):
        pack_whole(page, job)
    pack_ahead(page, first)
    send(page, order, "HP-1", faults_everywhere)
    assert counts(order) == [(1, 1, "queued"), (2, 2, "shipped"), (2, 2, "shipped")]

    cut_the_remake(page, live_server.url, first)
    scan_the_ticket(page, live_server.url, first)
    pack_whole(page, first)
    send(page, order, "HP-2")
    assert counts(order) == [(2, 2, "shipped")] * 3
    assert [line.count for line in first.parcel_lines.order_by("id")] == [1, 1]
    kinds = order.mails.exclude(status="withdrawn").order_by("id").values_list("kind", flat=True)
    assert list(kinds) == ["part-shipped", "shipped"]
    the_artist_reads_it(open_page(), live_server.url, order)


def counts(order: Order) -> list[tuple[int, int, str]]:
    return list(order.jobs.order_by("id").values_list("packed", "shipped", "status"))


def sign_in(page: Any, url: str) -> None:
    page.goto(f"{url}/workshop/queue/")
    page.fill("input[name=username]", "cutter@harbour.example")
    page.fill("input[name=password]", PASSWORD)
    page.click("main button:has-text('Sign in')")
    page.wait_for_url("**/workshop/queue/")


def cut_all_on_a_sheet(page: Any) -> None:
    page.check("[data-tick-all] input")
    page.click("button:has-text('Lay on a sheet')")
    page.click("button:has-text('Make this sheet')")
    page.click("button:has-text('Start the sheet')")
    page.click("form[action$='all-good/'] button")
    page.click("button:has-text('Finish the sheet')")
    page.wait_for_selector("button:has-text('Correct a result')")
    assert set(Job.objects.values_list("status", flat=True)) == {"cut"}


def spoil_one_at_the_bench(
    page: Any, url: str, order: Order, job: Job, faults: Callable[..., list[str]]
) -> None:
    """From the list to the bench; a tick is kept by itself, one press takes a piece back."""
    page.click(".rail a:has-text('Pack')")
    assert faults(page, (TABLET,)) == []
    page.click(f".joblink:has-text('{order.code}')")
    card = page.locator(f"[id='{job.code}']")
    card.locator("input[value=weeded]").check()
    expect(card.locator("[data-checks-said]")).to_have_text("Kept.")
    assert faults(page) == []
    card.locator("button:has-text('Scratched')").click()
    page.wait_for_selector("text=is to be cut again in part")
    job.refresh_from_db()
    assert (job.cut, job.spoiled, job.status) == (1, 1, "queued")


def pack_whole(page: Any, job: Job) -> None:
    job.refresh_from_db()
    card = page.locator(f"[id='{job.code}']")
    card.locator("[id^=pack-]").fill(str(job.cut_outs_expected // job.quantity * job.to_pack))
    card.locator("button:has-text('Packed:')").click()
    page.wait_for_selector(f"text=Job {job.code} is packed.")


def pack_ahead(page: Any, job: Job) -> None:
    card = page.locator(f"[id='{job.code}']")
    card.locator("summary:has-text('Send what is cut ahead')").click()
    card.locator("input[name=pieces][type=number]").fill("1")
    card.locator("input[name=cut_outs_bagged]").fill("1")
    card.locator("button:has-text('Pack this part')").click()
    page.wait_for_selector(f"text=Job {job.code} is packed in part.")


def send(
    page: Any, order: Order, tracking: str, faults: Callable[..., list[str]] | None = None
) -> None:
    page.click(".rail a:has-text('Post')")
    page.wait_for_selector("input[name=carrier]")
    if faults is not None:
        assert faults(page, (TABLET,)) == []
    page.fill("input[name=carrier]", "Harbour Post")
    page.fill("input[name=tracking]", tracking)
    page.select_option("select[name=packaging]", index=1)
    page.click("button:has-text('Posted')")
    page.wait_for_selector(f"text={tracking}")


def cut_the_remake(page: Any, url: str, job: Job) -> None:
    page.goto(f"{url}/workshop/scan/{job.code}/")
    page.click("a:has-text('Lay 1 piece on a sheet')")
    page.click("button:has-text('Make this sheet')")
    page.click("button:has-text('Start the sheet')")
    page.click("form[action$='all-good/'] button")
    page.click("button:has-text('Finish the sheet')")
    page.wait_for_selector("button:has-text('Correct a result')")


def scan_the_ticket(page: Any, url: str, job: Job) -> None:
    """The code on the printed ticket, typed as a scanner would, leads to the bench."""
    pdf = page.request.get(f"{url}/workshop/job/{job.code}/ticket.pdf")
    with pypdfium2.PdfDocument(pdf.body()) as document:
        picture = document[0].render(scale=150 / 72).to_pil()
    (code,) = (found.text for found in zxingcpp.read_barcodes(picture))
    page.click(".rail a:has-text('Pack')")
    page.fill("#scan-code", code)
    page.press("#scan-code", "Enter")
    page.wait_for_url(f"**/workshop/pack/{job.order.code}/#{job.code}")


def the_artist_reads_it(page: Any, url: str, order: Order) -> None:
    page.goto(f"{url}/order/{order.link_token}/")
    text = page.inner_text("main")
    for words in ("HP-1", "HP-2", "1 × Shore crab", "2 × Carrick knot"):
        assert words in text, words
