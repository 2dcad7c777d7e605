"""What a quote is worked out from: what is asked for, and a price sheet as plain values."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

Mode = Literal["stencil", "mask"]
Delivery = Literal["post", "collect"]

NOTHING = Decimal(0)


@dataclass(frozen=True)
class QuoteItem:
    """One design on one size of blank and one film, so many times.

    `design_key` is the same for all items of one design (any versions, sizes and modes of it);
    `new_design` says that this workshop has not set it up before. `cut_seconds` is the laser's
    time for one piece, `weight_g` the weight of one piece, both estimates of the caller.
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
    film_name: str = ""
    cut_seconds: Decimal = NOTHING
    weight_g: Decimal = NOTHING

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise ValueError("the quantity of an item is 1 or more")


@dataclass(frozen=True)
class QuoteRequest:
    """What is to be quoted.

    `sheets_of_film` maps every film code of the items to the number of sheets that this order
    alone takes; 0 for film that comes as blanks already cut to size, whose pieces
    `blanks_of_film` counts. `zone_code` is the postage zone that the order goes to, `rush_days`
    the working days within which it is wanted; None is the usual time.
    """

    items: Sequence[QuoteItem]
    sheets_of_film: Mapping[str, int]
    delivery: Delivery = "post"
    blanks_of_film: Mapping[str, int] = field(default_factory=dict)
    zone_code: str = ""
    rush_days: int | None = None


@dataclass(frozen=True)
class StencilPrice:
    """The price of one stencil of a size when the order holds `from_quantity` or more of it."""

    blank_code: str
    from_quantity: int
    unit_price: Decimal


@dataclass(frozen=True)
class FilmSheetPrice:
    """The charge for each sheet of a film, or for each blank of film that is ready cut."""

    film_code: str
    film_name: str
    price_per_sheet: Decimal


@dataclass(frozen=True)
class RushPrice:
    """What it costs to have an order within so many working days, in percent of the goods."""

    within_days: int
    percent: Decimal


@dataclass(frozen=True)
class PostageZone:
    """Countries that post costs the same to. No country named means everywhere else."""

    code: str
    name: str
    countries: tuple[str, ...] = ()


@dataclass(frozen=True)
class PostagePrice:
    """The postage of a parcel up to a weight, the weight itself included."""

    zone_code: str
    up_to_g: int
    price: Decimal


@dataclass(frozen=True)
class PriceSheetData:
    """A price sheet as plain values. Prices may have more decimals than money has.

    `tax_rate` is in percent; `postage_tax_rate` None means the same rate as everything else.
    With `tax_inclusive` all prices hold their tax already. Without `postage_prices` every parcel
    costs `postage_price`. `packing_g` is added to the weight of a parcel's pieces.
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
    cut_seconds_included: int = 0
    cut_minute_price: Decimal = NOTHING
    packing_g: int = 0
    rush_prices: Sequence[RushPrice] = ()
    zones: Sequence[PostageZone] = ()
    postage_prices: Sequence[PostagePrice] = ()

    @property
    def rate_of_postage(self) -> Decimal:
        """The percent of tax on postage."""
        return self.tax_rate if self.postage_tax_rate is None else self.postage_tax_rate
