"""The first rows that every workshop needs: itself, its films, and a price sheet."""

from __future__ import annotations

from decimal import Decimal

from geometry.limits import BLANKS
from pricing.first_sheet import first_price_sheet

from .models import Film, Workshop

INCH_MM = 25.4
DATA_SHEET_NOTE = (
    "Write here what the maker's data sheet says about cutting this film by laser. "
    "Without such a sheet it is not cut."
)
SHEET_FILMS: tuple[tuple[str, str, str], ...] = (
    ("pet-0.127", "PET 0.127 mm (5 mil), sheets", "0.1270"),
    ("pet-0.1905", "PET 0.19 mm (7.5 mil), sheets", "0.1905"),
    ("pet-0.254", "PET 0.25 mm (10 mil), sheets", "0.2540"),
)
READY_CUT: tuple[str, ...] = ("6x6in", "4x4in")


def begin() -> Workshop:
    """Make what is missing of the first rows. Safe to repeat; nothing there is changed."""
    for code, name, thickness in SHEET_FILMS:
        Film.objects.get_or_create(
            code=code,
            defaults={
                "name": name,
                "thickness_mm": Decimal(thickness),
                "form": Film.Form.SHEET,
                "sheet_width_mm": 12 * INCH_MM,
                "sheet_height_mm": 24 * INCH_MM,
                "data_sheet_note": DATA_SHEET_NOTE,
            },
        )
    for blank_code in READY_CUT:
        Film.objects.get_or_create(
            code=f"pet-0.1905-{blank_code}",
            defaults={
                "name": f"PET 0.19 mm (7.5 mil), cut to {BLANKS[blank_code].name}",
                "thickness_mm": Decimal("0.1905"),
                "form": Film.Form.BLANK,
                "blank_code": blank_code,
                "data_sheet_note": DATA_SHEET_NOTE,
            },
        )
    first_price_sheet()
    return Workshop.current()
