"""Price sheets by the cutter: draft, preview, publish from a day, CSV; what artists then see."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from orders import quoting, workflow
from orders.dates import today
from orders.models import Film, Order, Quote
from orders.workflow import Actor
from orders.workshop.price_fields import fields_of
from pricing.models import PriceSheet
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def draft(bench: Any) -> PriceSheet:
    factories.make_film()
    factories.price_sheet()
    bench.press("workshop-price-new")
    return PriceSheet.objects.get(published_at=None)


def accepted(artist: Actor, quantity: int = 3) -> Quote:
    """3 x 8.00 + 1.90 + 6.00 + 0.50 + 4.50 = 36.90 by the first prices."""
    order = factories.make_order(placed=True)
    factories.make_line(order, quantity=quantity)
    quote = quoting.make_quote(order, artist)
    workflow.accept(quote, artist)
    return quote


def save(bench: Any, sheet: PriceSheet, **changed: str) -> Any:
    typed = fields_of(sheet.to_data()) | {"name": sheet.name} | changed
    return bench.press("workshop-price-save", sheet.pk, **typed)


def test_a_draft_saved_as_it_is_stays_the_same(bench: Any, draft: PriceSheet) -> None:
    before = draft.to_data()
    save(bench, draft)
    draft.refresh_from_db()
    after = draft.to_data()
    assert set(after.stencil_prices) == set(before.stencil_prices)
    # films that nobody has in stock any more leave the sheet; the rest keeps its price
    kept = next(p for p in before.film_prices if p.film_code == "pet-0.1905")
    assert [p.price_per_sheet for p in after.film_prices] == [kept.price_per_sheet]
    assert after.set_up_price == before.set_up_price


def test_a_sheet_that_came_by_file_is_kept_whole_by_the_form(bench: Any, draft: PriceSheet) -> None:
    """A form with room for less than the sheet holds would drop the rest without a word."""
    lines = [f"zone,z{n},Zone {n},,X{n}" for n in range(12)]
    lines += [f"postage,z{n},,{50 * m},{m}.50" for n in range(12) for m in range(1, 10)]
    lines += [f"stencil,4x4in,,{n},{40 - n}.00" for n in range(1, 16)]
    lines += [f"rush,,,{n},{60 - n}" for n in range(1, 8)]
    shown = fields_of(draft.to_data())
    out = bench.see("workshop-price-csv", draft.pk)
    known = [line for line in out.splitlines() if not line.startswith(("stencil,4x4in", "zone,"))]
    file = SimpleUploadedFile("prices.csv", "\n".join([*known, *lines, ""]).encode())
    told = bench.told("workshop-price-csv-in", draft.pk, file=file)
    assert told == ["The file is read. Look it over, then publish it."]
    draft.refresh_from_db()
    before = draft.to_data()
    assert len(before.zones) >= 12
    save(bench, draft)
    draft.refresh_from_db()
    after = draft.to_data()
    assert set(after.stencil_prices) == set(before.stencil_prices)
    assert set(after.postage_prices) == set(before.postage_prices)
    assert [zone.code for zone in after.zones] == [zone.code for zone in before.zones]
    assert set(after.rush_prices) == set(before.rush_prices)
    assert len(fields_of(after)) > len(shown) + 150


def test_prices_are_changed_previewed_and_published_from_a_day(
    bench: Any, draft: PriceSheet, artist: Actor
) -> None:
    """3 x 9.00 instead of 3 x 8.00: 39.90 instead of 36.90."""
    old = accepted(artist)
    waiting = quoting.make_quote(_placed(), artist)
    save(bench, draft, **{"stencil-6x6in-0": "9.00", "name": "Autumn"})
    preview = bench.see("workshop-price-preview", draft.pk)
    assert "39.90" in preview
    assert "+3" in preview
    told = bench.told("workshop-price-publish", draft.pk, valid_from=str(today()))
    assert told[0].startswith("“Autumn” is published.")
    old.refresh_from_db()
    waiting.refresh_from_db()
    assert (old.total, waiting.total) == (Decimal("36.90"), Decimal("36.90"))
    assert quoting.price_of(waiting.order).total == Decimal("39.90")
    newer = quoting.make_quote(waiting.order, artist)
    assert "Prices are those of “Autumn” instead of “First price sheet”." in newer.differs


def _placed() -> Order:
    order = factories.make_order(placed=True)
    factories.make_line(order, quantity=3)
    return order


def test_a_sheet_to_come_is_not_used_before_its_day(
    bench: Any, draft: PriceSheet, artist: Actor
) -> None:
    save(bench, draft, set_up_price="7.00")
    bench.press("workshop-price-publish", draft.pk, valid_from=str(today() + timedelta(days=3)))
    assert PriceSheet.current(today()).set_up_price == 6
    assert PriceSheet.current(today() + timedelta(days=3)).set_up_price == 7
    assert "To come" in bench.see("workshop-prices")


def test_a_day_gone_by_is_refused(bench: Any, draft: PriceSheet) -> None:
    for day in (str(today() - timedelta(days=1)), "soon", "2027-02-30"):
        told = bench.told("workshop-price-publish", draft.pk, valid_from=day)
        assert told == ["Choose the day from which it counts: today or later."]


def test_a_wrong_price_is_told_by_its_place_and_nothing_is_lost(
    bench: Any, draft: PriceSheet
) -> None:
    page = save(bench, draft, **{"stencil-6x6in-1": "6,80", "set_up_price": "7.25"})
    text = page.content.decode()
    assert page.status_code == 422
    assert "6 × 6 in from 5:" in text
    assert "is a number such as 6.80, with a point, not “6,80”." in text
    assert 'value="6,80"' in text
    assert 'value="7.25"' in text
    draft.refresh_from_db()
    assert draft.set_up_price == 6


def test_a_new_film_is_missed_and_then_priced(bench: Any, draft: PriceSheet) -> None:
    factories.make_film("pet-0.3", name="PET 0.3 mm", thickness_mm="0.3")
    assert "PET 0.3 mm" in bench.see("workshop-prices")
    assert "no price yet" in bench.see("workshop-price-sheet", draft.pk)
    save(bench, draft, **{"film-pet-0.3": "3.10"})
    bench.press("workshop-price-publish", draft.pk, valid_from=str(today()))
    order = factories.make_order()
    factories.make_line(order, film=Film.objects.get(code="pet-0.3"))
    film = next(line for line in quoting.price_of(order).lines if line.kind == "film")
    assert (film.text, str(film.amount)) == ("1 sheet of film, PET 0.3 mm", "3.10")
    assert "no price is set" not in bench.see("workshop-prices")


def test_rush_and_zones_are_set_in_the_form(bench: Any, draft: PriceSheet) -> None:
    save(
        bench,
        draft,
        **{
            "rush-days-0": "2",
            "rush-percent-0": "30",
            "zone-name-0": "Harbourland",
            "zone-countries-0": "Harbourland, Saltmarsh Isles",
            "zone-name-1": "elsewhere",
            "step-0": "100",
            "step-1": "500",
            "post-0-0": "3",
            "post-0-1": "5",
            "post-1-1": "14",
        },
    )
    data = PriceSheet.objects.get(pk=draft.pk).to_data()
    assert [(r.within_days, r.percent) for r in data.rush_prices] == [(2, 30)]
    assert [z.countries for z in data.zones] == [("Harbourland", "Saltmarsh Isles"), ()]
    assert [(p.zone_code, p.up_to_g, p.price) for p in data.postage_prices] == [
        ("zone-1", 100, 3),
        ("zone-1", 500, 5),
        ("zone-2", 500, 14),
    ]


def test_csv_goes_out_and_comes_in_again(bench: Any, draft: PriceSheet) -> None:
    csv = bench.see("workshop-price-csv", draft.pk).replace("6x6in,,1,8.00", "6x6in,,1,8.50")
    file = SimpleUploadedFile("prices.csv", csv.encode(), "text/csv")
    told = bench.told("workshop-price-csv-in", draft.pk, file=file)
    assert told == ["The file is read. Look it over, then publish it."]
    assert draft.lines.get(blank_code="6x6in", from_quantity=1).unit_price == Decimal("8.50")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"\xff\xfe\x00", "save it as CSV in UTF-8"),
        (b"kind,code,name,from,value\nstencil,6x6in,,1,lots\n", "line 2:"),
        (b"x" * 200_001, "too large for a price sheet"),
    ],
)
def test_a_wrong_file_changes_nothing(
    bench: Any, draft: PriceSheet, content: bytes, sentence: str
) -> None:
    before = draft.to_data()
    page = bench.press(
        "workshop-price-csv-in", draft.pk, file=SimpleUploadedFile("prices.csv", content)
    )
    assert sentence in page.content.decode()
    assert PriceSheet.objects.get(pk=draft.pk).to_data() == before


def test_a_published_sheet_is_never_changed(bench: Any, draft: PriceSheet) -> None:
    bench.press("workshop-price-publish", draft.pk, valid_from=str(today()))
    draft.refresh_from_db()
    before = draft.to_data()
    told = [str(m) for m in save(bench, draft, set_up_price="99").context["messages"]]
    assert "is published and stays as it is" in told[0]
    assert "is published" in bench.told("workshop-price-remove", draft.pk)[0]
    assert PriceSheet.objects.get(pk=draft.pk).to_data() == before


def test_the_public_page_reckons_without_scripts(client: Any, artist: Actor) -> None:
    """20 x 5.60 + 3 x 1.90 + 2 x 6.00 + 2 x 0.50 + 4.50 = 135.20."""
    film = factories.make_film()
    factories.price_sheet()
    asked = {"size": "6x6in", "pieces": 20, "designs": 2, "film": film.pk}
    page = client.get(reverse("prices"), asked).content.decode()
    assert "135.20" in page
    wrong = client.get(reverse("prices"), asked | {"designs": 21}).content.decode()
    assert "There cannot be more drawings than pieces." in wrong
    assert client.get(reverse("prices"), {"size": "moon"}).status_code == 200
