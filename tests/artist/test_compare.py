"""Two versions side by side, what differs between them, and the way back to an earlier one."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.test import Client
from PIL import Image

from orders import comparing
from orders.models import Version
from tests import factories

from .conftest import KEY


def png_of(cut: Any) -> ContentFile[bytes]:
    out = BytesIO()
    Image.fromarray(np.where(cut, 0, 255).astype(np.uint8)).save(out, "PNG")
    return ContentFile(out.getvalue())


@pytest.fixture
def two(db: None) -> tuple[Version, Version]:
    """A square moved to the right by half its side, and findings that went, came and stayed."""
    design = factories.make_design(visitor=KEY, title="Tide snail")
    stays = {**factories.THIN_WEB, "id": 2}
    came = {**factories.ISLAND, "key": "island@9.0,9.0"}
    one = factories.make_version(design, status="rejected", findings=[factories.ISLAND, stays])
    other = factories.make_version(design, status="rejected", findings=[came, stays])
    for version, left in ((one, 40), (other, 80)):
        cut = np.zeros((240, 240), bool)
        cut[48:128, left : left + 80] = True
        version.film_picture.save("film.png", png_of(cut))
    return one, other


def test_the_difference_is_exact_and_told_by_shape(two: tuple[Version, Version]) -> None:
    png = comparing.difference_png(*two)
    assert png is not None
    picture = np.asarray(Image.open(BytesIO(png)).convert("RGB"))

    def share(colour: tuple[int, int, int], left: int, right: int) -> float:
        return float((picture[48:128, left:right] == colour).all(axis=2).mean())

    assert picture.shape == (240, 240, 3)
    assert share(comparing.BOTH_CUT, 80, 120) == 1
    assert share(comparing.CUT_NOW, 120, 160) == pytest.approx(0.5, abs=0.01)  # stripes
    assert share(comparing.FILM_NOW, 40, 80) == pytest.approx(0.25, abs=0.05)  # dots
    outside = picture.copy()
    outside[48:128, 40:160] = comparing.FILM
    assert (outside == comparing.FILM).all()


def test_findings_are_sorted_into_gone_new_and_both(two: tuple[Version, Version]) -> None:
    found = comparing.findings_of_both(*two)
    assert [f["key"] for f in found.gone] == [factories.ISLAND["key"]]
    assert [f["key"] for f in found.new] == ["island@9.0,9.0"]
    assert [f["key"] for f in found.both] == [factories.THIN_WEB["key"]]


def test_blanks_of_two_sizes_lie_centred_at_one_scale(visitor: Client) -> None:
    design = factories.make_design(visitor=KEY)
    factories.make_version(design)
    factories.make_version(design, blank_code="4x4in")
    page = visitor.get(f"/drawing/{design.token}/compare/?a=1&b=2").content.decode()
    assert page.count('viewBox="0 0 152.4 152.4"') == 2
    assert 'x="25.4" y="25.4" width="101.6" height="101.6"' in page
    assert "(differs)" in page


def test_the_page_shows_the_latest_beside_the_one_before_by_itself(
    visitor: Client, two: tuple[Version, Version]
) -> None:
    address = f"/drawing/{two[0].design.token}/compare/"
    page = visitor.get(address).content.decode()
    assert "Version 1 beside version 2" in page
    assert "Only in version 1: 1" in page
    assert "Stripes: cut away in version 2, film in version 1" in page
    picture = visitor.get(address + "difference.png?a=1&b=2")
    assert picture.headers["Content-Type"] == "image/png"
    for wrong in ("?a=7", "?a=x", "?a=1&b=99999999999999999999", "?b=-1"):
        assert visitor.get(address + wrong).status_code == 404


def test_a_version_without_a_picture_is_compared_by_its_findings(visitor: Client) -> None:
    design = factories.make_design(visitor=KEY)
    factories.make_version(design, status="unreadable")
    factories.make_version(design)
    page = visitor.get(f"/drawing/{design.token}/compare/").content.decode()
    assert "difference.png" not in page
    address = f"/drawing/{design.token}/compare/difference.png"
    assert visitor.get(address).status_code == 404


def test_going_back_makes_the_same_version_the_latest_once(
    visitor: Client, two: tuple[Version, Version]
) -> None:
    one, other = two
    Version.objects.filter(pk=other.pk).update(recipe={**other.recipe, "turn_deg": 90.0})
    design = one.design
    for _ in range(2):
        response = visitor.post(f"/drawing/{design.token}/back/", {"version": "1"})
        assert response.headers["Location"] == f"/drawing/{design.token}/?v=3"
    assert design.versions.count() == 3
    assert (design.latest.upload_id, design.latest.recipe) == (one.upload_id, one.recipe)
    assert (design.latest.origin, design.latest.status) == ("back", "waiting")


def test_the_latest_itself_and_a_refused_proposal_make_nothing(
    visitor: Client, two: tuple[Version, Version]
) -> None:
    design = two[0].design
    factories.make_version(design, proposal="refused", origin="proposal")
    for number in ("3", "x", ""):
        visitor.post(f"/drawing/{design.token}/back/", {"version": number})
    assert design.versions.count() == 3
    page = visitor.get(f"/drawing/{design.token}/", follow=True).content.decode()
    assert "was not taken, so it stays" in page
