"""The lines of a quote, one function a kind, in the order of work; see `pricing.quote`."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from typing import Literal

from pricing.errors import (
    UnpricedFilmError,
    UnpricedQuantityError,
    UnpricedRushError,
    UnpricedSizeError,
)
from pricing.money import format_money, format_percent, format_price, round_money
from pricing.postage import postage_of
from pricing.terms import (
    NOTHING,
    PriceSheetData,
    QuoteItem,
    QuoteRequest,
    StencilPrice,
)

LineKind = Literal[
    "stencils", "film", "set-up", "cutting", "cut-outs", "minimum", "rush", "postage"
]
HUNDRED = Decimal(100)
A_MINUTE_S = Decimal(60)
TENTH = Decimal("0.1")
INCLUDED_FILM = " The film is included in the price of the stencils."


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


def stencil_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
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


def film_lines(request: QuoteRequest, sheet: PriceSheetData) -> list[QuoteLine]:
    """One line per film: by the sheet, or by the blank where it comes ready cut."""
    lines = []
    for film_code in dict.fromkeys(item.film_code for item in request.items):
        if film_code not in request.sheets_of_film:
            raise ValueError(f"sheets_of_film says nothing about film {film_code!r}")
        if request.sheets_of_film[film_code]:
            lines.append(_sheets_line(film_code, request, sheet))
        elif request.blanks_of_film.get(film_code):
            lines.append(_blanks_line(film_code, request, sheet))
    return lines


def _sheets_line(film_code: str, request: QuoteRequest, sheet: PriceSheetData) -> QuoteLine:
    sheets = request.sheets_of_film[film_code]
    prices = {price.film_code: price for price in sheet.film_prices}
    of_film = [item for item in request.items if item.film_code == film_code]
    if film_code not in prices:
        raise UnpricedFilmError(
            f"There is no price yet for sheets of film “{of_film[0].film_name or film_code}”; "
            "choose another film or ask the workshop."
        )
    price = prices[film_code]
    pieces = sum(item.quantity for item in of_film)
    text = f"{_count(sheets, 'sheet')} of film, {price.film_name or film_code}"
    reason = f"{pieces} pieces of this order laid side by side take {_count(sheets, 'sheet')}."
    if pieces == 1:
        reason = f"The piece of this order takes {_count(sheets, 'sheet')}."
    if price.price_per_sheet == 0:
        reason += INCLUDED_FILM
    return _line("film", text, reason, sheets, price.price_per_sheet, sheet)


def _blanks_line(film_code: str, request: QuoteRequest, sheet: PriceSheetData) -> QuoteLine:
    """Film that is ready cut: a blank for each piece; without a price of its own it is included."""
    blanks = request.blanks_of_film[film_code]
    prices = {price.film_code: price for price in sheet.film_prices}
    named = next((item.film_name for item in request.items if item.film_code == film_code), "")
    price = prices.get(film_code)
    each = price.price_per_sheet if price else NOTHING
    name = named or (price.film_name if price else "") or film_code
    reason = "Film that is ready cut: one for each piece."
    if each == 0:
        reason += INCLUDED_FILM
    text = f"{_count(blanks, 'blank')} of film, {name}"
    return _line("film", text, reason, blanks, each, sheet)


def set_up_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
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


def cut_outs_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
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


def minimum_lines(lines: Sequence[QuoteLine], sheet: PriceSheetData) -> list[QuoteLine]:
    """What lifts a small order to the minimum charge, before postage; none where it is reached."""
    so_far = sum_of(lines)
    minimum = round_money(sheet.minimum_charge, sheet.currency)
    if so_far >= minimum:
        return []
    reason = (
        f"The smallest order is {format_money(minimum, sheet.currency)} before postage; "
        f"the lines above come to {format_money(so_far, sheet.currency)}."
    )
    return [_line("minimum", "Up to the minimum charge", reason, 1, minimum - so_far, sheet)]


def cutting_lines(items: Sequence[QuoteItem], sheet: PriceSheetData) -> list[QuoteLine]:
    """One line for the laser's time above what the price of each stencil holds."""
    if sheet.cut_minute_price == 0:
        return []
    over = [(item, _minutes_over(item, sheet)) for item in items]
    over = [(item, minutes) for item, minutes in over if minutes]
    if not over:
        return []
    minutes = sum((item.quantity * each for item, each in over), NOTHING)
    named = ", ".join(
        f"{item.quantity} of {item.design_title} at {each.normalize():f} min more"
        for item, each in over
    )
    included = (Decimal(sheet.cut_seconds_included) / A_MINUTE_S).quantize(TENTH).normalize()
    reason = (
        f"Fine work keeps the laser longer than the {included:f} min that each price holds: {named}"
        f". {format_price(sheet.cut_minute_price, sheet.currency)} for each minute."
    )
    text = f"{minutes.normalize():f} min of cutting above the usual"
    return [_line("cutting", text, reason, minutes, sheet.cut_minute_price, sheet)]


def _minutes_over(item: QuoteItem, sheet: PriceSheetData) -> Decimal:
    """Minutes of one piece above the allowance, rounded up to a tenth."""
    seconds = item.cut_seconds - sheet.cut_seconds_included
    if seconds <= 0:
        return NOTHING
    return (seconds / A_MINUTE_S).quantize(TENTH, rounding=ROUND_CEILING)


def rush_lines(
    lines: Sequence[QuoteLine], rush_days: int | None, sheet: PriceSheetData
) -> list[QuoteLine]:
    """The charge for an order within so many working days, on everything but postage."""
    if rush_days is None:
        return []
    offered = {price.within_days: price for price in sheet.rush_prices}
    if rush_days not in offered:
        raise UnpricedRushError(
            f"The workshop does not offer it within {_count(rush_days, 'working day')} any more; "
            "choose another time."
        )
    goods = sum_of(lines)
    percent = offered[rush_days].percent
    text = f"Rush, within {_count(rush_days, 'working day')}"
    reason = (
        f"{format_percent(percent)} of {format_money(goods, sheet.currency)}, "
        "all that stands above, for being cut before what waits."
    )
    charge = round_money(goods * percent / HUNDRED, sheet.currency)
    return [_line("rush", text, reason, 1, charge, sheet)]


def postage_line(request: QuoteRequest, sheet: PriceSheetData) -> QuoteLine:
    """Postage, or the line that says there is none."""
    if request.delivery == "collect":
        text, reason, price = "Collected", "Fetched from the workshop: no postage.", NOTHING
    else:
        post = postage_of(request.items, request.zone_code, sheet)
        text, reason, price = "Postage", post.reason, post.price
        if price == 0:
            reason += " Free of charge."
    return _line("postage", text, reason, 1, price, sheet, tax_rate=sheet.rate_of_postage)


def tax_lines(lines: Sequence[QuoteLine], sheet: PriceSheetData) -> tuple[TaxLine, ...]:
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
    quantity: int | Decimal,
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


def sum_of(lines: Sequence[QuoteLine]) -> Decimal:
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
