"""A price sheet as plain rows of text, as a form or a CSV file brings them; and back.

Every row is (kind, code, name, from, value):

    setting,  <which>,   ,        ,       value        e.g. setting,tax_rate,,,7.25
    stencil,  <size>,    ,        pieces, price        price of each from so many pieces on
    film,     <film>,    name,    ,       price        each sheet, or each ready-cut blank
    rush,     ,          ,        days,   percent      within so many working days
    zone,     <zone>,    name,    ,       countries    parted by commas; none: everywhere else
    postage,  <zone>,    ,        grams,  price        up to this weight

`sheet_from_rows` reads them all or nothing: it returns the sheet only where no row is wrong.
"""

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from typing import Any

from pricing.errors import PriceError
from pricing.money import currency_decimals
from pricing.terms import (
    FilmSheetPrice,
    PostagePrice,
    PostageZone,
    PriceSheetData,
    RushPrice,
    StencilPrice,
)

COLUMNS = ("kind", "code", "name", "from", "value")
LARGEST = Decimal(10) ** 7
HUNDRED = Decimal(100)


@dataclass(frozen=True)
class Row:
    """One row; `where` names the place for its errors: a line of a file or a field of a form."""

    where: str
    kind: str
    code: str = ""
    name: str = ""
    start: str = ""
    value: str = ""


@dataclass(frozen=True)
class Fault:
    """What is wrong with a row, in a sentence."""

    where: str
    sentence: str


class _WrongError(ValueError):
    """A value that cannot be read; its text is the sentence."""


def _price(text: str, what: str) -> Decimal:
    number = _decimal(text, what)
    if number < 0 or number > LARGEST:
        raise _WrongError(f"{what} is nothing or more, and less than ten million.")
    if number != number.quantize(Decimal("0.0001")):
        raise _WrongError(f"{what} has four decimals at most.")
    return number


def _percent(text: str, what: str) -> Decimal:
    number = _decimal(text, what)
    if not 0 <= number <= HUNDRED:
        raise _WrongError(f"{what} is from 0 to 100 percent.")
    if number != number.quantize(Decimal("0.001")):
        raise _WrongError(f"{what} has three decimals at most.")
    return number


def _decimal(text: str, what: str) -> Decimal:
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite() or abs(number) > LARGEST * 10:
        raise _WrongError(f"{what} is a number such as 6.80, with a point, not “{text.strip()}”.")
    return number


def _whole(text: str, what: str, least: int = 0) -> int:
    text = text.strip()
    if not (text.isascii() and text.isdecimal() and len(text) < 8 and int(text) >= least):
        raise _WrongError(f"{what} is a whole number, {least} or more, not “{text}”.")
    return int(text)


def _yes_no(text: str, what: str) -> bool:
    if text.strip().lower() not in ("yes", "no"):
        raise _WrongError(f"{what} is yes or no, not “{text.strip()}”.")
    return text.strip().lower() == "yes"


def _text(text: str, what: str) -> str:
    text = " ".join(text.split())
    if not text:
        raise _WrongError(f"{what} is missing.")
    return text


def _currency(text: str, what: str) -> str:
    try:
        currency_decimals(text.strip())
    except PriceError as error:
        raise _WrongError(str(error)) from None
    return text.strip()


def _some_percent(text: str, what: str) -> Decimal | None:
    return _percent(text, what) if text.strip() else None


# which -> (how it is read, what it is called). Every one must be there.
SETTINGS: dict[str, tuple[Callable[[str, str], Any], str]] = {
    "currency": (_currency, "Currency"),
    "tax_name": (lambda text, what: _text(text, what)[:30], "Name of the tax"),
    "tax_rate": (_percent, "Tax rate"),
    "postage_tax_rate": (_some_percent, "Tax rate of postage"),
    "tax_inclusive": (_yes_no, "Prices hold their tax"),
    "set_up_price": (_price, "Set-up of a new design"),
    "cut_outs_bag_price": (_price, "Bag of cut-outs"),
    "minimum_charge": (_price, "Smallest order"),
    "cut_seconds_included": (_whole, "Laser seconds held in each price"),
    "cut_minute_price": (_price, "Each laser minute above that"),
    "postage_price": (_price, "Postage where there are no zones"),
    "packing_g": (_whole, "Weight of the packing, g"),
    "lead_working_days": (_whole, "Lead time, working days"),
    "quote_valid_days": (lambda text, what: _whole(text, what, 1), "Quotes are good for, days"),
}


def sheet_from_rows(
    rows: Iterable[Row], *, name: str, sizes: Sequence[str]
) -> tuple[PriceSheetData | None, list[Fault]]:
    """Return the sheet, or None and what is wrong with which row; `sizes` are those there are."""
    reader = _Reader(sizes)
    for row in rows:
        reader.take(row)
    reader.finish()
    return (None if reader.faults else reader.sheet(name)), reader.faults


class _Reader:
    """Collects values and faults row by row."""

    def __init__(self, sizes: Sequence[str]) -> None:
        self.sizes = sizes
        self.faults: list[Fault] = []
        self.settings: dict[str, Any] = {}
        self.stencils: dict[tuple[str, int], StencilPrice] = {}
        self.films: dict[str, FilmSheetPrice] = {}
        self.rush: dict[int, RushPrice] = {}
        self.zones: dict[str, PostageZone] = {}
        self.postage: dict[tuple[str, int], PostagePrice] = {}
        self.where: dict[Any, str] = {}

    def take(self, row: Row) -> None:
        """Read one row by its kind."""
        kinds: dict[str, Callable[[Row], None]] = {
            "setting": self._setting,
            "stencil": self._stencil,
            "film": self._film,
            "rush": self._rush,
            "zone": self._zone,
            "postage": self._postage,
        }
        read = kinds.get(row.kind)
        try:
            if read is None:
                raise _WrongError(f"“{row.kind}” is none of {', '.join(kinds)}.")
            read(row)
        except _WrongError as error:
            self.faults.append(Fault(row.where, str(error)))

    def finish(self) -> None:
        """Look at what only shows once everything is read."""
        for which, (_, words) in SETTINGS.items():
            if which not in self.settings and not self.faults:
                self.faults.append(Fault("", f"{words} is missing (setting,{which})."))
        everywhere = [zone for zone in self.zones.values() if not zone.countries]
        if len(everywhere) > 1:
            names = " and ".join(zone.name for zone in everywhere)
            self.faults.append(Fault("", f"Only one zone may name no countries, not {names}."))
        self._check_countries()
        for code in self.zones:
            self._check_steps(code)
        for (code, _), price in self.postage.items():
            if code not in self.zones:
                told = f"There is no zone “{code}” for this postage."
                self.faults.append(Fault(self.where[price], told))

    def sheet(self, name: str) -> PriceSheetData:
        """Return what was read."""
        return PriceSheetData(
            name=name,
            stencil_prices=tuple(self.stencils[key] for key in sorted(self.stencils)),
            film_prices=tuple(self.films.values()),
            rush_prices=tuple(self.rush[key] for key in sorted(self.rush)),
            zones=tuple(self.zones.values()),
            postage_prices=tuple(self.postage.values()),
            **self.settings,
        )

    def _setting(self, row: Row) -> None:
        if row.code not in SETTINGS:
            raise _WrongError(f"There is no setting “{row.code}”.")
        _once(row.code in self.settings, f"The setting {row.code}")
        read, words = SETTINGS[row.code]
        self.settings[row.code] = read(row.value, words)

    def _stencil(self, row: Row) -> None:
        if row.code not in self.sizes:
            raise _WrongError(f"There is no size “{row.code}”; sizes are {', '.join(self.sizes)}.")
        pieces = _whole(row.start, "The number of pieces", 1)
        _once((row.code, pieces) in self.stencils, f"The price of {row.code} from {pieces}")
        price = _price(row.value, f"The price of {row.code} from {pieces}")
        self.stencils[row.code, pieces] = StencilPrice(row.code, pieces, price)

    def _film(self, row: Row) -> None:
        code = _text(row.code, "The film's code")
        _once(code in self.films, f"The film {code}")
        price = _price(row.value, f"The price of {row.name or code}")
        self.films[code[:40]] = FilmSheetPrice(code[:40], " ".join(row.name.split())[:80], price)

    def _rush(self, row: Row) -> None:
        days = _whole(row.start, "Within how many working days", 1)
        _once(days in self.rush, f"Rush within {days} days")
        self.rush[days] = RushPrice(days, _percent(row.value, "The charge for rush"))

    def _zone(self, row: Row) -> None:
        code = _text(row.code, "The zone's code")[:20]
        _once(code in self.zones, f"The zone {code}")
        countries = tuple(
            dict.fromkeys(" ".join(part.split()) for part in row.value.split(",") if part.strip())
        )
        self.zones[code] = PostageZone(code, _text(row.name, "The zone's name")[:80], countries)
        self.where[self.zones[code]] = row.where

    def _postage(self, row: Row) -> None:
        grams = _whole(row.start, "The weight in grams", 1)
        _once((row.code, grams) in self.postage, f"Postage to {row.code} up to {grams} g")
        price = PostagePrice(row.code, grams, _price(row.value, "The postage"))
        self.postage[row.code, grams] = price
        self.where[price] = row.where

    def _check_countries(self) -> None:
        seen: dict[str, str] = {}
        for zone in self.zones.values():
            for country in zone.countries:
                if seen.setdefault(country.casefold(), zone.code) != zone.code:
                    told = f"{country} is in two zones; take it out of one."
                    self.faults.append(Fault(self.where[zone], told))

    def _check_steps(self, code: str) -> None:
        """Each zone has a price, and a heavier parcel never costs less."""
        zone = self.zones[code]
        steps = sorted(
            (p for (z, _), p in self.postage.items() if z == code), key=lambda p: p.up_to_g
        )
        if not steps:
            told = f"{zone.name} has no postage yet; give a price up to a weight."
            self.faults.append(Fault(self.where[zone], told))
        for lighter, heavier in pairwise(steps):
            if heavier.price < lighter.price:
                told = (
                    f"Postage to {zone.name} up to {heavier.up_to_g} g is less than up to "
                    f"{lighter.up_to_g} g."
                )
                self.faults.append(Fault(self.where[heavier], told))


def _once(is_there: bool, what: str) -> None:
    if is_there:
        raise _WrongError(f"{what} is there twice.")


def rows_of(sheet: PriceSheetData) -> list[Row]:
    """Return the rows that `sheet_from_rows` reads back as the same sheet."""
    rows = [Row("", "setting", which, value=_written(getattr(sheet, which))) for which in SETTINGS]
    rows += [
        Row("", "stencil", p.blank_code, start=str(p.from_quantity), value=_written(p.unit_price))
        for p in sheet.stencil_prices
    ]
    rows += [
        Row("", "film", p.film_code, p.film_name, value=_written(p.price_per_sheet))
        for p in sheet.film_prices
    ]
    rows += [
        Row("", "rush", start=str(p.within_days), value=_written(p.percent))
        for p in sheet.rush_prices
    ]
    rows += [Row("", "zone", z.code, z.name, value=", ".join(z.countries)) for z in sheet.zones]
    rows += [
        Row("", "postage", p.zone_code, start=str(p.up_to_g), value=_written(p.price))
        for p in sheet.postage_prices
    ]
    return rows


def _written(value: Any) -> str:
    """A value as a person types it: no noughts past the point but those of cents."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        shortest = f"{value.normalize():f}"
        cents = f"{value:.2f}"
        return cents if Decimal(cents) == value else shortest
    return str(value)


def to_csv(sheet: PriceSheetData) -> str:
    """Return a sheet as CSV (RFC 4180, CRLF line ends), the first line naming the columns."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for row in rows_of(sheet):
        writer.writerow((row.kind, row.code, row.name, row.start, row.value))
    return out.getvalue()


def from_csv(
    text: str, *, name: str, sizes: Sequence[str]
) -> tuple[PriceSheetData | None, list[Fault]]:
    """Read what `to_csv` writes; faults are named by their line. Nothing is half read."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")), strict=True)
    rows: list[Row] = []
    try:
        head = tuple(cell.strip().lower() for cell in next(reader, ()))
        if head != COLUMNS:
            return None, [Fault("line 1", f"The first line must be: {','.join(COLUMNS)}")]
        for cells in reader:
            where = f"line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(COLUMNS):
                told = f"There are {len(cells)} columns, and {len(COLUMNS)} are needed."
                return None, [Fault(where, told)]
            kind, code, film, start, value = (cell.strip() for cell in cells)
            rows.append(Row(where, kind, code, film, start, value))
    except csv.Error as error:
        return None, [Fault(f"line {reader.line_num}", f"This is no CSV: {error}.")]
    return sheet_from_rows(rows, name=name, sizes=sizes)
