"""Cutting time, rush, ready-cut film and postage by zone and weight, worked by hand.

The sheet is that of `examples.py` (USD, 7.25 % tax on everything, EN 16931 BR-CO-17).
"""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pricing.errors import UnpricedPostageError, UnpricedRushError
from pricing.postage import postage_of, zone_for
from pricing.quote import (
    FilmSheetPrice,
    PostagePrice,
    PostageZone,
    PriceSheetData,
    Quote,
    QuoteRequest,
    RushPrice,
    StencilPrice,
    quote,
    worthwhile_breaks,
)
from tests.pricing.examples import SHEET, item

ZONES = (
    PostageZone("home", "Harbourland", ("Harbourland", "Saltmarsh Isles")),
    PostageZone("near", "the near coast", ("Reedland",)),
    PostageZone("far", "everywhere else"),
)
STEPS = (
    PostagePrice("home", 100, Decimal("3.20")),
    PostagePrice("home", 500, Decimal("5.60")),
    PostagePrice("far", 100, Decimal("9.00")),
    PostagePrice("far", 500, Decimal("14.00")),
)
POSTED = replace(SHEET, zones=ZONES, postage_prices=STEPS, packing_g=30)


def line_of(result: Quote, kind: str) -> tuple[str, str, str]:
    """Text, reason and amount of the one line of a kind."""
    (line,) = [line for line in result.lines if line.kind == kind]
    return line.text, line.reason, str(line.amount)


def test_cutting_above_the_allowance_is_charged_by_the_minute() -> None:
    """Allowance 120 s. The sign takes 200 s: 80 s over = 1.333 min -> 1.4 each, 3 pieces = 4.2;
    the crab takes 120 s, exactly the allowance: nothing. 4.2 min x 0.75 = 3.15."""
    sheet = replace(SHEET, cut_seconds_included=120, cut_minute_price=Decimal("0.75"))
    crab = {"design_key": "crab", "design_title": "Shore crab"}
    items = [item(3, cut_seconds=Decimal(200)), item(2, cut_seconds=Decimal(120), **crab)]
    text, reason, amount = line_of(quote(QuoteRequest(items, {"clear": 1}), sheet), "cutting")
    assert (text, amount) == ("4.2 min of cutting above the usual", "3.15")
    assert reason == (
        "Fine work keeps the laser longer than the 2 min that each price holds: "
        "3 of Harbour sign at 1.4 min more. USD 0.75 for each minute."
    )


def test_one_second_above_the_allowance_is_a_tenth_of_a_minute() -> None:
    """The step to either side of the limit: 120 s none, 121 s 0.1 min."""
    sheet = replace(SHEET, cut_seconds_included=120, cut_minute_price=Decimal(1))
    at = quote(QuoteRequest([item(5, cut_seconds=Decimal(120))], {"clear": 1}), sheet)
    over = quote(QuoteRequest([item(5, cut_seconds=Decimal(121))], {"clear": 1}), sheet)
    assert "cutting" not in [line.kind for line in at.lines]
    assert line_of(over, "cutting")[2] == "0.50"


def test_rush_is_a_share_of_all_but_postage() -> None:
    """5 x 6.80 + 1.90 + 6.00 + 0.50 = 42.40; 25 % = 10.60; postage 4.50; 57.50; tax 7.25 % =
    4.16875 -> 4.17; total 61.67."""
    sheet = replace(SHEET, rush_prices=(RushPrice(3, Decimal(25)), RushPrice(1, Decimal(60))))
    result = quote(QuoteRequest([item(5)], {"clear": 1}, rush_days=3), sheet)
    assert line_of(result, "rush") == (
        "Rush, within 3 working days",
        "25 % of USD 42.40, all that stands above, for being cut before what waits.",
        "10.60",
    )
    assert (result.subtotal, result.total) == (Decimal("57.50"), Decimal("61.67"))


def test_rush_is_taken_on_the_minimum_charge_too() -> None:
    """8.00 + 1.90 + 0.50 = 10.40, lifted to 12.00 by 1.60; 25 % of 12.00 = 3.00."""
    sheet = replace(SHEET, rush_prices=(RushPrice(3, Decimal(25)),))
    request = QuoteRequest([item(1, new_design=False)], {"clear": 1}, rush_days=3)
    kinds = [(line.kind, str(line.amount)) for line in quote(request, sheet).lines]
    assert kinds[-3:] == [("minimum", "1.60"), ("rush", "3.00"), ("postage", "4.50")]


def test_a_rush_that_is_not_offered_is_one_sentence() -> None:
    with pytest.raises(UnpricedRushError) as caught:
        quote(QuoteRequest([item(5)], {"clear": 1}, rush_days=2), SHEET)
    assert str(caught.value) == (
        "The workshop does not offer it within 2 working days any more; choose another time."
    )


def test_ready_cut_film_has_a_line_of_its_own() -> None:
    """Four blanks at 0.60 = 2.40; without a price they are included, and the line says so."""
    film = FilmSheetPrice("ready", "PET cut to 6 x 6 in", Decimal("0.60"))
    sheet = replace(SHEET, film_prices=(*SHEET.film_prices, film))
    items = [item(4, film_code="ready", film_name="PET cut to 6 x 6 in")]
    request = QuoteRequest(items, {"ready": 0}, blanks_of_film={"ready": 4})
    assert line_of(quote(request, sheet), "film") == (
        "4 blanks of film, PET cut to 6 x 6 in",
        "Film that is ready cut: one for each piece.",
        "2.40",
    )
    free = line_of(quote(request, SHEET), "film")
    assert free[1].endswith("The film is included in the price of the stencils.")
    assert free[2] == "0.00"


def test_postage_goes_by_zone_and_weight() -> None:
    """10 x 6.15 g + 30 g packing = 91.5 g -> up to 100 g; 12 pieces = 103.8 g -> up to 500 g."""
    for pieces, grams, amount in ((10, 92, "3.20"), (12, 104, "5.60")):
        items = [item(pieces, weight_g=Decimal("6.15"))]
        result = quote(QuoteRequest(items, {"clear": 2}, zone_code="home"), POSTED)
        assert line_of(result, "postage") == (
            "Postage",
            f"To Harbourland, about {grams} g with its packing.",
            amount,
        )


def test_a_weight_exactly_at_a_step_takes_that_step() -> None:
    """70 g + 30 g packing = 100 g."""
    assert postage_of([item(1, weight_g=Decimal(70))], "home", POSTED).price == Decimal("3.20")
    heavier = postage_of([item(1, weight_g=Decimal("70.01"))], "home", POSTED)
    assert heavier.price == Decimal("5.60")


def test_what_is_too_heavy_for_one_parcel_goes_in_several() -> None:
    """1030 g = 2 x 500 g at 14.00 and 30 g at 9.00 = 37.00; 1000 g is two parcels, 28.00."""
    post = postage_of([item(1, weight_g=Decimal(1000))], "far", POSTED)
    assert (post.price, post.parcels) == (Decimal("37.00"), 3)
    assert post.reason == (
        "To everywhere else, about 1030 g with its packing, in 3 parcels of 500 g at most."
    )
    two = postage_of([item(1, weight_g=Decimal(970))], "far", POSTED)
    assert (two.price, two.parcels) == (Decimal("28.00"), 2)


@pytest.mark.parametrize(
    ("country", "zone"),
    [
        ("Harbourland", "home"),
        ("  saltmarsh  ISLES ", "home"),
        ("Reedland", "near"),
        ("Cloudland", "far"),
        ("", "home"),
    ],
)
def test_a_country_finds_its_zone(country: str, zone: str) -> None:
    """Spelling by letters alone; unnamed countries go to the zone that names none."""
    assert zone_for(country, ZONES) == zone


def test_no_zone_for_a_country_is_one_sentence() -> None:
    with pytest.raises(UnpricedPostageError) as caught:
        zone_for("Cloudland ", ZONES[:2])
    assert str(caught.value) == (
        "There is no price yet for post to Cloudland; "
        "choose to collect the order, or ask the workshop."
    )
    with pytest.raises(UnpricedPostageError, match="post to the near coast"):
        postage_of([item(1)], "near", POSTED)


def test_breaks_that_come_cheaper_are_found_beyond_the_next_one() -> None:
    """4 x 8.00 = 32.00: five come to 5 x 6.50 = 32.50, but six to 6 x 5.00 = 30.00."""
    steps = ((1, "8.00"), (5, "6.50"), (6, "5.00"))
    sheet = replace(SHEET, stencil_prices=[StencilPrice("6x6in", n, Decimal(p)) for n, p in steps])
    assert worthwhile_breaks(QuoteRequest([item(4)], {"clear": 1}), sheet) == [("6x6in", 6)]
    assert worthwhile_breaks(QuoteRequest([item(3)], {"clear": 1}), sheet) == []


prices = st.decimals(min_value=0, max_value=500, places=4)


@st.composite
def falling_sheets(draw: st.DrawFn) -> PriceSheetData:
    """A sheet whose unit prices fall from break to break, tax on top or held, with rush."""
    starts = sorted(draw(st.sets(st.integers(2, 40), max_size=3)) | {1})
    falling = sorted(draw(st.lists(prices, min_size=4, max_size=4)), reverse=True)
    return replace(
        POSTED,
        currency=draw(st.sampled_from(["USD", "JPY", "KWD"])),
        stencil_prices=[StencilPrice("6x6in", n, p) for n, p in zip(starts, falling, strict=False)],
        minimum_charge=draw(prices),
        cut_minute_price=draw(prices),
        cut_seconds_included=60,
        tax_rate=draw(st.decimals(min_value=0, max_value=30, places=3)),
        tax_inclusive=draw(st.booleans()),
        rush_prices=(RushPrice(3, draw(st.decimals(min_value=0, max_value=90, places=2))),),
    )


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sheet=falling_sheets(), pieces=st.integers(1, 45), rush=st.sampled_from([None, 3]))
def test_one_more_piece_lowers_the_total_only_where_a_break_is_shown(
    sheet: PriceSheetData, pieces: int, rush: int | None
) -> None:
    """And where it does, the hint names that number of pieces or a cheaper one beyond it."""

    def of(number: int) -> QuoteRequest:
        each = item(number, cut_seconds=Decimal(95), weight_g=Decimal("6.15"))
        return QuoteRequest([each], {"clear": 1}, zone_code="home", rush_days=rush)

    fewer, more = quote(of(pieces), sheet), quote(of(pieces + 1), sheet)
    if more.total < fewer.total:
        assert "would cost less" in fewer.lines[0].reason
        ((_, hinted),) = worthwhile_breaks(of(pieces), sheet)
        assert hinted >= pieces + 1
        assert quote(of(hinted), sheet).lines[0].amount <= more.lines[0].amount


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sheet=falling_sheets(), pieces=st.integers(1, 45))
def test_inclusive_and_exclusive_tax_agree_to_the_cent(sheet: PriceSheetData, pieces: int) -> None:
    """The same base: tax on top of it, and tax held in base plus that tax, differ by no more than
    the rounding of the one tax to the minor unit (half a unit, on 1 + rate)."""
    on_top = replace(sheet, tax_inclusive=False)
    request = QuoteRequest([item(pieces)], {"clear": 1}, delivery="collect")
    net = quote(request, on_top)
    rate = sheet.tax_rate
    held = net.total * rate / (100 + rate)
    unit = Decimal(1).scaleb(-{"USD": 2, "JPY": 0, "KWD": 3}[sheet.currency])
    assert abs(held - net.tax) <= unit / 2
