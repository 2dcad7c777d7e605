"""A film's kerf and webs measured on a test piece, and the limits that follow."""

import pytest
from django.urls import reverse

from geometry.limits import Limits
from orders.models import Film, KerfTest, limits_of_shop
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

# By hand: each slot 0.2 wider than drawn, each web 0.2 narrower; W3 (0.6) gave way.
WIDTHS = {"S6": "1.2", "S8": "2.2", "W8": "1.3", "W9": "1.8"}
WHOLE = {f"whole-W{n}": "on" for n in range(4, 11)}


def test_widths_make_limits_that_new_drawings_are_judged_by(bench: Bench) -> None:
    film = factories.make_film()
    assert limits_of_shop("6x6in").web_mm == Limits().web_mm
    bench.press("workshop-kerf", film.code, **WIDTHS, **WHOLE)
    test = KerfTest.objects.get()
    assert (test.kerf_mm, test.web_mm) == (pytest.approx(0.2), pytest.approx(0.5))
    assert limits_of_shop("6x6in").kerf_mm == Limits().kerf_mm  # told, and not yet set
    assert "Next: set the film’s limits" in bench.see("workshop-kerf", film.code)
    bench.press("workshop-kerf-apply", film.code, kerf_mm="0.2", web_mm="0.6", bridge_mm="0.7")
    limits = limits_of_shop("6x6in")
    assert (limits.kerf_mm, limits.web_mm, limits.bridge_mm) == (0.2, 0.6, 0.7)
    test.refresh_from_db()
    assert test.applied_by is not None
    assert test.applied_at is not None
    assert "Ebb Harbourside" in bench.see("workshop-kerf", film.code)
    assert factories.make_version().blank_code == "6x6in"
    bench.press("workshop-kerf-forget", film.code)
    assert limits_of_shop("6x6in").kerf_mm == Limits().kerf_mm
    film.refresh_from_db()
    assert (film.kerf_mm, film.web_mm) == (0.15, None)


def test_of_films_as_thick_the_largest_limits_count() -> None:
    factories.make_film()
    Film.objects.update(kerf_is_measured=True, kerf_mm=0.12, web_mm=0.6, bridge_mm=0.6)
    factories.make_blank_film()
    Film.objects.filter(form="blank").update(kerf_is_measured=True, kerf_mm=0.18, web_mm=0.5)
    limits = limits_of_shop("6x6in")
    assert (limits.kerf_mm, limits.web_mm, limits.bridge_mm) == (0.18, 0.6, 0.6)


def test_a_misread_width_is_told_and_what_was_typed_stays(bench: Bench) -> None:
    film = factories.make_film()
    page = bench.press("workshop-kerf", film.code, **(WIDTHS | {"S8": "3.4"})).content.decode()
    assert "S8 was drawn 2 mm and measured 3.4 mm" in page
    assert 'value="3.4"' in page
    assert not KerfTest.objects.exists()


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_the_piece_comes_in_every_format_and_its_form_as_pdf(bench: Bench, kind: str) -> None:
    film = factories.make_film()
    address = reverse("workshop-kerf-cut-file", args=[film.code])
    response = bench.client.get(address, {"as": kind})
    assert f'filename="kerf-test-piece.{kind}"' in response["Content-Disposition"]
    form = bench.client.get(reverse("workshop-kerf-form", args=[film.code]))
    assert form.content.startswith(b"%PDF")


@pytest.mark.parametrize("wrong", [{"kerf_mm": "9"}, {"web_mm": ""}, {"bridge_mm": "x"}])
def test_odd_limits_are_one_sentence(bench: Bench, wrong: dict[str, str]) -> None:
    film = factories.make_film()
    bench.press("workshop-kerf", film.code, **WIDTHS, **WHOLE)
    typed = {"kerf_mm": "0.2", "web_mm": "0.6", "bridge_mm": "0.7"} | wrong
    told = bench.told("workshop-kerf-apply", film.code, **typed)
    assert told == ["Kerf, web and bridge are widths in mm, such as 0.15 and 0.8."]
