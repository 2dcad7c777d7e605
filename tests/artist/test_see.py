"""A drawing seen before it is cut: which view, which pictures, and where a print leads back to."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.test import Client
from lxml import etree
from PIL import Image
from shapely import Polygon, box

from geometry.stencil import Stencil
from orders import see_pictures
from orders.models import Closer, RoundTrip, Version
from tests import factories

from .conftest import KEY

pytestmark = pytest.mark.django_db
LIFT: dict[str, Any] = {
    "id": 2,
    "key": "lift-40-40",
    "kind": "lift",
    "severity": "warn",
    "at_mm": [40.0, 40.0],
    "outline_mm": [[30, 30], [50, 30], [50, 50], [30, 50]],
    "lift_mm": 4.2,
    "limit_mm": 1.0,
    "message": "This film hangs free.",
    "remedy": "Hold it.",
}


def page(client: Client, version: Version, view: str = "") -> str:
    address = f"/drawing/{version.design.token}/?v={version.number}&view={view}"
    return client.get(address).content.decode()


def ring() -> Stencil:
    """A ring 4 mm wide whose inner disc of 20 x 20 mm falls out, and a plain slot."""
    square = Polygon(box(40, 40, 68, 68).exterior, [box(44, 44, 64, 64).exterior.coords])
    return Stencil((152.4, 152.4), "stencil", (square, box(90, 90, 120, 94)))


def version_of(stencil: Stencil, **values: Any) -> Version:
    version = factories.make_version(visitor=KEY, **values)
    version.stencil.save("s.stencil", ContentFile(stencil.to_bytes()), save=True)
    return version


def closer_of(version: Version, status: str = "done", **values: Any) -> Closer:
    closer, _ = Closer.objects.update_or_create(
        version=version, defaults={"status": status, **values}
    )
    return closer


def svg_area_mm2(data: bytes) -> float:
    """The area of an SVG's one path by the shoelace rule, read without the writer's help."""
    path = etree.fromstring(data).find("{http://www.w3.org/2000/svg}path").get("d")
    total = 0.0
    for ring_data in path.split("M")[1:]:
        start, steps = ring_data.rstrip("z").split("l")
        points = np.cumsum(
            np.array([*map(int, start.split()), *map(int, steps.split())]).reshape(-1, 2), axis=0
        )
        x, y = points.T / 100.0
        total += (
            abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
            / 2
            * (1 if total == 0 else -1)
        )
    return abs(total)


def test_the_tabs_are_plain_links_and_the_view_is_marked(visitor: Client, shop: Any) -> None:
    version = factories.make_version(visitor=KEY)
    for view in ("", "film", "paint", "hold", "drawing"):
        text = page(visitor, version, view)
        assert f'id="see-tab-{view or "found"}"' in text
        assert text.count('aria-current="true"') == 1
    assert "see-tab-changed" not in text
    assert page(visitor, version, "nonsense").count('id="see-tab-found"') == 1


def test_film_and_what_falls_out_are_drawn_apart(visitor: Client) -> None:
    version = version_of(ring())
    film, fallen = see_pictures.film_svg(version), see_pictures.fallen_svg(version)
    assert svg_area_mm2(fallen) == pytest.approx(400, abs=0.1)
    assert svg_area_mm2(film) == pytest.approx(152.4**2 - 28**2 - 30 * 4, abs=0.5)
    root = etree.fromstring(film)
    assert (root.get("width"), root.get("viewBox")) == ("152.4mm", "0 0 15240 15240")


def test_the_film_page_says_what_falls(visitor: Client, shop: Any) -> None:
    falls = version_of(ring(), status="rejected")
    assert "1 part falls out" in page(visitor, falls, "film")
    assert "see-falls" in page(visitor, falls, "film")
    assert "Nothing falls out." in page(visitor, factories.make_version(visitor=KEY), "film")
    mask = factories.make_version(visitor=KEY, mode="mask")
    assert "all of it is yours" in page(visitor, mask, "film")


def test_paint_covers_openings_and_the_place_of_what_fell_out() -> None:
    version = version_of(ring())
    paint = np.asarray(Image.open(BytesIO(see_pictures.paint_png(version, None))), float)
    assert paint.shape == (914, 914)
    px = see_pictures.PAINT_PX_PER_MM

    def at(x: float, y: float) -> float:
        return float(
            paint[round(y * px) - 4 : round(y * px) + 4, round(x * px) - 4 :][:, :8].mean()
        )

    assert at(54, 54) > 150, "the disc fell out: paint"
    assert at(105, 92) > 150, "an opening"
    assert at(20, 20) == 0, "film"


def test_paint_is_softer_where_the_film_lifts() -> None:
    version = version_of(ring())
    field = np.zeros((305, 305), np.uint8)
    field[:, :160] = 200  # 4 mm
    out = BytesIO()
    Image.fromarray(field).save(out, "PNG")
    closer = closer_of(version)
    closer.lift_field.save("f.png", ContentFile(out.getvalue()), save=True)
    paint = np.asarray(Image.open(BytesIO(see_pictures.paint_png(version, closer))), float)
    flat = np.asarray(Image.open(BytesIO(see_pictures.paint_png(version, None))), float)
    px = see_pictures.PAINT_PX_PER_MM
    row, left, right = round(54 * px), round(38.5 * px), round(122 * px)
    assert paint[row, left] > 10 > flat[row, left], "creeps 1.5 mm under film that lifts"
    assert paint[round(92 * px), right] == flat[round(92 * px), right], "not where it lies flat"


def test_hold_tells_in_words_and_never_in_mm(visitor: Client, shop: Any) -> None:
    version = factories.make_version(visitor=KEY)
    closer_of(version, findings=[LIFT, {**LIFT, "id": 3, "lift_mm": 1.5, "at_mm": [90, 110]}])
    text = page(visitor, version, "hold")
    assert "<b>hangs free</b> near the top left" in text
    assert "<b>may lift</b> near the bottom" in text
    shown = text[text.index('id="see-hold"') : text.index('class="see-more')]
    assert "4.2" not in shown
    assert " mm" not in shown


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("waiting", "being worked out"),
        ("working", "being worked out"),
        ("failed", "could not be worked out this time"),
        ("done", "All of it sits flat"),
        (None, "has not been worked out for this version"),
    ],
)
def test_hold_says_how_far_it_is(
    visitor: Client, shop: Any, status: str | None, words: str
) -> None:
    version = factories.make_version(visitor=KEY)
    if status:
        closer_of(version, status)
    text = page(visitor, version, "hold")
    assert words in text
    state = visitor.get(f"/drawing/{version.design.token}/hold/?v=1")
    is_waiting = status in ("waiting", "working")
    assert ("hx-trigger" in text.split('id="see-hold"')[1][:300]) is is_waiting
    assert state.status_code == (204 if is_waiting else 286)


def test_pictures_are_private_and_harmless(visitor: Client, stranger: Client) -> None:
    version = version_of(ring())
    address = f"/drawing/{version.design.token}/v1/see/"
    for name, kind in (
        ("film", "image/svg+xml"),
        ("fallen", "image/svg+xml"),
        ("openings", "image/svg+xml"),
        ("paint", "image/png"),
    ):
        for _ in range(2):  # made, then kept
            response = visitor.get(address + name)
            assert (response.status_code, response["Content-Type"]) == (200, kind)
            assert "sandbox" in response["Content-Security-Policy"]
            assert "private" in response["Cache-Control"]
        assert stranger.get(address + name).status_code == 404
    assert visitor.get(address + "other").status_code == 404
    unreadable = factories.make_version(visitor=KEY, status="unreadable")
    assert visitor.get(f"/drawing/{unreadable.design.token}/v1/see/film").status_code == 404


def test_the_proof_is_a_pdf_of_this_version(visitor: Client, shop: Any) -> None:
    version = version_of(ring())
    address = f"/drawing/{version.design.token}/v1/proof-"
    for paper in ("letter", "a4"):
        response = visitor.get(f"{address}{paper}.pdf")
        assert response["Content-Type"] == "application/pdf"
        assert response.content.startswith(b"%PDF")
    assert visitor.get(f"{address}a2.pdf").status_code == 404
    assert f"{address}letter.pdf" in page(visitor, version)


def test_what_changed_on_paper_is_shown_with_its_tolerance(visitor: Client, shop: Any) -> None:
    first = version_of(ring())
    back = factories.make_version(first.design, origin="proof")
    place = {
        "number": 1,
        "pen": "white",
        "at_mm": [42.0, 54.0],
        "area_mm2": 8.0,
        "outlines_mm": [[[40, 53], [44, 53], [44, 55], [40, 55]]],
        "told": "White added across the line, near the left.",
    }
    changes = {"tolerance_mm": 0.45, "left_out": 0, "places": [place]}
    RoundTrip.objects.create(version=back, printed=first, changes=changes)
    text = page(visitor, back, "changed")
    assert "White added across the line, near the left." in text
    assert "0.45 mm" in text
    assert "see-change-white" in text
    assert "1 place changed" in page(visitor, back)


def test_the_address_of_a_picture_that_went_over_leads_on(
    visitor: Client, stranger: Client, shop: Any
) -> None:
    first = version_of(ring())
    back = factories.make_version(first.design, origin="proof")
    RoundTrip.objects.create(version=back, printed=first, first_token="gone-elsewhere-1234567")
    address = "/drawing/gone-elsewhere-1234567/"
    target = f"/drawing/{first.design.token}/?v=2"
    response = visitor.get(address)
    assert (response.status_code, response["Location"]) == (302, target)
    polled = visitor.get(f"{address}state/?v=1&seen=x", headers={"HX-Request": "true"})
    assert polled["HX-Redirect"] == target
    assert stranger.get(address).status_code == 404
    assert visitor.get("/drawing/never-was/").status_code == 404
