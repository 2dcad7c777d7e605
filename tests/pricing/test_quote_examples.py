"""Quotes worked by hand, line by line, on the sheet of `examples.py` (USD, 7.25 % tax).

Tax on the sum of the lines of a rate, not on each line: EN 16931, rules BR-CO-17 and BR-S-08/09.
"""

from dataclasses import replace
from decimal import Decimal

from pricing.quote import Quote, QuoteRequest, quote
from tests.pricing.examples import SHEET, item


def amounts(result: Quote) -> list[tuple[str, str]]:
    """Kind and amount of each line."""
    return [(line.kind, str(line.amount)) for line in result.lines]


def test_one_stencil_is_lifted_to_the_minimum_and_posted() -> None:
    """1 x 8.00 + 1.90 + 0.50 = 10.40; nothing for a set-up made before; up to 12.00 is 1.60;
    postage 4.50; subtotal 16.50; tax 7.25 % of 16.50 = 1.19625 -> 1.20; total 17.70."""
    request = QuoteRequest([item(1, new_design=False)], {"clear": 1})
    result = quote(request, SHEET)
    assert amounts(result) == [
        ("stencils", "8.00"),
        ("film", "1.90"),
        ("set-up", "0.00"),
        ("cut-outs", "0.50"),
        ("minimum", "1.60"),
        ("postage", "4.50"),
    ]
    assert (result.subtotal, result.tax, result.total) == (
        Decimal("16.50"),
        Decimal("1.20"),
        Decimal("17.70"),
    )
    assert result.lines[4].reason == (
        "The smallest order is USD 12.00 before postage; the lines above come to USD 10.40."
    )


def test_a_break_counts_all_stencils_of_a_size_in_the_order() -> None:
    """6x6: 3 + 2 = 5 pieces -> 5 x 6.80 = 34.00; 4x4: 4 x 5.50 = 22.00 (one short of its break);
    film 3 x 1.90 = 5.70; set-up 2 x 6.00 = 12.00 (the sign once for two sizes); bags 3 x 0.50 =
    1.50; postage 4.50; subtotal 79.70; tax 5.77825 -> 5.78; total 85.48."""
    crab = {"design_key": "crab", "design_title": "Shore crab"}
    request = QuoteRequest([item(3), item(2, **crab), item(4, "4x4in")], {"clear": 3})
    result = quote(request, SHEET)
    assert amounts(result) == [
        ("stencils", "34.00"),
        ("stencils", "22.00"),
        ("film", "5.70"),
        ("set-up", "12.00"),
        ("cut-outs", "1.50"),
        ("postage", "4.50"),
    ]
    assert (result.subtotal, result.total) == (Decimal("79.70"), Decimal("85.48"))
    first, second = result.lines[:2]
    assert first.text == "5 stencils, 6 x 6 in"
    assert first.reason == (
        "All of this size count together: 3 of Harbour sign, 2 of Shore crab. "
        "The price from 5 pieces applies: USD 6.80 each. From 20 pieces it is USD 5.60 each."
    )
    assert second.reason == ("Harbour sign. USD 5.50 each. From 5 pieces it is USD 4.70 each.")


def test_the_buyer_is_told_where_more_pieces_cost_less() -> None:
    """19 x 6.80 = 129.20, but 20 x 5.60 = 112.00."""
    result = quote(QuoteRequest([item(19)], {"clear": 5}), SHEET)
    assert result.lines[0].amount == Decimal("129.20")
    assert result.lines[0].reason.endswith(
        "From 20 pieces it is USD 5.60 each, so 20 would cost less than 19 do."
    )


def test_a_mask_of_the_same_design_shares_set_up_and_break_but_needs_no_bag() -> None:
    """2 stencils + 3 masks of one size = 5 x 6.80; one set-up; one bag, for the stencils."""
    request = QuoteRequest([item(2), item(3, mode="mask")], {"clear": 1}, delivery="collect")
    result = quote(request, SHEET)
    assert amounts(result) == [
        ("stencils", "34.00"),
        ("film", "1.90"),
        ("set-up", "6.00"),
        ("cut-outs", "0.50"),
        ("postage", "0.00"),
    ]
    assert result.lines[0].text == "5 pieces (2 stencils, 3 masks), 6 x 6 in"
    assert result.lines[-1].text == "Collected"
    # 42.40 x 7.25 % = 3.074 -> 3.07
    assert result.total == Decimal("45.47")


def test_declined_cut_outs_are_named_and_not_charged() -> None:
    """One bag of two; both declined: no line at all."""
    crab = {"design_key": "crab", "design_title": "Shore crab", "with_cut_outs": False}
    some = quote(QuoteRequest([item(5), item(5, **crab)], {"clear": 2}), SHEET)
    line = next(line for line in some.lines if line.kind == "cut-outs")
    assert line.text == "1 bag of cut-outs"
    assert line.amount == Decimal("0.50")
    assert line.reason.endswith("Declined for Shore crab (6 x 6 in).")
    none = quote(QuoteRequest([item(5, **crab)], {"clear": 2}), SHEET)
    assert "cut-outs" not in [line.kind for line in none.lines]


def test_prices_that_hold_their_tax_add_nothing_to_the_total() -> None:
    """5 x 6.80 + 1.90 + 6.00 + 0.50 + 4.50 = 46.90, of which 46.90 x 20/120 = 7.8166 -> 7.82."""
    sheet = replace(SHEET, currency="EUR", tax_name="VAT", tax_rate=Decimal(20), tax_inclusive=True)
    result = quote(QuoteRequest([item(5)], {"clear": 1}), sheet)
    assert result.subtotal == result.total == Decimal("46.90")
    assert [(line.text, str(line.amount)) for line in result.tax_lines] == [
        ("VAT 20 % held in EUR 46.90", "7.82")
    ]


def test_tax_is_worked_per_rate_on_the_sum_of_its_lines() -> None:
    """Goods 42.40 at 10 % = 4.24; postage 4.50 at 5 % = 0.225 -> 0.23; total 51.37."""
    sheet = replace(SHEET, tax_rate=Decimal(10), postage_tax_rate=Decimal(5))
    result = quote(QuoteRequest([item(5)], {"clear": 1}), sheet)
    assert [(str(line.rate), str(line.base), str(line.amount)) for line in result.tax_lines] == [
        ("10", "42.40", "4.24"),
        ("5", "4.50", "0.23"),
    ]
    assert result.total == Decimal("51.37")


def test_tax_on_the_sum_differs_from_tax_line_by_line() -> None:
    """Two lines of 0.34 at 10 %: 0.068 -> 0.07 on the sum, where line by line gives 0.06."""
    sheet = replace(
        SHEET,
        tax_rate=Decimal(10),
        stencil_prices=[
            replace(SHEET.stencil_prices[0], unit_price=Decimal("0.34")),
            replace(SHEET.stencil_prices[3], unit_price=Decimal("0.34")),
        ],
        set_up_price=Decimal(0),
        minimum_charge=Decimal(0),
        cut_outs_bag_price=Decimal(0),
    )
    items = [item(1), item(1, "4x4in")]
    result = quote(QuoteRequest(items, {"clear": 0}, delivery="collect"), sheet)
    assert result.tax == Decimal("0.07")


def test_a_currency_without_decimals_is_rounded_on_every_line() -> None:
    """JPY: 3 x 333.5 = 1000.5 -> 1001; tax 10 % of 1001 = 100.1 -> 100."""
    sheet = replace(
        SHEET,
        currency="JPY",
        tax_rate=Decimal(10),
        stencil_prices=[replace(SHEET.stencil_prices[0], unit_price=Decimal("333.5"))],
        set_up_price=Decimal(0),
        cut_outs_bag_price=Decimal(0),
        minimum_charge=Decimal(0),
    )
    result = quote(QuoteRequest([item(3)], {"clear": 0}, delivery="collect"), sheet)
    assert str(result.total) == "1101"
    assert "JPY 333.5 each" in result.lines[0].reason
