"""The bench in a real browser: WCAG 2.2 by axe-core, no sideways scrolling, drag and keys."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from orders import planning, workflow
from orders.models import Mail, SheetRun
from orders.workflow import Actor
from tests import factories
from tests.conftest import DESKTOP, PHONE

from .conftest import BACKEND

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]
TABLET = {"width": 820, "height": 1180}


@pytest.fixture
def sign_in(live_server: Any) -> Callable[[Any], None]:
    """Give a function that makes a browser page the cutter's."""
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    cookie = {
        "name": "sessionid",
        "value": client.cookies["sessionid"].value,
        "url": live_server.url,
    }

    def signed_in(page: Any) -> None:
        page.context.add_cookies([cookie])

    return signed_in


@pytest.fixture
def addresses(cutter: Actor) -> dict[str, str]:
    """One address for each kind and state of page, with everything on it."""
    factories.workshop()
    factories.price_sheet()
    findings = [dict(factories.ISLAND), dict(factories.THIN_WEB) | {"id": 2}]
    rejected = factories.make_job(
        status="received", version=factories.make_version(status="rejected", findings=findings)
    )
    jobs = {
        status: factories.make_job(status=status, promise_in_days=days)
        for days, status in enumerate(
            ("received", "queued", "cutting", "cut", "packed", "shipped", "on-hold"), start=-2
        )
    }
    asked = factories.make_job(status="queued")
    workflow.ask_changes(asked, cutter, why="A little more room, please.")
    many = factories.make_job(quantity=9, version=factories.make_version(blank_code="4x4in"))
    planned, cutting = (planning.plan_sheets(many.film, [(many, 4)], cutter)[0] for _ in range(2))
    workflow.start_run(cutting, cutter)
    workflow.mark_piece(cutting.pieces.all()[0], "spoiled", cutter, why="melted")
    blanks = factories.make_job(film=factories.make_blank_film())
    (stack,) = planning.plan_sheets(blanks.film, [(blanks, 2)], cutter)
    mail = Mail.objects.get()
    Mail.objects.filter(pk=mail.pk).update(status="failed", failure="No post today.")
    return {
        "sign-in": "/workshop/sign-in/",
        "today": "/workshop/",
        "queue": "/workshop/queue/?state=open",
        "nothing found": "/workshop/queue/?q=nothing",
        "rejected": f"/workshop/job/{rejected.code}/",
        "propose": f"/workshop/job/{rejected.code}/propose/",
        "asked": f"/workshop/job/{asked.code}/",
        "sheets": "/workshop/sheets/",
        "new sheet": f"/workshop/sheet/new/?job={many.code}",
        "planned": f"/workshop/sheet/{planned.code}/",
        "cutting sheet": f"/workshop/sheet/{cutting.code}/",
        "stack": f"/workshop/sheet/{stack.code}/",
        "pack": "/workshop/pack/",
        "at the bench": f"/workshop/pack/{jobs['cut'].order.code}/",
        "post": "/workshop/post/",
        "packagings": "/workshop/packagings/",
        "day": "/workshop/day/?by=week",
        "texts": "/workshop/letters/",
        "text": "/workshop/letters/part-shipped/",
        "order": f"/workshop/order/{jobs['packed'].order.code}/",
        "mail": "/workshop/mail/",
        "letter": f"/workshop/mail/{mail.pk}/",
        "films": "/workshop/films/",
        "film": f"/workshop/film/{many.film.code}/",
        "laser": "/workshop/machine/",
        "kerf": f"/workshop/film/{many.film.code}/kerf/",
        "stock": f"/workshop/film/{many.film.code}/stock/",
        "next sheet": f"/workshop/sheet/fill/?film={many.film.code}",
        "order of cutting": f"/workshop/sheet/{planned.code}/order/",
        "settings": "/workshop/settings/",
        "prices": "/workshop/prices/",
        **{status: f"/workshop/job/{job.code}/" for status, job in jobs.items()},
    }


def test_every_page_passes_wcag_and_never_scrolls_sideways(
    open_page: Open,
    sign_in: Callable[[Any], None],
    addresses: dict[str, str],
    faults_everywhere: Callable[..., list[str]],
    live_server: Any,
) -> None:
    """WCAG 2.2 A and AA as axe-core reads them."""
    page = open_page(TABLET)
    found: dict[str, Any] = {}
    for name, address in addresses.items():
        if name == "today":
            sign_in(page)
        page.goto(live_server.url + address)
        if faults := faults_everywhere(page, (TABLET, PHONE, DESKTOP)):
            found[name] = faults
    assert found == {}


def test_forty_jobs_stand_on_one_screen_of_the_bench_tablet(
    open_page: Open, sign_in: Callable[[Any], None], live_server: Any
) -> None:
    """Each row is 48 px high, the least that a gloved thumb hits (docs/look.md)."""
    order = factories.make_order(accepted=True)
    version = factories.make_version()
    for _ in range(40):
        factories.make_job(order, version=version)
    page = open_page(TABLET)
    sign_in(page)
    page.goto(live_server.url + "/workshop/queue/")
    boxes = [row.bounding_box() for row in page.locator(".jobrow").all()]
    assert len(boxes) == 40
    assert min(box["height"] for box in boxes) >= 48
    # the last row's foot lies above the bar with what is done with the ticked jobs
    bar = page.locator(".tickbar").bounding_box()
    assert max(box["y"] + box["height"] for box in boxes) <= bar["y"] + 1
    assert bar["y"] + bar["height"] <= TABLET["height"]


@pytest.fixture
def run(cutter: Actor) -> SheetRun:
    """A planned sheet with two pieces of 4 x 4 in side by side."""
    job = factories.make_job(quantity=2, version=factories.make_version(blank_code="4x4in"))
    return planning.plan_sheets(job.film, [(job, 2)], cutter)[0]


def values(page: Any, piece: int) -> tuple[str, str, bool]:
    return (
        page.input_value(f"[name=x-{piece}]"),
        page.input_value(f"[name=y-{piece}]"),
        page.is_checked(f"[name=turned-{piece}]"),
    )


def drag(page: Any, piece: int, by_mm: tuple[float, float]) -> None:
    """Drag a piece by its middle over so many millimetres of the sheet."""
    px_per_mm = page.evaluate("document.getElementById('sheet-picture').getScreenCTM().a")
    box = page.locator(f"#drawn-{piece} rect.sheet-blank").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for share in (0.5, 1.0):
        page.mouse.move(x + by_mm[0] * px_per_mm * share, y + by_mm[1] * px_per_mm * share)
    page.mouse.up()


def test_a_piece_is_dragged_snaps_to_the_edge_and_is_saved(
    open_page: Open, sign_in: Callable[[Any], None], live_server: Any, run: SheetRun
) -> None:
    page = open_page({"width": 1280, "height": 1400})
    sign_in(page)
    page.goto(f"{live_server.url}/workshop/sheet/{run.code}/")
    first, second = run.pieces.order_by("id").values_list("id", flat=True)
    # 50.8 mm to the right would end 0.8 mm from where the sheet ends: it catches the edge
    drag(page, second, (101.0, 250.0))
    x, y, _ = values(page, second)
    assert float(x) == pytest.approx(203.2, abs=0.01)
    assert float(y) == pytest.approx(250, abs=2)
    assert page.text_content("#sheet-told") == "Moved, not saved yet."
    drag(page, second, (-150.0, -240.0))
    assert page.text_content("#sheet-told") == "Pieces 1 and 2 overlap."
    drag(page, second, (100.0, 300.0))
    placed = values(page, second)
    page.click("[data-save]")
    page.wait_for_selector(".notice-good")
    assert values(page, second) == placed
    piece = run.pieces.get(pk=second)
    assert (piece.x_mm, piece.y_mm) == (float(placed[0]), float(placed[1]))
    assert values(page, first) == ("0", "0", False)


def test_a_piece_is_moved_and_turned_by_keys_alone(
    open_page: Open, sign_in: Callable[[Any], None], live_server: Any, run: SheetRun
) -> None:
    page = open_page(DESKTOP)
    sign_in(page)
    page.goto(f"{live_server.url}/workshop/sheet/{run.code}/")
    second = run.pieces.order_by("id")[1].pk
    page.focus(f"#drawn-{second}")
    for key in ("ArrowDown", "Shift+ArrowDown", "Alt+ArrowRight", "ArrowLeft", "r"):
        page.keyboard.press(key)
    assert values(page, second) == ("100.7", "11", True)
    assert run.code in page.url


def test_two_presses_on_the_picture_make_a_stroke_and_keys_move_the_drawing(
    open_page: Open, sign_in: Callable[[Any], None], live_server: Any
) -> None:
    job = factories.make_job(status="received")
    page = open_page({"width": 1280, "height": 1400})
    sign_in(page)
    page.goto(f"{live_server.url}/workshop/job/{job.code}/propose/")
    picture = page.locator("#propose-picture")
    box = picture.bounding_box()
    scale = page.evaluate("document.getElementById('propose-picture').getScreenCTM().a")
    border = (box["width"] - 152.4 * scale) / 2
    for x_mm, y_mm in ((40.0, 76.2), (60.0, 80.0)):
        picture.click(position={"x": border + x_mm * scale, "y": border + y_mm * scale}, force=True)
    got = [
        page.input_value(f"[name=stroke-0-{name}]")
        for name in ("pen", "x1", "y1", "x2", "y2", "width")
    ]
    assert got[0] == "white"
    assert [float(v) for v in got[1:]] == pytest.approx([40, 76.2, 60, 80, 1.5], abs=0.2)
    before = float(page.input_value("[name=x_mm]"))
    page.focus("#propose-picture")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    assert float(page.input_value("[name=x_mm]")) == pytest.approx(before + 11)


def test_keys_find_tick_and_open_and_can_be_turned_off(
    open_page: Open, sign_in: Callable[[Any], None], live_server: Any
) -> None:
    """WCAG 2.2, 2.1.4: keys without a modifier can be turned off."""
    first = factories.make_job(promise_in_days=1)
    factories.make_job(promise_in_days=2)
    page = open_page(DESKTOP)
    sign_in(page)
    page.goto(live_server.url + "/workshop/queue/")
    page.keyboard.press("j")
    page.keyboard.press("Space")
    assert page.is_checked(f"[value='{first.code}.0']")
    assert page.text_content("[data-tick-count]") == "1 of 2 ticked"
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/workshop/job/{first.code}/")
    page.goto(live_server.url + "/workshop/queue/")
    page.uncheck("[data-keys-on]")
    page.locator("h1").click(force=True)
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") != "q"
    page.reload()
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") != "q"
    page.check("[data-keys-on]")
    page.locator("main").focus()
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") == "q"
