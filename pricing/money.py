"""Round and print money: Decimal only, one rounding rule, one way of writing an amount.

The number of decimals of a currency is its minor unit in ISO 4217 ("Codes for the representation
of currencies"): two for most, none for the yen, three for the Kuwaiti dinar. The table below holds
the national currencies of that standard's list one; funds, metals and test codes are left out, as
nobody is paid in them.
"""

from decimal import ROUND_HALF_UP, Decimal

from pricing.errors import UnknownCurrencyError

# ISO 4217 list one, by number of decimals of the minor unit.
_CODES_BY_DECIMALS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BRL BSD BTN BWP BYN BZD "
    "CAD CDF CHF CNY COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP "
    "GMD GTQ GYD HKD HNL HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD "
    "LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB "
    "PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC "
    "SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD UYU UZS VED VES WST XCD XCG YER ZAR ZMW ZWG",
    3: "BHD IQD JOD KWD LYD OMR TND",
}
DECIMALS_BY_CURRENCY: dict[str, int] = {
    code: decimals for decimals, codes in _CODES_BY_DECIMALS.items() for code in codes.split()
}


def currency_decimals(currency: str) -> int:
    """Return how many decimals money of `currency` has (ISO 4217 code in capitals).

    Raises UnknownCurrencyError for a code that is not in the table.
    """
    try:
        return DECIMALS_BY_CURRENCY[currency]
    except KeyError:
        raise UnknownCurrencyError(
            f"“{currency}” is not a currency code of ISO 4217; "
            "use three capital letters such as USD, EUR or JPY."
        ) from None


def round_money(amount: Decimal, currency: str) -> Decimal:
    """Return `amount` rounded half up to the minor unit of `currency`.

    Half up means that a half goes away from zero: 2.345 -> 2.35 and -2.345 -> -2.35. This is the
    only rounding of money in the project. Raises TypeError for anything but a Decimal (a float
    has already lost the exact value) and UnknownCurrencyError.
    """
    if not isinstance(amount, Decimal):
        raise TypeError(f"money is a Decimal, not {type(amount).__name__}")
    step = Decimal(1).scaleb(-currency_decimals(currency))
    return amount.quantize(step, rounding=ROUND_HALF_UP)


def format_money(amount: Decimal, currency: str) -> str:
    """Return an amount as it is shown everywhere: "USD 12.50", "JPY 1200", "USD -3.00"."""
    return f"{currency} {round_money(amount, currency):f}"


def format_price(price: Decimal, currency: str) -> str:
    """Return a price that may have more decimals than money has: "USD 0.125", "USD 6.00".

    Trailing noughts past the minor unit are dropped, nothing is rounded.
    """
    rounded = round_money(price, currency)
    shown = rounded if rounded == price else price.normalize()
    return f"{currency} {shown:f}"


def format_percent(rate: Decimal) -> str:
    """Return a tax rate given in percent without trailing noughts: "7.25 %", "20 %"."""
    return f"{rate.normalize():f} %"
