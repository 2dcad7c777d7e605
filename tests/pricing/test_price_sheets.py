"""Price sheets in the database: which one is valid, and that published ones never change."""

import datetime
from collections.abc import Callable
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from pricing.errors import IncompleteSheetError, NoPriceSheetError, PublishedSheetError
from pricing.first_sheet import first_price_sheet
from pricing.models import FilmPrice, PriceLine, PriceSheet
from pricing.quote import QuoteItem, QuoteRequest, quote

pytestmark = [pytest.mark.django_db, pytest.mark.database]

NOON = datetime.datetime(2026, 3, 1, 12, tzinfo=datetime.UTC)
MARCH = datetime.date(2026, 3, 1)
JUNE = datetime.date(2026, 6, 1)
REFUSAL = (
    "The price sheet “Spring tide” is published and stays as it is; make a new one from it instead."
)


def make_draft(name: str = "Spring tide", valid_from: datetime.date = MARCH) -> PriceSheet:
    """A draft with one size and one film."""
    sheet = PriceSheet.objects.create(name=name, valid_from=valid_from)
    sheet.lines.create(blank_code="6x6in", from_quantity=1, unit_price=Decimal("8.00"))
    sheet.film_prices.create(film_code="clear", price_per_sheet=Decimal("1.90"))
    return sheet


def make_published(name: str = "Spring tide", valid_from: datetime.date = MARCH) -> PriceSheet:
    """The same, published."""
    sheet = make_draft(name, valid_from)
    sheet.publish(NOON)
    return sheet


def test_the_current_sheet_is_the_latest_published_one_that_has_begun() -> None:
    """On the day itself the new one is valid; drafts never are."""
    spring, summer = make_published(), make_published("Summer tide", JUNE)
    make_draft("Never published", JUNE)
    assert PriceSheet.current(JUNE - datetime.timedelta(days=1)) == spring
    assert PriceSheet.current(JUNE) == summer


def test_of_two_sheets_of_one_day_the_one_published_last_is_current() -> None:
    """A mistake is mended by publishing another for the same day."""
    mended, first = make_draft("Mended"), make_draft("First")
    first.publish(NOON)
    mended.publish(NOON + datetime.timedelta(minutes=5))
    assert PriceSheet.current(MARCH) == mended


def test_no_current_sheet_is_one_sentence() -> None:
    """The day is named, and what to do."""
    make_published(valid_from=JUNE)
    with pytest.raises(NoPriceSheetError) as caught:
        PriceSheet.current(MARCH)
    assert str(caught.value) == (
        "No price sheet is valid on 01 March 2026; publish one that begins on that day or before."
    )


CHANGES: dict[str, Callable[[PriceSheet], object]] = {
    "save the sheet": lambda sheet: sheet.save(),
    "save a stale copy": lambda sheet: PriceSheet(
        pk=sheet.pk, name="Spring tide", valid_from=JUNE
    ).save(),
    "delete the sheet": lambda sheet: sheet.delete(),
    "update by query": lambda sheet: PriceSheet.objects.update(postage_price=0),
    "delete by query": lambda sheet: PriceSheet.objects.all().delete(),
    "publish again": lambda sheet: sheet.publish(NOON),
    "add a line": lambda sheet: sheet.lines.create(blank_code="a5", unit_price=1),
    "add lines in bulk": lambda sheet: PriceLine.objects.bulk_create(
        [PriceLine(sheet=sheet, blank_code="a5", unit_price=1)]
    ),
    "save a line": lambda sheet: sheet.lines.get().save(),
    "delete a line": lambda sheet: sheet.lines.get().delete(),
    "update lines": lambda sheet: PriceLine.objects.update(unit_price=0),
    "delete lines": lambda sheet: sheet.lines.all().delete(),
    "add a film": lambda sheet: sheet.film_prices.create(film_code="blue", price_per_sheet=1),
    "delete films": lambda sheet: FilmPrice.objects.all().delete(),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_a_published_sheet_never_changes(change: Callable[[PriceSheet], object]) -> None:
    """Every way through the models is refused with one sentence, and nothing is different."""
    sheet = make_published()
    before = PriceSheet.objects.get(pk=sheet.pk).to_data()
    with pytest.raises(PublishedSheetError) as caught:
        change(sheet)
    assert str(caught.value) == REFUSAL
    assert PriceSheet.objects.get(pk=sheet.pk).to_data() == before


def test_a_line_cannot_be_moved_out_of_a_published_sheet() -> None:
    """Giving it to a draft would take it from the published one."""
    line = make_published().lines.get()
    line.sheet = make_draft("Another")
    line.blank_code = "a5"
    with pytest.raises(PublishedSheetError, match="Spring tide"):
        line.save()


def test_a_draft_is_free() -> None:
    """It may be changed by row and by query, and thrown away."""
    sheet = make_draft()
    sheet.postage_price = Decimal("5.00")
    sheet.save()
    PriceLine.objects.filter(sheet=sheet).update(unit_price=Decimal("9.00"))
    sheet.film_prices.all().delete()
    data = PriceSheet.objects.get(pk=sheet.pk).to_data()
    assert data.postage_price == Decimal("5.00")
    assert data.stencil_prices[0].unit_price == Decimal("9.00")
    assert data.film_prices == ()
    sheet.delete()
    assert not PriceSheet.objects.exists()


def test_a_copy_is_a_draft_with_the_same_prices_and_leaves_the_first_alone() -> None:
    """The way to new prices."""
    first = make_published()
    copy = first.copy_as_draft("Summer tide", JUNE)
    assert not copy.is_published
    assert copy.to_data().stencil_prices == first.to_data().stencil_prices
    copy.lines.update(unit_price=Decimal("9.00"))
    assert first.lines.get().unit_price == Decimal("8.00")
    copy.publish(NOON)
    assert PriceSheet.current(JUNE) == copy


def test_a_sheet_without_prices_for_one_piece_is_not_published() -> None:
    """Nothing priced; priced only from five on."""
    sheet = PriceSheet.objects.create(name="Empty", valid_from=MARCH)
    with pytest.raises(IncompleteSheetError, match="no price for any size"):
        sheet.publish(NOON)
    sheet.lines.create(blank_code="6x6in", from_quantity=5, unit_price=Decimal("6.80"))
    with pytest.raises(IncompleteSheetError, match=r"Size 6x6in .* none for a single one; add it"):
        sheet.publish(NOON)
    assert not PriceSheet.objects.get().is_published


def test_negative_prices_and_unknown_currencies_are_refused() -> None:
    """By the form's validation and by the database itself."""
    with pytest.raises(ValidationError, match="is not a currency code of ISO 4217"):
        PriceSheet(name="Odd", currency="XYZ", valid_from=MARCH).full_clean()
    with pytest.raises(IntegrityError), transaction.atomic():
        PriceSheet.objects.create(name="Odd", valid_from=MARCH, postage_price=Decimal(-1))


def test_the_first_sheet_quotes_every_size_and_is_made_once() -> None:
    """Each size it lists gives a quote, more pieces cost less each, and a second call is the same
    sheet."""
    sheet = first_price_sheet(valid_from=MARCH)
    assert first_price_sheet() == sheet
    assert PriceSheet.current(MARCH) == sheet
    data = sheet.to_data()
    codes = {price.blank_code for price in data.stencil_prices}
    assert {"6x6in", "4x4in", "2.5x3.5in", "5x7in", "8x8in", "12x12in", "a5", "a4"} == codes
    for code in codes:
        each = [
            quote(
                QuoteRequest(
                    [QuoteItem(code, code, number, "pet-0.1905", "a", "Limpet")], {"pet-0.1905": 1}
                ),
                data,
            )
            .lines[0]
            .unit_price
            for number in (1, 4, 5, 19, 20, 49, 50)
        ]
        assert each == sorted(each, reverse=True)
        assert each[0] > each[-1] > 0
