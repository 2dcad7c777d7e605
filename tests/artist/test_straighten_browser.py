"""Straighten, place, size by finger, mouse, keys and numbers; the figures are exact."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable
from io import BytesIO
from typing import Any

import cv2
import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from orders.checking import look_at
from orders.drawings import receive_drawing
from orders.models import Version
from tests.conftest import DESKTOP, PHONE
from tests.geometry.photographs import Scene, photograph

from .conftest import KEY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Open = Callable[..., Any]
PAPER_MM = (152.4, 152.4)
NAMES = [f"{corner}_{axis}" for corner in ("tl", "tr", "br", "bl") for axis in "xy"]


def drawn() -> Any:
    """Paper of 10 px per mm: two solid bars of ink, and a line of pencil."""
    paper = np.full((1524, 1524), 250, np.uint8)
    cv2.line(paper, (350, 500), (1150, 500), 15, 60)
    cv2.line(paper, (350, 1100), (1150, 1100), 15, 60)
    cv2.line(paper, (350, 800), (1150, 800), 175, 24)
    return paper


def make(picture: Any, corners: Any = None) -> Version:
    out = BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    file = SimpleUploadedFile("slip.png", out.getvalue())
    version = receive_drawing(file, visitor=KEY, owner=None, blank_code="6x6in", paper_mm=PAPER_MM)
    if corners is not None:
        version.recipe["corners_px"] = np.round(corners, 1).tolist()
        version.save()
    return look(version)


def look(version: Version) -> Version:
    assert look_at(version.pk)
    version.refresh_from_db()
    return version


@pytest.fixture
def slanted() -> tuple[Any, Any]:
    """A photograph at a slant, and the paper's true corners."""
    return photograph(drawn(), PAPER_MM, Scene(tilt_deg=16, turn_deg=5, size_px=(1600, 1200)))


@pytest.fixture
def open_straighten(open_page: Open, live_server: Any, visitor: Client) -> Callable[..., Any]:
    """Give a function that opens the page of a version, ready to be worked on."""

    def open_one(version: Version, size: dict[str, int] = DESKTOP, **options: Any) -> Any:
        page = open_page(size, **options)
        value = visitor.cookies["sessionid"].value
        page.context.add_cookies([{"name": "sessionid", "value": value, "url": live_server.url}])
        page.goto(f"{live_server.url}/drawing/{version.design.token}/straighten/")
        page.locator("#straighten[data-ready]").wait_for()
        page.locator("#place-ink[href]").wait_for(state="attached")
        return page

    return open_one


def corners_of(page: Any) -> Any:
    return np.array([float(page.locator(f"[name={name}]").input_value()) for name in NAMES])


def middle(page: Any, selector: str) -> tuple[float, float]:
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def unit_px(page: Any, selector: str) -> float:
    """How many CSS px one unit of a drawing's frame takes."""
    return float(page.evaluate(f"document.querySelector('{selector}').getScreenCTM().a"))


def by_mouse(page: Any, start: tuple[float, float], way: Any) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(start[0] + way[0] / 2, start[1] + way[1] / 2)
    page.mouse.move(start[0] + way[0], start[1] + way[1])
    page.mouse.up()


def by_finger(page: Any, start: tuple[float, float], way: Any) -> None:
    send = page.context.new_cdp_session(page).send
    for kind, share in (("touchStart", 0), ("touchMove", 0.5), ("touchMove", 1)):
        point = {"x": start[0] + share * way[0], "y": start[1] + share * way[1]}
        send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
    send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


@pytest.mark.parametrize(
    ("size", "drag", "options"),
    [(DESKTOP, by_mouse, {}), (PHONE, by_finger, {"has_touch": True, "is_mobile": True})],
    ids=["mouse", "finger"],
)
def test_wrong_corners_are_dragged_right_and_the_verdict_follows(
    open_straighten: Any, slanted: Any, size: Any, drag: Any, options: Any
) -> None:
    picture, true = slanted
    wrong = np.add(true, [(60, 70), (0, 0), (0, 0), (0, 0)])
    version = make(picture, wrong)
    page = open_straighten(version, size, **options)
    page.locator("#corner-tl").scroll_into_view_if_needed()
    scale = unit_px(page, "#corner-view")
    page.locator("#corner-tl").evaluate(
        "handle => scrollTo(0, handle.getBoundingClientRect().y + scrollY - 300)"
    )
    way_px = np.round(np.array([-60, -70]) * scale)
    drag(page, middle(page, "#corner-tl"), way_px)
    moved = corners_of(page)
    assert moved[:2] == pytest.approx(np.round(wrong[0], 1) + way_px / scale, abs=0.11)
    assert moved[2:] == pytest.approx(np.round(wrong[1:], 1).ravel(), abs=0.01)
    assert page.locator("#loupe").is_visible()
    # the rest of the way by keys, one dot each
    page.locator("#corner-tl").focus()
    left = np.round(true[0] - moved[:2]).astype(int)
    for axis, keys in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
        for _ in range(abs(left[axis])):
            page.keyboard.press(keys[int(left[axis] > 0)])
    assert corners_of(page)[:2] == pytest.approx(moved[:2] + left, abs=0.001)
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowLeft")
    assert corners_of(page)[:2] == pytest.approx(moved[:2] + left, abs=0.001)
    typed = corners_of(page)
    page.get_by_role("button", name="Save as version 2").click()
    page.get_by_text("Looking at").wait_for()
    made = look(version.design.latest)
    assert np.array(made.report["page"]["corners_px"]).ravel() == pytest.approx(typed, abs=0.01)
    assert (made.origin, made.report["page"]["found"]) == ("straight", "given")
    page.get_by_role("heading", name="It will hold").wait_for()
    assert np.abs(typed.reshape(4, 2) - true).max() < 1


def test_corners_given_up_are_found_again_and_all_keys_reach_everything(
    open_straighten: Any, slanted: Any
) -> None:
    picture, true = slanted
    page = open_straighten(make(picture, np.add(true, [(40, 40), (0, 0), (0, 0), (0, 0)])))
    page.get_by_role("button", name="Find the corners again").click()
    page.get_by_text("Found by the edges of the paper").wait_for()
    assert page.locator("[name=tl_x]").input_value() == ""
    valued = page.locator("#corner-tl").get_attribute("aria-valuetext")
    across, down = (float(words.split()[0]) for words in valued.split(", "))
    assert (across, down) == pytest.approx(tuple(true[0]), abs=1)
    stage = page.locator("#place-view")
    stage.focus()
    before = [
        float(page.locator(f"[name={n}]").get_attribute("placeholder")) for n in ("x_mm", "y_mm")
    ]
    for key in ("ArrowRight", "Shift+ArrowDown", "ArrowLeft", "Alt+ArrowUp"):
        page.keyboard.press(key)
    after = [float(page.locator(f"[name={n}]").input_value()) for n in ("x_mm", "y_mm")]
    assert after == pytest.approx([before[0], before[1] + 9.9], abs=0.006)


def test_a_drawing_dragged_by_mouse_lies_exactly_where_it_was_let_go(
    open_straighten: Any,
) -> None:
    version = make(drawn())
    page = open_straighten(version)
    stage = page.locator("#place-view")
    stage.scroll_into_view_if_needed()
    usual = [
        float(page.locator(f"[name={n}]").get_attribute("placeholder")) for n in ("x_mm", "y_mm")
    ]
    scale = unit_px(page, "#place-view")
    by_mouse(page, middle(page, "#place-view"), (50, -30))
    place = [float(page.locator(f"[name={n}]").input_value()) for n in ("x_mm", "y_mm")]
    assert place == pytest.approx([usual[0] + 50 / scale, usual[1] - 30 / scale], abs=0.06)
    page.locator("[name=x_mm]").fill("140")
    assert "leaves the stencil" in page.locator("#place-told").inner_text()
    assert page.locator("#place-told").get_attribute("data-state") == "leaves"
    page.get_by_role("button", name="Turn by a quarter").click()
    page.get_by_role("button", name="As large as the margin allows").click()
    page.locator("#place-told[data-state=keeps]").wait_for()
    told = page.locator("#size-told").inner_text()
    assert "× 132.4 mm" in told  # 152.4 less two margins of 10
    assert "(3 11/16 in × 5 7/32 in)" in told or "× 5 7/32 in" in told
    percent = float(page.locator("[name=scale_percent]").input_value())
    assert percent == pytest.approx(100 * 132.4 / 86, abs=0.3)  # bars of 86 mm with round ends
    page.get_by_role("button", name="Save as version 2").click()
    page.get_by_text("Looking at").wait_for()
    made = look(version.design.latest)
    assert made.recipe["turn_deg"] == 90
    assert [f for f in made.findings if f["kind"] in ("margin", "leaves-blank")] == []
    page.get_by_role("heading", name="It will hold").wait_for()


def test_the_ink_slide_lets_pencil_in_as_the_check_does(open_straighten: Any) -> None:
    version = make(drawn())
    page = open_straighten(version)
    slide = page.locator("#ink-slide")
    assert page.get_by_label("Automatic").is_checked()
    for level in (50, 85):
        slide.fill(str(level))
        page.get_by_text(f"{level} % of the way").wait_for()
        shown = page.evaluate("document.getElementById('ink-view').toDataURL()")
        seen = np.asarray(Image.open(BytesIO(base64.b64decode(shown.split(",")[1]))).convert("L"))
        black = seen < 60
        page.get_by_role("button", name="Save as version").click()
        page.get_by_text("Looking at").wait_for()
        made = look(version.design.latest)
        assert made.recipe["ink_level"] == level / 100
        with made.film_picture.open() as stored:
            film = Image.open(stored).convert("L").resize(seen.shape[::-1], Image.Resampling.BOX)
        cut = np.asarray(film) < 128
        assert np.count_nonzero(black != cut) <= 0.002 * black.size
        assert cut[577, 541] == black[577, 541] == (level == 85)  # the pencil, 80 mm down
        page.goto(page.url.split("?")[0] + "straighten/")
        page.locator("#place-ink[href]").wait_for(state="attached")
    page.get_by_label("Automatic").check()
    assert page.locator("[name=ink_percent]").input_value() == ""


def test_the_script_bends_points_as_opencv_does(open_straighten: Any) -> None:
    """cv2.getPerspectiveTransform and Placement on the same numbers."""
    from geometry.placing import largest
    from geometry.recipe import Placement

    page = open_straighten(make(drawn()))
    random = np.random.default_rng(7)
    square = np.array([(0, 0), (300, 0), (300, 200), (0, 200)], float) - 0.5
    for _ in range(10):
        bent = square * 4 + random.uniform(-60, 60, (4, 2))
        points = random.uniform(0, 200, (5, 2))
        matrix = cv2.getPerspectiveTransform(square.astype(np.float32), bent.astype(np.float32))
        known = cv2.perspectiveTransform(points[None], matrix)[0]
        own = page.evaluate(
            """([from, to, points]) => {
                const {homography, through} = window.HoldfastStraighten;
                return points.map((point) => through(homography(from, to), point));
            }""",
            [square.tolist(), bent.tolist(), points.tolist()],
        )
        assert np.array(own) == pytest.approx(known, abs=1e-3)
    turn_deg, hull = 33.0, random.uniform(0, 60, (9, 2))
    scale, place_mm = largest(hull, (30, 20), turn_deg, PAPER_MM, 10)
    placement = Placement.about((30, 20), place_mm, scale=scale, turn_deg=turn_deg)
    lies = page.evaluate(
        """([hull, at]) => {
            const {placed, extent} = window.HoldfastStraighten;
            return extent(hull.map((point) => placed(point, at)));
        }""",
        [hull.tolist(), {"centre": [30, 20], "place": place_mm, "scale": scale, "turn": turn_deg}],
    )
    known = placement.to_blank(hull)
    assert lies == pytest.approx([*known.min(axis=0), *known.max(axis=0)], abs=1e-9)
    room = min(lies[0], lies[1], 152.4 - lies[2], 152.4 - lies[3])
    assert 10 <= room <= 10.02
    words = [page.evaluate("mm => HoldfastStraighten.inches(mm)", mm) for mm in (25.4, 132.4, 3.2)]
    assert words == ["1 in", "5 7/32 in", "1/8 in"]


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_page_hardly_shifts(open_straighten: Any, size: dict[str, int]) -> None:
    page = open_straighten(make(drawn()), size)
    shift = page.evaluate(
        """() => new Promise((done) => {
            let sum = 0;
            new PerformanceObserver((list) => list.getEntries().forEach((e) => (sum += e.value)))
                .observe({type: "layout-shift", buffered: true});
            setTimeout(() => done(sum), 300);
        })"""
    )
    assert shift < 0.1  # the bound of "good" in Web Vitals


def test_the_pages_keep_wcag_and_fit_their_width(
    open_straighten: Any, faults_everywhere: Callable[[Any], list[str]]
) -> None:
    version = make(drawn())
    version.pk, version.number = None, 2
    version.save()
    page = open_straighten(version, PHONE)
    for details in page.locator("details").all():
        details.evaluate("part => { part.open = true; }")
    faults = []
    for address in ("", "compare/?a=1&b=2", "?v=1"):
        if address:
            page.goto(page.url.split("/drawing/")[0] + f"/drawing/{version.design.token}/{address}")
        faults += faults_everywhere(page)
        assert page.locator("h1").count() == 1
    assert faults == []


def test_with_scripts_off_numbers_do(
    open_page: Open, live_server: Any, visitor: Client, slanted: Any
) -> None:
    picture, true = slanted
    version = make(picture, np.add(true, [(60, 70), (0, 0), (0, 0), (0, 0)]))
    page = open_page(PHONE, java_script_enabled=False)
    value = visitor.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": value, "url": live_server.url}])
    page.goto(f"{live_server.url}/drawing/{version.design.token}/straighten/")
    page.get_by_text("Type the corners").click()
    page.get_by_label("Top left, across").fill(f"{true[0][0]:.1f}")
    page.get_by_label("Top left, down").fill(f"{true[0][1]:.1f}")
    page.get_by_label("Ink level, %").fill("52")
    page.get_by_role("button", name="As large as the margin allows").click()
    assert math.isfinite(float(page.get_by_label("Scale, %").input_value()))
    page.get_by_role("button", name="Save as version 2").click()
    page.wait_for_url("**?v=2")
    made = look(version.design.latest)
    assert (made.status, made.recipe["ink_level"]) == ("passed", 0.52)
    assert made.recipe["corners_px"][0] == pytest.approx(np.round(true[0], 1).tolist())
