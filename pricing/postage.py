"""Postage by zone and weight: which zone a country is in, and what a parcel costs."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from pricing.errors import UnpricedPostageError
from pricing.terms import NOTHING, PostageZone, PriceSheetData, QuoteItem


@dataclass(frozen=True)
class Postage:
    """What the post takes for an order: the price, in how many parcels, and why."""

    price: Decimal
    parcels: int
    reason: str


def zone_for(country: str, zones: Sequence[PostageZone]) -> str:
    """Return the code of the zone that a country lies in; "" where the sheet has no zones.

    Spelling is compared without case and spaces at the ends. A country that no zone names lies
    in the zone that names none. No country yet (a basket without an address) takes the first
    zone. Raises UnpricedPostageError where nothing is sent to that country.
    """
    if not zones:
        return ""
    wanted = _folded(country)
    if not wanted:
        return zones[0].code
    for zone in zones:
        if wanted in {_folded(name) for name in zone.countries}:
            return zone.code
    for zone in zones:
        if not zone.countries:
            return zone.code
    raise UnpricedPostageError(
        f"There is no price yet for post to {country.strip()}; "
        "choose to collect the order, or ask the workshop."
    )


def postage_of(items: Sequence[QuoteItem], zone_code: str, sheet: PriceSheetData) -> Postage:
    """Return the postage of an order. Raises UnpricedPostageError for a zone without prices.

    What weighs more than the heaviest step goes in several parcels: as many full ones as there
    are, and the rest by its own step.
    """
    if not sheet.postage_prices and not sheet.zones:
        return Postage(sheet.postage_price, 1, "One parcel with everything in it.")
    steps = sorted(
        (p for p in sheet.postage_prices if p.zone_code == zone_code), key=lambda p: p.up_to_g
    )
    names = {zone.code: zone.name for zone in sheet.zones}
    name = names.get(zone_code, zone_code) or "that country"
    if not steps:
        raise UnpricedPostageError(
            f"There is no price yet for post to {name}; "
            "choose to collect the order, or ask the workshop."
        )
    weight = sum((item.quantity * item.weight_g for item in items), NOTHING) + sheet.packing_g
    heaviest = steps[-1]
    full, rest = divmod(weight, heaviest.up_to_g)
    price = full * heaviest.price
    parcels = int(full)
    if rest or not full:
        price += next(step.price for step in steps if rest <= step.up_to_g)
        parcels += 1
    reason = f"To {name}, about {weight:.0f} g with its packing"
    reason += "." if parcels == 1 else f", in {parcels} parcels of {heaviest.up_to_g} g at most."
    return Postage(price, parcels, reason)


def _folded(country: str) -> str:
    return " ".join(country.split()).casefold()
