"""The fields of the price sheet editor: a sheet as flat texts, and those texts as rows again.

The form has no scripts: there are always a few empty columns and rows more than are filled, and as
many as a file brought in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from geometry.limits import BLANKS
from orders.models import Film
from pricing.sheet_rows import SETTINGS, Row, rows_of
from pricing.terms import PriceSheetData

Typed = Mapping[str, str]
MOST_ROWS = 400  # of a kind; more are no price sheet
HELP = {
    "currency": "Three capital letters, such as USD, EUR or JPY.",
    "postage_tax_rate": "Empty: the same as everything else.",
    "tax_inclusive": "yes: tax is in every price below. no: it comes on top.",
    "set_up_price": "Once for each new drawing.",
    "cut_minute_price": "0 charges nothing for long cuts.",
    "minimum_charge": "Before postage.",
    "postage_price": "Only where there are no zones below.",
    "lead_working_days": "With an empty queue.",
}
GROUPS = (
    ("Money and tax", ("currency", "tax_name", "tax_rate", "postage_tax_rate", "tax_inclusive")),
    (
        "For each order",
        (
            "set_up_price",
            "cut_outs_bag_price",
            "minimum_charge",
            "cut_seconds_included",
            "cut_minute_price",
        ),
    ),
    ("Time", ("lead_working_days", "quote_valid_days")),
)
POST_SETTINGS = ("postage_price", "packing_g")


def fields_of(sheet: PriceSheetData) -> dict[str, str]:
    """Return the sheet as the texts of the form's fields."""
    typed: dict[str, str] = {}
    breaks = sorted({price.from_quantity for price in sheet.stencil_prices})
    steps = sorted({price.up_to_g for price in sheet.postage_prices})
    zones = [zone.code for zone in sheet.zones]
    typed |= {f"break-{i}": str(number) for i, number in enumerate(breaks)}
    typed |= {f"step-{i}": str(grams) for i, grams in enumerate(steps)}
    rush = 0
    for row in rows_of(sheet):
        if row.kind == "setting":
            typed[row.code] = row.value
        elif row.kind == "stencil":
            typed[f"stencil-{row.code}-{breaks.index(int(row.start))}"] = row.value
        elif row.kind == "film":
            typed[f"film-{row.code}"] = row.value
        elif row.kind == "rush":
            typed |= {f"rush-days-{rush}": row.start, f"rush-percent-{rush}": row.value}
            rush += 1
        elif row.kind == "zone":
            number = zones.index(row.code)
            typed |= {f"zone-name-{number}": row.name, f"zone-countries-{number}": row.value}
            typed[f"zone-code-{number}"] = row.code
        else:
            place = f"{zones.index(row.code)}-{steps.index(int(row.start))}"
            typed[f"post-{place}"] = row.value
    return typed


def rows_from(typed: Typed, films: Iterable[Film]) -> list[Row]:
    """Return the rows that the form's fields make; `where` says the place in words."""

    def text(name: str) -> str:
        return typed.get(name, "").strip()

    rows = [Row(words, "setting", code, value=text(code)) for code, (_, words) in SETTINGS.items()]
    for code, blank in BLANKS.items():
        for i in range(_count(typed, "break-", f"stencil-{code}-")):
            if text(f"stencil-{code}-{i}"):
                start, value = text(f"break-{i}"), text(f"stencil-{code}-{i}")
                where = f"{blank.name} from {start or '?'}"
                rows.append(Row(where, "stencil", code, start=start, value=value))
    for film in films:
        if text(f"film-{film.code}"):
            value = text(f"film-{film.code}")
            rows.append(Row(film.name, "film", film.code, film.name, value=value))
    for i in range(_count(typed, "rush-days-", "rush-percent-")):
        if text(f"rush-days-{i}") or text(f"rush-percent-{i}"):
            days, percent = text(f"rush-days-{i}"), text(f"rush-percent-{i}")
            rows.append(Row(f"Rush, row {i + 1}", "rush", start=days, value=percent))
    for i in range(_count(typed, "zone-name-", "zone-countries-")):
        rows += _zone_rows(i, text, _count(typed, "step-", f"post-{i}-"))
    return rows


def _zone_rows(i: int, text: Any, steps: int) -> list[Row]:
    if not any(text(f"zone-{part}-{i}") for part in ("name", "countries")):
        return []
    code = text(f"zone-code-{i}") or f"zone-{i + 1}"
    name = text(f"zone-name-{i}")
    rows = [Row(f"Zone {i + 1}", "zone", code, name, value=text(f"zone-countries-{i}"))]
    for j in range(steps):
        if text(f"post-{i}-{j}"):
            grams = text(f"step-{j}")
            where = f"Postage, {name or code}, up to {grams or '?'} g"
            rows.append(Row(where, "postage", code, start=grams, value=text(f"post-{i}-{j}")))
    return rows


def editor_of(typed: Typed, films: Iterable[Film]) -> dict[str, Any]:
    """Return what the editor's page shows: every field with its label and text."""

    def field(name: str, label: str = "", help_text: str = "") -> dict[str, str]:
        return {"name": name, "label": label, "help": help_text, "value": typed.get(name, "")}

    def settings(codes: Iterable[str]) -> list[dict[str, str]]:
        return [field(code, SETTINGS[code][1], HELP.get(code, "")) for code in codes]

    breaks = range(_count(typed, "break-") + 1)
    steps = range(_count(typed, "step-") + 1)
    zones = range(_count(typed, "zone-name-") + 2)
    return {
        "groups": [(title, settings(codes)) for title, codes in GROUPS],
        "breaks": [field(f"break-{i}", f"From how many pieces, column {i + 1}") for i in breaks],
        "sizes": [
            (
                blank,
                [
                    field(f"stencil-{code}-{i}", f"{blank.name}, column {i + 1}")
                    | {"from": typed.get(f"break-{i}", "") or "…"}
                    for i in breaks
                ],
            )
            for code, blank in BLANKS.items()
        ],
        "films": [(film, field(f"film-{film.code}", film.name)) for film in films],
        "rushes": [
            (
                field(f"rush-days-{i}", "Within working days"),
                field(f"rush-percent-{i}", "Percent more"),
            )
            for i in range(_count(typed, "rush-days-") + 1)
        ],
        "post_settings": settings(POST_SETTINGS),
        "steps": [field(f"step-{j}", f"Up to g, column {j + 1}") for j in steps],
        "zones": [
            {
                "number": i + 1,
                "code": field(f"zone-code-{i}"),
                "name": field(f"zone-name-{i}", "Name"),
                "countries": field(
                    f"zone-countries-{i}", "Countries", "Parted by commas. None: everywhere else."
                ),
                "prices": [
                    field(f"post-{i}-{j}", f"up to {typed.get(f'step-{j}', '') or '…'} g")
                    for j in steps
                ],
            }
            for i in zones
        ],
    }


def _count(typed: Typed, *prefixes: str) -> int:
    """Return how many columns or rows of these fields are filled, empty ones between counted."""
    numbers = [
        int(name.removeprefix(prefix))
        for prefix in prefixes
        for name, text in typed.items()
        if name.startswith(prefix) and name.removeprefix(prefix).isdecimal() and text.strip()
    ]
    return min(max(numbers, default=-1) + 1, MOST_ROWS)
