"""A price sheet and items that the tests of quotes work with by hand."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

from pricing.quote import FilmSheetPrice, PriceSheetData, QuoteItem, StencilPrice

SHEET = PriceSheetData(
    name="Spring tide",
    currency="USD",
    stencil_prices=(
        StencilPrice("6x6in", 1, Decimal("8.00")),
        StencilPrice("6x6in", 5, Decimal("6.80")),
        StencilPrice("6x6in", 20, Decimal("5.60")),
        StencilPrice("4x4in", 1, Decimal("5.50")),
        StencilPrice("4x4in", 5, Decimal("4.70")),
    ),
    film_prices=(FilmSheetPrice("clear", "Clear PET 0.19 mm", Decimal("1.90")),),
    set_up_price=Decimal("6.00"),
    cut_outs_bag_price=Decimal("0.50"),
    minimum_charge=Decimal("12.00"),
    postage_price=Decimal("4.50"),
    tax_rate=Decimal("7.25"),
)


def item(quantity: int, blank_code: str = "6x6in", **changes: Any) -> QuoteItem:
    """An item of the design "Harbour sign" unless told otherwise."""
    names = {"6x6in": "6 x 6 in", "4x4in": "4 x 4 in"}
    plain = QuoteItem(
        blank_code=blank_code,
        blank_name=names.get(blank_code, blank_code),
        quantity=quantity,
        film_code="clear",
        design_key="sign",
        design_title="Harbour sign",
    )
    return replace(plain, **changes)
