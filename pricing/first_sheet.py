"""The price sheet that a new workshop begins with."""

import datetime
from collections.abc import Mapping
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from pricing.models import PriceSheet

# Size, then (from this many pieces, price of each). Figures to begin with, by judgement: the
# workshop makes its own sheet from them.
FIRST_STENCIL_PRICES: Mapping[str, tuple[tuple[int, str], ...]] = {
    "2.5x3.5in": ((1, "4.00"), (5, "3.40"), (20, "2.75"), (50, "2.25")),
    "4x4in": ((1, "5.50"), (5, "4.70"), (20, "3.85"), (50, "3.20")),
    "5x7in": ((1, "7.50"), (5, "6.40"), (20, "5.25"), (50, "4.40")),
    "6x6in": ((1, "8.00"), (5, "6.80"), (20, "5.60"), (50, "4.70")),
    "a5": ((1, "8.50"), (5, "7.20"), (20, "5.95"), (50, "5.00")),
    "8x8in": ((1, "11.00"), (5, "9.40"), (20, "7.70"), (50, "6.50")),
    "a4": ((1, "13.50"), (5, "11.50"), (20, "9.45"), (50, "8.00")),
    "12x12in": ((1, "18.00"), (5, "15.30"), (20, "12.60"), (50, "10.50")),
}
FIRST_FILM_PRICES: Mapping[str, tuple[str, str]] = {
    "pet-0.127": ("PET 0.127 mm (5 mil)", "1.50"),
    "pet-0.1905": ("PET 0.19 mm (7.5 mil)", "1.90"),
    "pet-0.254": ("PET 0.25 mm (10 mil)", "2.40"),
}


def first_price_sheet(
    *,
    currency: str = "USD",
    valid_from: datetime.date | None = None,
    films: Mapping[str, tuple[str, str]] = FIRST_FILM_PRICES,
) -> PriceSheet:
    """Return a published price sheet to begin with; the newest one where there is one already.

    `films` maps a film code to its name and price per sheet. `valid_from` is today by default.
    """
    existing = PriceSheet.objects.filter(published_at__isnull=False).first()
    if existing is not None:
        return existing
    with transaction.atomic():
        sheet = PriceSheet.objects.create(
            name="First price sheet",
            currency=currency,
            tax_name="Tax",
            set_up_price=Decimal("6.00"),
            cut_outs_bag_price=Decimal("0.50"),
            minimum_charge=Decimal("12.00"),
            postage_price=Decimal("4.50"),
            lead_working_days=5,
            quote_valid_days=14,
            valid_from=valid_from or timezone.localdate(),
        )
        for blank_code, breaks in FIRST_STENCIL_PRICES.items():
            for from_quantity, unit_price in breaks:
                sheet.lines.create(
                    blank_code=blank_code,
                    from_quantity=from_quantity,
                    unit_price=Decimal(unit_price),
                )
        for film_code, (film_name, price) in films.items():
            sheet.film_prices.create(
                film_code=film_code, film_name=film_name, price_per_sheet=Decimal(price)
            )
        sheet.publish(timezone.now())
    return sheet
