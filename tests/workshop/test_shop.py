"""Films, the workshop's own name, and its prices."""

from typing import Any

import pytest

from orders.models import Film, Workshop
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def film_form(film: Film | None = None, **changed: Any) -> dict[str, Any]:
    form = {
        "name": "PET 0.19 mm (7.5 mil)",
        "thickness_mm": "0.1905",
        "form": "sheet",
        "sheet_width_mm": "304.8",
        "sheet_height_mm": "609.6",
        "blank_code": "",
        "edge_mm": "0",
        "gap_mm": "0",
        "kerf_mm": "0.15",
        "data_sheet_note": "",
        "is_active": "on",
    }
    return form | changed


def test_films_are_listed_with_what_waits_for_them(bench: Bench) -> None:
    factories.make_job()
    factories.make_job(status="shipped")
    page = bench.see("workshop-films")
    assert "PET 0.19 mm (7.5 mil)" in page
    assert "1 job<" in page
    assert "Never PVC or vinyl" in page


def test_kerf_edge_and_gap_are_saved(bench: Bench) -> None:
    film = factories.make_film()
    form = film_form(kerf_mm="0.18", edge_mm="5", gap_mm="3", data_sheet_note="Laser: yes.")
    told = bench.told("workshop-film", film.code, **form)
    assert told == ["PET 0.19 mm (7.5 mil) is saved. New sheets and cut files use it."]
    film.refresh_from_db()
    assert (film.kerf_mm, film.edge_mm, film.gap_mm) == (0.18, 5, 3)
    job = factories.make_job()
    assert "On this film: Laser: yes." in bench.see("workshop-job", job.code)


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"kerf_mm": "2.5"}, "Ensure this value is less than or equal to 2."),
        ({"edge_mm": "-1"}, "Ensure this value is greater than or equal to 0."),
        ({"sheet_width_mm": ""}, "Give the width and height of the sheet."),
        ({"form": "blank"}, "Choose the size that the blanks are cut to."),
        ({"name": ""}, "This field is required."),
    ],
)
def test_odd_values_are_told_and_nothing_is_saved_or_lost(
    bench: Bench, changed: dict[str, str], sentence: str
) -> None:
    film = factories.make_film()
    form = film_form(**({"gap_mm": "7.5"} | changed))
    page = bench.press("workshop-film", film.code, **form).content.decode()
    assert sentence in page
    assert 'value="7.5"' in page
    film.refresh_from_db()
    assert (film.kerf_mm, film.gap_mm, film.name) == (0.15, 0, "PET 0.19 mm (7.5 mil)")


def test_sizes_are_shown_as_a_person_would_write_them(bench: Bench) -> None:
    film = factories.make_film("pet-inch", sheet_width_mm=12 * 25.4, sheet_height_mm=24 * 25.4)
    page = bench.see("workshop-film", film.code)
    assert 'value="304.8"' in page
    assert "304.79" not in page


def test_a_new_film_gets_a_code_of_its_own(bench: Bench) -> None:
    for _ in range(2):
        bench.press("workshop-film-new", **film_form(name="PET for the regatta"))
    assert set(Film.objects.values_list("code", flat=True)) == {
        "pet-for-the-regatta",
        "pet-for-the-regatta-2",
    }


def test_the_workshops_name_and_address_are_saved(bench: Bench) -> None:
    form = {"name": "Mole End", "email": "mole@harbour.example", "address": "2 Mole", "x": ""}
    assert bench.told("workshop-settings", **form) == [
        "Saved. Mails and slips from now on carry it."
    ]
    assert Workshop.current().name == "Mole End"
    page = bench.press("workshop-settings", name="", email="no address").content.decode()
    assert "Enter a valid email address." in page
    assert Workshop.current().name == "Mole End"


def test_the_price_sheet_of_today_is_shown(bench: Bench) -> None:
    factories.price_sheet()
    page = bench.see("workshop-prices")
    assert "First price sheet" in page
    assert "USD" in page


def test_without_a_price_sheet_the_page_says_so(bench: Bench) -> None:
    assert "No price sheet is valid today" in bench.see("workshop-prices")


def test_a_film_named_new_has_a_page_of_its_own(bench: Bench) -> None:
    bench.press("workshop-film-new", **film_form(name="New"))
    film = Film.objects.get(name="New")
    assert "<h1>New film" not in bench.see("workshop-film", film.code)
