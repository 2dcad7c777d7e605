"""What the pages of the shelf show: cards, prices of today, the states of one's own offers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from geometry.limits import Blank
from orders import shelf, shelf_sales
from orders.dates import today
from orders.models import ShelfOffer, Version
from orders.workflow import UNDO_WITHIN
from pricing.errors import PriceError
from pricing.models import PriceSheet

CARD_PX_PER_MM = 1.1
# (paint, page) of the small pictures that show a design in other colours; classes of shelf.css
LOOKS = (("buoy", "page"), ("kelp", "chart"), ("sail", "night"), ("lamp", "kraft"))


@dataclass(frozen=True)
class Prices:
    """Prices of today by size: {blank: [(from how many, each)]}; empty without a price sheet."""

    currency: str
    steps: dict[str, list[tuple[int, Decimal]]]
    tax_percent: Decimal = Decimal(0)  # held by the prices
    set_up: Decimal = Decimal(0)
    tax_note: str = ""

    def one(self, blank_code: str) -> Decimal | None:
        """Return the price of the fewest pieces of a size, None where it has none."""
        steps = self.steps.get(blank_code)
        return steps[0][1] if steps else None

    def share(self, blank_code: str, percent: Decimal) -> Decimal | None:
        """Return the share of one piece at that price."""
        one = self.one(blank_code)
        if one is None:
            return None
        return shelf_sales.share_each(one, percent, self.currency, tax_percent=self.tax_percent)


@dataclass(frozen=True)
class Card:
    """One offer in a list, with its largest stencil and its lowest price."""

    offer: ShelfOffer
    versions: list[Version]
    price: Decimal | None
    currency: str

    @property
    def version(self) -> Version:
        return self.versions[0]

    @property
    def blanks(self) -> list[Blank]:
        return list({version.blank_code: version.blank for version in self.versions}.values())

    @property
    def width_px(self) -> int:
        return round(self.version.blank.width_mm * CARD_PX_PER_MM)

    @property
    def height_px(self) -> int:
        return round(self.version.blank.height_mm * CARD_PX_PER_MM)


def prices_of_today() -> Prices:
    """Return today's prices of stencils, without any where no sheet is published."""
    try:
        sheet = PriceSheet.current(today())
    except PriceError:
        return Prices("", {})
    steps: dict[str, list[tuple[int, Decimal]]] = {}
    for line in sheet.lines.all():
        steps.setdefault(line.blank_code, []).append((line.from_quantity, line.unit_price))
    for rows in steps.values():
        rows.sort()
    rate = sheet.tax_rate.normalize()
    note = f"{sheet.tax_name} of {rate:f} %" if rate else ""
    return Prices(
        sheet.currency,
        steps,
        sheet.tax_rate if sheet.tax_inclusive else Decimal(0),
        sheet.set_up_price,
        note and (f"{note} is in it" if sheet.tax_inclusive else f"{note} comes on top"),
    )


def cards(offers: Iterable[ShelfOffer], prices: Prices | None = None) -> list[Card]:
    """Return the cards of offers that stand; two queries, however many there are."""
    offers, prices = list(offers), prices or prices_of_today()
    sizes = shelf.sizes_by_offer(offers)
    return [_card(offer, sizes[offer.pk], prices) for offer in offers if offer.pk in sizes]


def _card(offer: ShelfOffer, versions: list[Version], prices: Prices) -> Card:
    found = [one for v in versions if (one := prices.one(v.blank_code)) is not None]
    return Card(offer, versions, min(found, default=None), prices.currency)


def undo_until(offer: ShelfOffer) -> datetime | None:
    """Return until when a withdrawal can be taken back, None where it cannot."""
    if offer.revoked_at is None or offer.taken_down_at is not None or not shelf.may_undo(offer):
        return None
    return offer.revoked_at + UNDO_WITHIN
