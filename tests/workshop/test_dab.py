"""The dab is measured on a sheet of tongues, and new drawings are judged by it."""

import io

import pytest
from django.urls import reverse
from svgelements import SVG, Path

from geometry.dab_sheet import tongue_lifts
from geometry.limits import Limits
from orders.models import Film, Workshop, limits_of_shop
from tests import factories
from tests.prints.reading import texts
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def lifts_of(dab_n: float, film: Film) -> dict[str, str]:
    lifts = tongue_lifts(dab_n, float(film.thickness_mm), Limits())
    return {f"lift-{n}": f"{lift:.2f}" for n, lift in enumerate(lifts.tolist(), 1)}


def test_lifts_that_a_dab_gives_tell_that_dab(bench: Bench) -> None:
    """What the model says of 31 mN, rounded to what is typed, is read back within 2 %."""
    film = factories.make_film()
    assert limits_of_shop("6x6in").dab_n == Limits().dab_n
    page = bench.press("workshop-dab", film.code, **lifts_of(0.031, film))
    assert "Your dab is" in page.content.decode()
    shop = Workshop.current()
    assert shop.dab_n == pytest.approx(0.031, rel=0.02)
    assert limits_of_shop("6x6in").dab_n == shop.dab_n
    bench.press("workshop-dab-forget", film.code)
    assert limits_of_shop("6x6in").dab_n == Limits().dab_n


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"lift-1": "1"}, "At least three measured tongues are needed."),
        ({"lift-1": "12", "lift-2": "1", "lift-3": "1"}, "it cannot lift 12 mm"),
        ({"lift-1": "0", "lift-2": "0", "lift-3": "0"}, "No tongue lifted"),
        ({"lift-1": "much"}, "Enter a number."),
    ],
)
def test_lifts_that_cannot_be_are_told_and_stay_typed(
    bench: Bench, typed: dict[str, str], sentence: str
) -> None:
    page = bench.press("workshop-dab", factories.make_film().code, **typed).content.decode()
    assert sentence in page
    assert f'value="{typed["lift-1"]}"' in page
    assert Workshop.current().dab_n is None


def test_sheet_and_form_are_handed_out(bench: Bench) -> None:
    """Read by svgelements: eighteen tongues and the blank, 152.4 mm and the kerf across."""
    film = factories.make_film()
    svg = bench.client.get(reverse("workshop-dab-cut-file", args=[film.code]))
    paths = list(SVG.parse(io.BytesIO(svg.content)).select(lambda e: isinstance(e, Path)))
    assert len(paths) == 19
    form = bench.client.get(reverse("workshop-dab-form", args=[film.code]))
    assert form["Content-Type"] == "application/pdf"
    assert "dab" in " ".join(texts(form.content)).lower()


def test_the_lift_is_told_for_the_film_in_stock_nearest_to_the_usual_one() -> None:
    assert limits_of_shop("6x6in").film_mm == Limits().film_mm
    factories.make_film()
    Film.objects.update(thickness_mm="0.1270")
    assert limits_of_shop("6x6in").film_mm == 0.127
    Film.objects.update(is_active=False)
    assert limits_of_shop("6x6in").film_mm == Limits().film_mm
