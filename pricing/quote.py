"""Work out a quote: what is asked for and a price sheet in, explained lines and a total out.

Pure arithmetic on Decimals: no database, no clock, no settings. The order of work is stencils by
size (a quantity break counts all stencils of one size in the order), film by the sheet, set-up per
new design, bags of cut-outs, minimum charge, postage, tax. Every line is rounded on its own; tax is
worked per rate on the sum of the lines it applies to, not line by line, as EN 16931 does (its rule
BR-CO-17: tax amount = taxable amount x rate / 100, rounded to two decimals).
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any, Literal

from pricing.errors import (
    EmptyOrderError,
    UnpricedFilmError,
    UnpricedQuantityError,
    UnpricedSizeError,
)
from pricing.money import format_money, format_percent, format_price, round_money

Mode = Literal["stencil", "mask"]
Delivery = Literal["post", "collect"]
LineKind = Literal["stencils", "film", "set-up", "cut-outs", "minimum", "postage"]

NOTHING = Decimal(0)
HUNDRED = Decimal(100)


@dataclass(frozen=True)
class QuoteItem:
    """One design on one size of blank and one film, so many times.

    `design_key` is the same for all items of one design (any versions, sizes and modes of it);
    `new_design` says that this workshop has not set it up before.
    """

    blank_code: str
    blank_name: str
    quantity: int
    film_code: str
    design_key: str
    design_title: str
    new_design: bool = True
    with_cut_outs: bool = True
    mode: Mode = "stencil"

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise ValueError("the quantity of an item is 1 or more")


@dataclass(frozen=True)
class QuoteRequest:
    """What is to be quoted. `sheets_of_film` maps every film code of the items to the number of
    sheets that this order alone takes (0 for film that comes as blanks already cut to size)."""

    items: Sequence[QuoteItem]
    sheets_of_film: Mapping[str, int]
    delivery: Delivery = "post"


@dataclass(frozen=True)
class StencilPrice:
    """The price of one stencil of a size when the order holds `from_quantity` or more of it."""

    blank_code: str
    from_quantity: int
    unit_price: Decimal


@dataclass(frozen=True)
class FilmSheetPrice:
    """The charge for each sheet of a film that the order takes."""

    film_code: str
    film_name: str
    price_per_sheet: Decimal


@dataclass(frozen=True)
class PriceSheetData:
    """A price sheet as plain values. Prices may have more decimals than money has.

    `tax_rate` is in percent; `postage_tax_rate` None means the same rate as everything else.
    With `tax_inclusive` all prices hold their tax already.
    """

    name: str
    currency: str
    stencil_prices: Sequence[StencilPrice]
    film_prices: Sequence[FilmSheetPrice]
    set_up_price: Decimal = NOTHING
    cut_outs_bag_price: Decimal = NOTHING
    minimum_charge: Decimal = NOTHING
    postage_price: Decimal = NOTHING
    tax_name: str = "Tax"
    tax_rate: Decimal = NOTHING
    postage_tax_rate: Decimal | None = None
    tax_inclusive: bool = False
    lead_working_days: int = 5
    quote_valid_days: int = 14

    @property
    def rate_of_postage(self) -> Decimal:
        """The percent of tax on postage."""
        return self.tax_rate if self.postage_tax_rate is None else self.postage_tax_rate


@dataclass(frozen=True)
class QuoteLine:
    """One line: what, why, and quantity x unit_price rounded to `amount`. `tax_rate` in percent."""

    kind: LineKind
    text: str
    reason: str
    quantity: Decimal
    unit_price: Decimal
    amount: Decimal
    tax_rate: Decimal


@dataclass(frozen=True)
class TaxLine:
    """The tax at one rate on `base`, the sum of the lines of that rate.

    With tax-inclusive prices `base` holds the tax and `amount` is the part of it that is tax.
    """

    text: str
    rate: Decimal
    base: Decimal
    amount: Decimal


@dataclass(frozen=True)
class Quote:
    """Explained lines. `subtotal` is the sum of the lines; `total` is what is to be paid: the
    subtotal plus tax, or the subtotal itself where prices hold their tax (`tax_inclusive`)."""

    lines: tuple[QuoteLine, ...]
    subtotal: Decimal
    tax_lines: tuple[TaxLine, ...]
    total: Decimal
    currency: str
    tax_inclusive: bool
    price_sheet_name: str

    @property
    def tax(self) -> Decimal:
        """All tax together."""
        return sum((line.amount for line in self.tax_lines), NOTHING)

    def to_json(self) -> dict[str, Any]:
        """Return plain values that json can write, decimals as text, to freeze a quote."""
        return _decimals_as_text(asdict(self))

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Quote":
        """Return the quote that `to_json` wrote, equal in every field."""
        decimals = ("quantity", "unit_price", "amount", "tax_rate", "rate", "base")

        def row(values: Mapping[str, Any]) -> dict[str, Any]:
            return {k: Decimal(v) if k in decimals else v for k, v in values.items()}

        return cls(
            lines=tuple(QuoteLine(**row(line)) for line in data["lines"]),
            subtotal=Decimal(data["subtotal"]),
            tax_lines=tuple(TaxLine(**row(line)) for line in data["tax_lines"]),
            total=Decimal(data["total"]),
            currency=data["currency"],
            tax_inclusive=data["tax_inclusive"],
            price_sheet_name=data["price_sheet_name"],
        )


def quote(request: QuoteRequest, sheet: PriceSheetData) -> Quote:
    """Return the quote for `request` by the prices of `sheet`.

    Raises EmptyOrderError, UnpricedSizeError, UnpricedQuantityError, UnpricedFilmError (each a
    sentence for the person at the screen) and ValueError where `sheets_of_film` leaves out a film.
    """
    if not request.items:
        raise EmptyOrderError("There is nothing in this order yet; add a design first.")
    lines = [
        *_stencil_lines(request.items, sheet),
        *_film_lines(request, sheet),
        *_set_up_lines(request.items, sheet),
        *_cut_outs_lines(request.items, sheet),
    ]
    lines += _minimum_lines(lines, sheet)
    lines.append(_postage_line(request.delivery, sheet))
    subtotal = _sum_of(lines)
    tax_lines = _tax_lines(lines, sheet)
    tax = sum((line.amount for line in tax_lines), NOTHING)
    return Quote(
        lines=tuple(lines),
        subtotal=subtotal,
        tax_lines=tax_lines,
        total=subtotal if sheet.tax_inclusive else subtotal + tax,
        currency=sheet.currency,
        tax_inclusive=sheet.tax_inclusive,
        price_sheet_name=sheet.name,
    )


# --- the lines, in the order of work ---------------------------------------------------------


def _stencil_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
    """One line per size, at the price of the break that the whole order's count reaches."""
    items_by_size: dict[str, list[QuoteItem]] = defaultdict(list)
    for item in items:
        items_by_size[item.blank_code].append(item)
    lines = []
    for blank_code, of_size in items_by_size.items():
        quantity = sum(item.quantity for item in of_size)
        blank_name = of_size[0].blank_name
        price, next_price = _break_for(blank_code, blank_name, quantity, sheet)
        text = f"{_count_of_pieces(of_size)}, {blank_name}"
        reason = _break_reason(of_size, quantity, price, next_price, sheet.currency)
        lines.append(_line("stencils", text, reason, quantity, price.unit_price, sheet))
    return lines


def _break_for(
    blank_code: str, blank_name: str, quantity: int, sheet: PriceSheetData
) -> tuple[StencilPrice, StencilPrice | None]:
    """The price that applies to `quantity` pieces, and the next break if there is one."""
    breaks = sorted(
        (price for price in sheet.stencil_prices if price.blank_code == blank_code),
        key=lambda price: price.from_quantity,
    )
    if not breaks:
        raise UnpricedSizeError(
            f"There is no price yet for stencils of {blank_name}; "
            "choose another size or ask the workshop."
        )
    reached = [price for price in breaks if price.from_quantity <= quantity]
    if not reached:
        raise UnpricedQuantityError(
            f"Stencils of {blank_name} are priced from {breaks[0].from_quantity} pieces; "
            f"this order has {quantity}: order more of them or ask the workshop."
        )
    following = breaks[len(reached) :]
    return reached[-1], following[0] if following else None


def _break_reason(
    of_size: Sequence[QuoteItem],
    quantity: int,
    price: StencilPrice,
    next_price: StencilPrice | None,
    currency: str,
) -> str:
    """Which pieces were counted together, which break applied, and what the next one would do."""
    each = format_price(price.unit_price, currency)
    if len(of_size) == 1:
        reason = f"{of_size[0].design_title}."
    else:
        counted = ", ".join(
            f"{item.quantity} of {item.design_title}{' as mask' if item.mode == 'mask' else ''}"
            for item in of_size
        )
        reason = f"All of this size count together: {counted}."
    if price.from_quantity > 1:
        reason += f" The price from {price.from_quantity} pieces applies: {each} each."
    else:
        reason += f" {each} each."
    if next_price is not None:
        next_each = format_price(next_price.unit_price, currency)
        reason += f" From {next_price.from_quantity} pieces it is {next_each} each"
        next_amount = next_price.from_quantity * next_price.unit_price
        if next_amount < quantity * price.unit_price:
            reason += f", so {next_price.from_quantity} would cost less than {quantity} do"
        reason += "."
    return reason


def _film_lines(request: QuoteRequest, sheet: PriceSheetData) -> list[QuoteLine]:
    """One line per film that the order takes sheets of."""
    prices = {price.film_code: price for price in sheet.film_prices}
    lines = []
    for film_code in dict.fromkeys(item.film_code for item in request.items):
        if film_code not in request.sheets_of_film:
            raise ValueError(f"sheets_of_film says nothing about film {film_code!r}")
        sheets = request.sheets_of_film[film_code]
        if sheets == 0:
            continue
        if film_code not in prices:
            raise UnpricedFilmError(
                f"There is no price yet for sheets of film “{film_code}”; "
                "choose another film or ask the workshop."
            )
        price = prices[film_code]
        pieces = sum(item.quantity for item in request.items if item.film_code == film_code)
        text = f"{_count(sheets, 'sheet')} of film, {price.film_name or film_code}"
        reason = (
            f"{_count(pieces, 'piece')} of this order laid side by side"
            f" {'takes' if pieces == 1 else 'take'} {_count(sheets, 'sheet')}."
        )
        if price.price_per_sheet == 0:
            reason += " The film is included in the price of the stencils."
        lines.append(_line("film", text, reason, sheets, price.price_per_sheet, sheet))
    return lines


def _set_up_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
    """One line for all designs set up for the first time; per design, whatever its sizes."""
    if sheet.set_up_price == 0:
        return []
    title_by_key = {item.design_key: item.design_title for item in items}
    new_keys = {item.design_key for item in items if item.new_design}
    new_titles = [title for key, title in title_by_key.items() if key in new_keys]
    old_titles = [title for key, title in title_by_key.items() if key not in new_keys]
    reasons = []
    if new_titles:
        reasons.append(
            f"Once for each new design, however many sizes it is cut in: {', '.join(new_titles)}."
        )
    if old_titles:
        reasons.append(f"Nothing for what was set up before: {', '.join(old_titles)}.")
    text = f"Set-up of {_count(len(new_titles), 'new design')}" if new_titles else "No set-up"
    return [_line("set-up", text, " ".join(reasons), len(new_titles), sheet.set_up_price, sheet)]


def _cut_outs_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
    """One line for the bags of cut-outs, a bag per item; a mask's pieces are the product itself."""
    stencils = [item for item in items if item.mode == "stencil"]
    bagged = [item for item in stencils if item.with_cut_outs]
    declined = [item for item in stencils if not item.with_cut_outs]
    if not bagged:
        return []
    reason = f"What falls out of the openings, a bag each: {_titles(bagged)}."
    if declined:
        reason += f" Declined for {_titles(declined)}."
    if sheet.cut_outs_bag_price == 0:
        reason += " Free of charge."
    text = f"{_count(len(bagged), 'bag')} of cut-outs"
    return [_line("cut-outs", text, reason, len(bagged), sheet.cut_outs_bag_price, sheet)]


def _minimum_lines(lines: Sequence[QuoteLine], sheet: PriceSheetData) -> list[QuoteLine]:
    """What lifts a small order to the minimum charge, before postage; none where it is reached."""
    so_far = _sum_of(lines)
    minimum = round_money(sheet.minimum_charge, sheet.currency)
    if so_far >= minimum:
        return []
    reason = (
        f"The smallest order is {format_money(minimum, sheet.currency)} before postage; "
        f"the lines above come to {format_money(so_far, sheet.currency)}."
    )
    return [_line("minimum", "Up to the minimum charge", reason, 1, minimum - so_far, sheet)]


def _postage_line(delivery: Delivery, sheet: PriceSheetData) -> QuoteLine:
    """Postage, or the line that says there is none."""
    if delivery == "collect":
        text, reason, price = "Collected", "Fetched from the workshop: no postage.", NOTHING
    else:
        text, reason, price = "Postage", "One parcel with everything in it.", sheet.postage_price
        if price == 0:
            reason += " Free of charge."
    return _line("postage", text, reason, 1, price, sheet, tax_rate=sheet.rate_of_postage)


def _tax_lines(lines: Sequence[QuoteLine], sheet: PriceSheetData) -> tuple[TaxLine, ...]:
    """Tax per rate on the sum of its lines, the highest rate first."""
    amounts: dict[Decimal, Decimal] = defaultdict(lambda: NOTHING)
    for line in lines:
        amounts[line.tax_rate] += line.amount
    tax_lines = []
    for rate in sorted(amounts, reverse=True):
        base = amounts[rate]
        if rate == 0 and base == 0:
            continue
        share = rate / (HUNDRED + rate) if sheet.tax_inclusive else rate / HUNDRED
        base_text = format_money(base, sheet.currency)
        joint = "held in" if sheet.tax_inclusive and rate > 0 else "on"
        text = f"{sheet.tax_name} {format_percent(rate)} {joint} {base_text}"
        amount = round_money(base * share, sheet.currency)
        tax_lines.append(TaxLine(text=text, rate=rate, base=base, amount=amount))
    return tuple(tax_lines)


# --- small helpers -------------------------------------------------------------------------


def _line(
    kind: LineKind,
    text: str,
    reason: str,
    quantity: int,
    unit_price: Decimal,
    sheet: PriceSheetData,
    *,
    tax_rate: Decimal | None = None,
) -> QuoteLine:
    """A line with its amount rounded, at the sheet's tax rate unless another is given."""
    return QuoteLine(
        kind=kind,
        text=text,
        reason=reason,
        quantity=Decimal(quantity),
        unit_price=unit_price,
        amount=round_money(quantity * unit_price, sheet.currency),
        tax_rate=sheet.tax_rate if tax_rate is None else tax_rate,
    )


def _sum_of(lines: Sequence[QuoteLine]) -> Decimal:
    return sum((line.amount for line in lines), NOTHING)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _count_of_pieces(items: Sequence[QuoteItem]) -> str:
    """ "3 stencils", "1 mask", or "5 pieces (3 stencils, 2 masks)"."""
    counts = {
        noun: sum(item.quantity for item in items if item.mode == noun)
        for noun in ("stencil", "mask")
    }
    named = [_count(number, noun) for noun, number in counts.items() if number]
    if len(named) == 1:
        return named[0]
    return f"{_count(sum(counts.values()), 'piece')} ({', '.join(named)})"


def _titles(items: Sequence[QuoteItem]) -> str:
    return ", ".join(f"{item.design_title} ({item.blank_name})" for item in items)


def _decimals_as_text(value: Any) -> Any:
    """The same nest of dicts and lists with every Decimal written as plain text."""
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dict):
        return {key: _decimals_as_text(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_decimals_as_text(entry) for entry in value]
    return value
