"""Rounding and writing of money.

Outside source: ISO 4217 list one as the standard's maintenance agency publishes it, read through
the `iso4217` package, which carries that list.
"""

from decimal import Decimal

import pytest
from iso4217 import Currency

from pricing.errors import UnknownCurrencyError
from pricing.money import (
    DECIMALS_BY_CURRENCY,
    currency_decimals,
    format_money,
    format_percent,
    format_price,
    round_money,
)

# Funds and units of account of ISO 4217: in its list, but nobody is paid in them.
FUNDS = {"BOV", "CHE", "CHW", "CLF", "COU", "MXV", "USN", "UYI", "UYW", "XAD"}


def test_minor_units_are_those_of_iso_4217() -> None:
    """Every currency of the table has the decimals that the standard's own list gives."""
    published = {entry.code: entry.exponent for entry in Currency}
    differing = {
        code: (decimals, published[code])
        for code, decimals in DECIMALS_BY_CURRENCY.items()
        if code in published and published[code] != decimals
    }
    assert differing == {}


def test_no_currency_of_iso_4217_is_missing_or_invented() -> None:
    """The table is the standard's list less funds, metals and codes without a minor unit."""
    published = {entry.code for entry in Currency if entry.exponent is not None} - FUNDS
    assert published - set(DECIMALS_BY_CURRENCY) == set()
    assert set(DECIMALS_BY_CURRENCY) - published == set()


@pytest.mark.parametrize(
    ("amount", "currency", "rounded"),
    [
        ("2.344", "USD", "2.34"),
        ("2.345", "USD", "2.35"),
        ("2.3549", "USD", "2.35"),
        ("-2.345", "USD", "-2.35"),
        ("0.005", "EUR", "0.01"),
        ("1199.5", "JPY", "1200"),
        ("1199.49", "JPY", "1199"),
        ("1.2345", "KWD", "1.235"),
        ("1.2344", "KWD", "1.234"),
    ],
)
def test_a_half_goes_up_at_the_minor_unit(amount: str, currency: str, rounded: str) -> None:
    """Half up, away from nought for negative amounts, at 2, 0 and 3 decimals."""
    assert str(round_money(Decimal(amount), currency)) == rounded


def test_a_float_is_refused() -> None:
    """A float has lost the exact value before it arrives."""
    with pytest.raises(TypeError, match="money is a Decimal, not float"):
        round_money(12.5, "USD")  # type: ignore[arg-type]


def test_an_unknown_currency_is_one_sentence() -> None:
    """The sentence names the code and says what is wanted."""
    with pytest.raises(UnknownCurrencyError) as caught:
        currency_decimals("usd")
    assert str(caught.value) == (
        "“usd” is not a currency code of ISO 4217; "
        "use three capital letters such as USD, EUR or JPY."
    )


def test_amounts_are_written_with_their_currency_and_decimals() -> None:
    """The code first, always as many decimals as the currency has, never an exponent."""
    assert format_money(Decimal("12.5"), "USD") == "USD 12.50"
    assert format_money(Decimal("1E+3"), "USD") == "USD 1000.00"
    assert format_money(Decimal(1200), "JPY") == "JPY 1200"
    assert format_money(Decimal("-3"), "KWD") == "KWD -3.000"


def test_prices_keep_the_decimals_that_money_lacks() -> None:
    """A price of an eighth of a cent is shown whole; noughts from the database are not."""
    assert format_price(Decimal("0.1250"), "USD") == "USD 0.125"
    assert format_price(Decimal("8.0000"), "USD") == "USD 8.00"
    assert format_price(Decimal("1200.0000"), "JPY") == "JPY 1200"
    assert format_price(Decimal("1200.5"), "JPY") == "JPY 1200.5"


def test_percents_are_written_without_trailing_noughts() -> None:
    """As the database gives them and as people write them."""
    assert format_percent(Decimal("7.250")) == "7.25 %"
    assert format_percent(Decimal("20.000")) == "20 %"
    assert format_percent(Decimal("0.000")) == "0 %"
