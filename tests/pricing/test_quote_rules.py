"""What a quote refuses, and what holds for every quote whatever is ordered."""

import json
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pricing.errors import (
    EmptyOrderError,
    UnpricedFilmError,
    UnpricedQuantityError,
    UnpricedSizeError,
)
from pricing.money import currency_decimals
from pricing.quote import PriceSheetData, Quote, QuoteItem, QuoteRequest, StencilPrice, quote
from tests.pricing.examples import SHEET, item


def test_an_unpriced_size_is_one_sentence() -> None:
    """The size is named as people say it."""
    request = QuoteRequest([item(1, "a5", blank_name="A5")], {"clear": 1})
    with pytest.raises(UnpricedSizeError) as caught:
        quote(request, SHEET)
    assert str(caught.value) == (
        "There is no price yet for stencils of A5; choose another size or ask the workshop."
    )


def test_fewer_pieces_than_the_first_break_are_one_sentence() -> None:
    """A size that is only sold from five on."""
    sheet = replace(SHEET, stencil_prices=[StencilPrice("6x6in", 5, Decimal("6.80"))])
    with pytest.raises(UnpricedQuantityError) as caught:
        quote(QuoteRequest([item(4)], {"clear": 1}), sheet)
    assert str(caught.value) == (
        "Stencils of 6 x 6 in are priced from 5 pieces; this order has 4: "
        "order more of them or ask the workshop."
    )
    assert quote(QuoteRequest([item(5)], {"clear": 1}), sheet).lines[0].amount == Decimal("34.00")


def test_an_unpriced_film_is_one_sentence_unless_no_sheet_of_it_is_taken() -> None:
    """Film that comes as blanks already cut to size costs no sheet."""
    blue = item(5, film_code="blue")
    with pytest.raises(
        UnpricedFilmError, match=r"^There is no price yet for sheets of film “blue”"
    ):
        quote(QuoteRequest([blue], {"blue": 1}), SHEET)
    result = quote(QuoteRequest([blue], {"blue": 0}), SHEET)
    assert "film" not in [line.kind for line in result.lines]


def test_a_film_left_out_of_the_count_is_an_error_not_a_gift() -> None:
    """The caller forgot to nest one film."""
    with pytest.raises(ValueError, match="says nothing about film 'clear'"):
        quote(QuoteRequest([item(5)], {}), SHEET)


def test_an_empty_order_is_one_sentence() -> None:
    """Nothing to quote."""
    with pytest.raises(EmptyOrderError, match="There is nothing in this order yet"):
        quote(QuoteRequest([], {}), SHEET)


def test_no_item_has_less_than_one_piece() -> None:
    """Nought and negative numbers never reach a price."""
    with pytest.raises(ValueError, match="1 or more"):
        item(0)


prices = st.decimals(min_value=0, max_value=500, places=4)
rates = st.decimals(min_value=0, max_value=30, places=3)


@st.composite
def price_sheets(draw: st.DrawFn) -> PriceSheetData:
    """A price sheet whose unit prices fall from break to break."""
    lines = []
    for blank_code in ("6x6in", "4x4in"):
        starts = sorted(draw(st.sets(st.integers(2, 60), max_size=3)) | {1})
        falling = sorted(draw(st.lists(prices, min_size=4, max_size=4)), reverse=True)
        lines += [StencilPrice(blank_code, n, p) for n, p in zip(starts, falling, strict=False)]
    return replace(
        SHEET,
        currency=draw(st.sampled_from(["USD", "JPY", "KWD"])),
        stencil_prices=lines,
        set_up_price=draw(prices),
        cut_outs_bag_price=draw(prices),
        minimum_charge=draw(prices),
        postage_price=draw(prices),
        tax_rate=draw(rates),
        postage_tax_rate=draw(st.none() | rates),
        tax_inclusive=draw(st.booleans()),
    )


items_of_an_order = st.lists(
    st.builds(
        QuoteItem,
        blank_code=st.sampled_from(["6x6in", "4x4in"]),
        blank_name=st.just("some size"),
        quantity=st.integers(1, 40),
        film_code=st.just("clear"),
        design_key=st.sampled_from("abc"),
        design_title=st.just("Limpet"),
        new_design=st.booleans(),
        with_cut_outs=st.booleans(),
        mode=st.sampled_from(["stencil", "mask"]),
    ),
    min_size=1,
    max_size=5,
)
requests = st.builds(
    QuoteRequest,
    items=items_of_an_order,
    sheets_of_film=st.fixed_dictionaries({"clear": st.integers(0, 9)}),
    delivery=st.sampled_from(["post", "collect"]),
)


@given(request=requests, sheet=price_sheets())
def test_the_lines_add_up_to_the_total(request: QuoteRequest, sheet: PriceSheetData) -> None:
    """Lines to subtotal, bases of tax to subtotal, subtotal and tax to total, all whole money."""
    result = quote(request, sheet)
    assert sum(line.amount for line in result.lines) == result.subtotal
    if result.subtotal:
        assert sum(line.base for line in result.tax_lines) == result.subtotal
    expected = result.subtotal if sheet.tax_inclusive else result.subtotal + result.tax
    assert result.total == expected
    step = Decimal(1).scaleb(-currency_decimals(sheet.currency))
    half = step / 2
    for line in result.lines:
        assert line.amount % step == 0
        assert abs(line.quantity * line.unit_price - line.amount) <= half
        assert line.text
        assert line.reason.endswith(".")


@given(request=requests, sheet=price_sheets())
def test_goods_never_come_below_the_minimum_charge(
    request: QuoteRequest, sheet: PriceSheetData
) -> None:
    """All lines but postage reach the minimum, and a minimum line is never without need."""
    result = quote(request, sheet)
    goods = sum(line.amount for line in result.lines if line.kind != "postage")
    topped_up = [line for line in result.lines if line.kind == "minimum"]
    assert goods >= sheet.minimum_charge - Decimal("0.5")
    assert all(line.amount > 0 for line in topped_up)


@given(request=requests, sheet=price_sheets(), more=st.integers(1, 30))
def test_one_more_piece_never_raises_the_price_of_each(
    request: QuoteRequest, sheet: PriceSheetData, more: int
) -> None:
    """With falling breaks the unit price of a size falls or stays when the order grows."""
    first, *others = request.items
    grown = replace(request, items=[replace(first, quantity=first.quantity + more), *others])
    before, after = quote(request, sheet).lines[0], quote(grown, sheet).lines[0]
    assert after.quantity == before.quantity + more
    assert after.unit_price <= before.unit_price


@given(request=requests, sheet=price_sheets())
def test_the_order_of_the_items_changes_no_money(
    request: QuoteRequest, sheet: PriceSheetData
) -> None:
    """Only texts follow the order in which things were put in."""
    turned = replace(request, items=list(reversed(request.items)))
    assert quote(request, sheet).total == quote(turned, sheet).total


@given(request=requests, sheet=price_sheets())
def test_a_frozen_quote_comes_back_the_same(request: QuoteRequest, sheet: PriceSheetData) -> None:
    """Through JSON text, every decimal exact."""
    result = quote(request, sheet)
    assert Quote.from_json(json.loads(json.dumps(result.to_json()))) == result
