"""Work out a quote: what is asked for and a price sheet in, explained lines and a total out.

Pure arithmetic on Decimals: no database, no clock, no settings. The order of work is stencils by
size (a quantity break counts all stencils of one size in the order), film, set-up per new design,
cutting time above the allowance, bags of cut-outs, minimum charge, rush, postage, tax. Every line
is rounded on its own; tax is worked per rate on the sum of the lines it applies to, not line by
line, as EN 16931 does (its rule BR-CO-17: tax amount = taxable amount x rate / 100, rounded to
two decimals).
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any

from pricing import lines as work
from pricing.errors import EmptyOrderError
from pricing.lines import LineKind, QuoteLine, TaxLine
from pricing.terms import (
    NOTHING,
    Delivery,
    FilmSheetPrice,
    Mode,
    PostagePrice,
    PostageZone,
    PriceSheetData,
    QuoteItem,
    QuoteRequest,
    RushPrice,
    StencilPrice,
)

__all__ = [
    "Delivery",
    "FilmSheetPrice",
    "LineKind",
    "Mode",
    "PostagePrice",
    "PostageZone",
    "PriceSheetData",
    "Quote",
    "QuoteItem",
    "QuoteLine",
    "QuoteRequest",
    "RushPrice",
    "StencilPrice",
    "TaxLine",
    "quote",
    "worthwhile_breaks",
]


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

    Raises EmptyOrderError, one of the Unpriced errors (each a sentence for the person at the
    screen) and ValueError where `sheets_of_film` leaves out a film.
    """
    if not request.items:
        raise EmptyOrderError("There is nothing in this order yet; add a design first.")
    lines = [
        *work.stencil_lines(request.items, sheet),
        *work.film_lines(request, sheet),
        *work.set_up_lines(request.items, sheet),
        *work.cutting_lines(request.items, sheet),
        *work.cut_outs_lines(request.items, sheet),
    ]
    lines += work.minimum_lines(lines, sheet)
    lines += work.rush_lines(lines, request.rush_days, sheet)
    lines.append(work.postage_line(request, sheet))
    subtotal = work.sum_of(lines)
    tax_lines = work.tax_lines(lines, sheet)
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


def worthwhile_breaks(request: QuoteRequest, sheet: PriceSheetData) -> list[tuple[str, int]]:
    """Return (size, number of pieces) where that many stencils cost less than those asked for.

    Of a size's breaks above the order's count, the one that comes cheapest. Only stencils are
    compared: what more film, cutting and postage do to it, the caller finds by a quote for it.
    """
    found = []
    for blank_code in dict.fromkeys(item.blank_code for item in request.items):
        quantity = sum(i.quantity for i in request.items if i.blank_code == blank_code)
        breaks = [p for p in sheet.stencil_prices if p.blank_code == blank_code]
        reached = [p for p in breaks if p.from_quantity <= quantity]
        if not reached:
            continue
        now = quantity * max(reached, key=lambda price: price.from_quantity).unit_price
        ahead = [
            (p.from_quantity * p.unit_price, p.from_quantity)
            for p in breaks
            if p.from_quantity > quantity and p.from_quantity * p.unit_price < now
        ]
        if ahead:
            found.append((blank_code, min(ahead)[1]))
    return found


def _decimals_as_text(value: Any) -> Any:
    """The same nest of dicts and lists with every Decimal written as plain text."""
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dict):
        return {key: _decimals_as_text(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_decimals_as_text(entry) for entry in value]
    return value
