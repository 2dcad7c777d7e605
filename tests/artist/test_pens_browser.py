"""The pens in a real browser: by mouse, finger and keys, exact to the tenth of a millimetre."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from PIL import Image

from geometry.recipe import Recipe
from orders import editing, prepared
from orders.models import Upload, Version, Working
from tests import factories
from tests.artist.conftest import KEY
from tests.conftest import DESKTOP, PHONE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SIDE_MM = 152.4
KEPT = "Everything is kept."
UNSENT = "Not sent yet: no connection. It is tried again by itself."


@pytest.fixture(autouse=True)
def _own_prepared(settings: Any, tmp_path: Path) -> Iterator[None]:
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    prepared._held.clear()
    yield
    prepared._held.clear()


@pytest.fixture
def version() -> Version:
    """One ring, radii 33.0 to 45.7 mm about the middle of 6 x 6 in: its inside falls out."""
    design = factories.make_design(visitor=KEY, title="Ring buoy")
    data = factories.picture_png(1440)
    upload = Upload(design=design, name="ring.png", sha256=sha256(data).hexdigest(), size_bytes=1)
    upload.file.save("upload", ContentFile(data), save=False)
    upload.save()
    return factories.make_version(design, status="rejected")


@pytest.fixture
def pens(
    version: Version, open_page: Callable[..., Any], live_server: Any, visitor: Any
) -> Callable[..., Any]:
    """Give a function that opens the pens' page as the artist and waits until all is kept."""

    def open_one(size: dict[str, int] = DESKTOP, **options: Any) -> Any:
        page = open_page(size, **options)
        cookie = {"name": "sessionid", "value": visitor.cookies["sessionid"].value}
        page.context.add_cookies([cookie | {"url": live_server.url}])
        page.goto(live_server.url + reverse("drawing-pens", args=[version.design.token]))
        kept(page)
        return page

    return open_one


def kept(page: Any, words: str = KEPT) -> None:
    page.locator("#pens-kept").get_by_text(words, exact=True).wait_for()


def screen(page: Any, x: float, y: float) -> tuple[float, float]:
    """Where a point of the blank lies on the screen, by the board's own matrix."""
    page.locator("#pens-board").scroll_into_view_if_needed()
    at = page.evaluate(
        """([x, y]) => {
            const board = document.getElementById("pens-board");
            const p = new DOMPoint(x, y).matrixTransform(board.getScreenCTM());
            return [p.x, p.y];
        }""",
        [x, y],
    )
    return at[0], at[1]


def drag(page: Any, *points: tuple[float, float]) -> None:
    """Drag by the mouse through points of the blank, mm."""
    on_screen = [screen(page, *point) for point in points]
    page.mouse.move(*on_screen[0])
    page.mouse.down()
    for at in on_screen[1:]:
        page.mouse.move(*at, steps=6)
    page.mouse.up()


def strokes(version: Version) -> list[dict[str, Any]]:
    return list(editing.working_of(version).strokes)


def near(points: Any, wanted: Any, within_mm: float = 0.15) -> bool:
    """Pixels of the screen are 0.26 mm wide on the board, and the mouse stands between them."""
    return all(
        abs(value - want) <= within_mm
        for point, ideal in zip(points, wanted, strict=True)
        for value, want in zip(point, ideal, strict=True)
    )


def test_by_mouse_a_rough_stroke_becomes_a_square_bridge(version: Version, pens: Any) -> None:
    page = pens()
    assert page.locator("#pens-said").inner_text().startswith("1 thing to mend; 1: The inside")
    drag(page, (74, 25), (80, 50))
    kept(page)
    (one,) = strokes(version)
    (x0, y0), (x1, y1) = one["points_mm"]
    assert abs((x1 - x0) / (y1 - y0)) < 0.03  # it stands on the ring, upright at its top
    assert y0 < 76.2 - 45.7 < 76.2 - 33.0 < y1
    drag(page, (78, 102), (74, 128))
    kept(page)
    page.get_by_text("Nothing has to be mended: it will hold.").wait_for()
    assert editing.look(version, strokes(version)).verdict == "passed"
    assert page.locator("#pens-findings li").count() == 0


def test_by_mouse_without_snapping_a_line_lies_where_it_was_drawn(
    version: Version, pens: Any
) -> None:
    page = pens()
    page.get_by_label("Black pen").check()
    page.locator("#pens-width").fill("1/8 in")
    page.locator("#pens-width").press("Enter")
    drag(page, (20, 20), (20, 120), (40, 140))
    kept(page)
    (one,) = strokes(version)
    assert one["pen"] == "black"
    assert one["width_mm"] == 3.18  # 25.4 / 8, to 0.01
    assert near([one["points_mm"][0], one["points_mm"][-1]], [(20, 20), (40, 140)])
    assert any(near([point], [(20, 120)], 0.5) for point in one["points_mm"])


def test_a_chosen_stroke_is_moved_by_dragging_and_turned_by_its_end(
    version: Version, pens: Any
) -> None:
    page = pens()
    page.get_by_label("Straight across the line").uncheck()
    drag(page, (20, 20), (40, 20))
    kept(page)
    page.get_by_label("Move").check()
    drag(page, (30, 20), (45, 60))
    kept(page)
    (one,) = strokes(version)
    assert near([one["points_mm"][0], one["points_mm"][-1]], [(35, 60), (55, 60)], 0.3)
    drag(page, (55, 60), (35, 90))
    kept(page)
    (one,) = strokes(version)
    assert near([one["points_mm"][0], one["points_mm"][-1]], [(35, 60), (35, 90)], 0.3)
    page.get_by_role("button", name="Take it away").click()
    kept(page)
    assert strokes(version) == []
    page.get_by_role("button", name="Undo").click()
    kept(page)
    assert len(strokes(version)) == 1


def test_all_by_keyboard(version: Version, pens: Any) -> None:
    page = pens()
    page.locator("#pens-board").focus()
    keys = page.keyboard
    keys.press("ArrowRight")  # the cursor shows, at the middle of the board
    for _ in range(4):
        keys.press("Shift+ArrowUp")
    keys.press("ArrowUp")
    keys.press("Alt+ArrowUp")
    keys.press("Enter")
    for _ in range(2):
        keys.press("Shift+ArrowUp")
    keys.press("Enter")
    kept(page)
    (one,) = strokes(version)
    # from (76, 34.9) to (76, 14.9), laid across the ring's top, whose inner edge is at 43.2
    assert near([[point[0]] for point in one["points_mm"]], [[76], [76]], 0.6)
    keys.press("Control+z")
    kept(page)
    assert strokes(version) == []
    keys.press("Control+Shift+Z")
    kept(page)
    (again,) = strokes(version)
    keys.press("n")
    assert page.locator("#pens-chosen-name").inner_text() == "Stroke 1 of 1, white pen"
    keys.press("Shift+ArrowRight")
    keys.press("ArrowRight")
    keys.press("Alt+ArrowLeft")
    keys.press(".")
    kept(page)
    (moved,) = strokes(version)
    shifted = [[x + 10.9, y] for x, y in again["points_mm"]]
    assert near(moved["points_mm"], shifted, 0.002)
    assert moved["width_mm"] == 1.6
    keys.press("]")
    kept(page)
    keys.press("Delete")
    kept(page)
    assert strokes(version) == []
    keys.press("b")
    assert page.get_by_label("Black pen").is_checked()


def test_by_finger_on_a_phone_and_two_fingers_zoom(version: Version, pens: Any) -> None:
    page = pens(PHONE, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    touch = page.context.new_cdp_session(page)

    def send(kind: str, *points: tuple[float, float]) -> None:
        at = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    start, end = screen(page, 75, 26), screen(page, 78, 48)
    send("touchStart", start)
    for share in (0.25, 0.5, 0.75, 1):
        send("touchMove", tuple(a + (b - a) * share for a, b in zip(start, end, strict=True)))
    send("touchEnd")
    kept(page)
    page.locator("#pens-chosen").wait_for()
    (one,) = strokes(version)
    assert one["points_mm"][0][1] < 30.5
    assert one["points_mm"][1][1] > 43.2
    one_px = screen(page, 60, 60)
    middle = screen(page, 76.2, 76.2)
    send("touchStart", (middle[0] - 30, middle[1]), (middle[0] + 30, middle[1]))
    send("touchMove", (middle[0] - 45, middle[1]), (middle[0] + 45, middle[1]))
    send("touchMove", (middle[0] - 60, middle[1]), (middle[0] + 60, middle[1]))
    send("touchEnd")
    view = [float(value) for value in page.get_attribute("#pens-board", "viewBox").split()]
    assert view[2] == pytest.approx(SIDE_MM / 2, rel=0.02)
    assert screen(page, 76.2, 76.2) == pytest.approx(middle, abs=2)
    assert screen(page, 60, 60) != pytest.approx(one_px, abs=2)
    assert len(strokes(version)) == 1  # no stroke came of the pinch


def test_reload_in_mid_edit_and_a_bad_connection_lose_nothing(version: Version, pens: Any) -> None:
    page = pens()
    page.route("**/pens/strokes/**", lambda route: route.abort())
    drag(page, (74, 25), (78, 50))
    kept(page, UNSENT)
    drag(page, (74, 104), (78, 126))
    assert not Working.objects.exists()
    page.reload()  # still cut off: both are shown, none is kept
    kept(page, UNSENT)
    assert page.locator("#pens-strokes path").count() == 2
    page.unroute("**/pens/strokes/**")
    kept(page)
    assert len(strokes(version)) == 2
    page.reload()
    kept(page)
    assert page.locator("#pens-strokes path").count() == 2
    assert page.evaluate("Object.keys(localStorage).length") == 0


def test_offline_and_back_and_an_answer_that_is_lost(version: Version, pens: Any) -> None:
    page = pens()
    page.context.set_offline(True)
    drag(page, (74, 25), (78, 50))
    kept(page, UNSENT)
    page.context.set_offline(False)
    kept(page)
    assert len(strokes(version)) == 1
    lost: list[str] = []

    def lose_first_answer(route: Any) -> None:
        if lost:
            route.continue_()
            return
        lost.append(route.request.url)
        route.fetch()  # the server has it, the browser never hears of it
        route.abort()

    page.route("**/pens/strokes/**", lose_first_answer)
    drag(page, (74, 104), (78, 126))
    kept(page)
    assert lost
    assert len(strokes(version)) == 2


def test_two_windows_draw_and_both_keep_all(version: Version, pens: Any) -> None:
    one, other = pens(), pens()
    drag(one, (74, 25), (78, 50))
    kept(one)
    drag(other, (74, 104), (78, 126))
    kept(other)
    assert other.locator("#pens-strokes path").count() == 2
    drag(one, (24, 74), (50, 78))
    kept(one)
    assert one.locator("#pens-strokes path").count() == 3
    assert len(strokes(version)) == 3


def test_bridges_are_proposed_put_in_and_saved_as_a_version(
    version: Version, pens: Any, live_server: Any
) -> None:
    page = pens()
    page.get_by_role("button", name="Propose bridges").click()
    page.locator(".pens-bridges li").first.wait_for()
    count = page.locator(".pens-bridges li").count()
    assert page.locator(".pens-strip").count() == count
    before = page.locator(".pens-strip").first.get_attribute("d")
    page.get_by_role("button", name="Other place for bridge 1").click()
    assert page.locator(".pens-strip").first.get_attribute("d") != before
    page.locator(".pens-bridges .link").first.click()
    page.locator("#pens-board").focus()
    page.keyboard.press("Alt+ArrowRight")  # moved by the artist: kept when proposing again
    page.get_by_text("Bridge 1: kept where you put it").wait_for()
    at = page.locator(".pens-strip").first.get_attribute("d")
    page.get_by_role("button", name="Propose bridges").click()
    page.get_by_text("With all of them it will hold.").wait_for()
    assert page.locator(".pens-strip").first.get_attribute("d") == at
    page.get_by_role("button", name="Put in bridge 1").click()
    kept(page)
    assert len(strokes(version)) == 1
    page.get_by_role("button", name="Put all in").click()
    kept(page)
    page.get_by_text("Nothing has to be mended: it will hold.").wait_for()
    page.get_by_role("button", name="Save as the next version").dblclick()
    page.wait_for_url("**/?v=2")
    assert version.design.versions.count() == 2
    made = version.design.versions.get(number=2)
    origins = [one.origin for one in Recipe.from_json(made.recipe).strokes]
    assert origins[0] == "hand"
    assert set(origins[1:]) <= {"proposal"}


def test_picking_a_finding_zooms_there(version: Version, pens: Any) -> None:
    page = pens()
    page.get_by_role("button", name="1 · must be mended:").click()
    x, y, width, height = (
        float(value) for value in page.get_attribute("#pens-board", "viewBox").split()
    )
    assert width < SIDE_MM
    finding = editing.look(version, []).findings[0]
    assert x <= finding.at_mm[0] <= x + width
    assert y <= finding.at_mm[1] <= y + height
    page.get_by_role("button", name="Whole").click()
    assert page.get_attribute("#pens-board", "viewBox") == f"0 0 {SIDE_MM} {SIDE_MM}"


def black_and_white(png: bytes | None, size: tuple[int, int] | None = None) -> Any:
    """A picture as 1 for film and 0 for openings, at a size of pixels."""
    assert png is not None
    picture = Image.open(io.BytesIO(png)).convert("L")
    return (np.asarray(picture.resize(size) if size else picture) > 128).astype(np.uint8)


def test_the_drawn_board_is_what_the_check_would_cut(version: Version, pens: Any) -> None:
    """Film and openings on the screen against the check's own picture of the same strokes."""
    page = pens()
    drag(page, (74, 25), (78, 50))
    kept(page)
    page.get_by_label("Black pen").check()
    drag(page, (20, 20), (130, 20))
    kept(page)
    page.evaluate("document.activeElement.blur()")
    page.locator("#pens-over, #pens-marks").evaluate_all(
        "all => all.forEach((one) => one.remove())"
    )
    shot = page.locator("#pens-board").screenshot()
    drawn = black_and_white(shot)
    size = drawn.shape[::-1]
    wanted = black_and_white(editing.look(version, strokes(version)).film_png, size)
    film_without = black_and_white(editing.look(version, []).film_png, size)
    # the screen's pixels (0.26 mm) may lie half a pixel off the picture's: edges may differ by one
    core = np.ones((3, 3), np.uint8)
    grown, shrunk = cv2.dilate(wanted, core), cv2.erode(wanted, core)
    differs = (drawn != wanted) & (grown == shrunk)
    # the outermost pixels are the board's border, and the tracer rounds a bridge's eight corners
    assert differs[2:-2, 2:-2].sum() <= 24
    assert (drawn != film_without).mean() > 0.005  # the strokes are on it


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_no_state_breaches_the_rules_of_access(
    version: Version,
    pens: Any,
    faults_everywhere: Callable[..., list[str]],
    size: dict[str, int],
) -> None:
    def breaches(page: Any) -> list[str]:
        return faults_everywhere(page, (size,))

    page = pens(size)
    assert breaches(page) == []
    page.locator(".pens-keys summary").click()
    page.get_by_label("Millimetres and margin").check()
    drag(page, (74, 25), (78, 50))
    kept(page)
    page.locator("#pens-chosen").wait_for()
    page.locator("#pens-discard summary").click()
    page.get_by_role("button", name="Propose bridges").click()
    page.locator(".pens-bridges li").first.wait_for()
    assert breaches(page) == []
    page.route("**/pens/**", lambda route: route.abort())
    page.get_by_role("button", name="Propose bridges").click()
    page.get_by_text("That did not get through").wait_for()
    page.get_by_role("button", name="Undo").click()
    kept(page, UNSENT)
    assert breaches(page) == []


def test_a_session_that_ran_out_is_told_and_loses_nothing(version: Version, pens: Any) -> None:
    page = pens()
    page.context.clear_cookies()
    drag(page, (74, 25), (78, 50))
    kept(page, "This page is out of date. Load it again; nothing is lost.")
    assert page.evaluate("Object.keys(localStorage).length") == 1


def test_with_scripts_off_the_other_ways_are_offered(
    version: Version, open_page: Callable[..., Any], live_server: Any, visitor: Any
) -> None:
    page = open_page(PHONE, java_script_enabled=False)
    cookie = {"name": "sessionid", "value": visitor.cookies["sessionid"].value}
    page.context.add_cookies([cookie | {"url": live_server.url}])
    page.goto(live_server.url + reverse("drawing-pens", args=[version.design.token]))
    assert not page.locator("#pens").is_visible()
    page.get_by_role("button", name="Put in the proposed bridges").click()
    page.wait_for_url("**/?v=2")
    assert version.design.versions.get(number=2).recipe["strokes"]
