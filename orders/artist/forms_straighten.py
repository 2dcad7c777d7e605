"""What is typed, dragged or slid on the page that straightens a drawing."""

from __future__ import annotations

from typing import Any

from django import forms

from geometry.recipe import PointMm, Recipe
from orders.models import Version
from orders.straightening import Wanted

from .forms import SizeForm, sizes_of

CORNERS = ("tl", "tr", "br", "bl")
CORNER_WORDS = ("Top left", "Top right", "Bottom right", "Bottom left")
CORNER_FIELDS = tuple(f"{corner}_{axis}" for corner in CORNERS for axis in "xy")


def _number(label: str, least: float, most: float, step: str, **more: Any) -> forms.FloatField:
    unit = more.pop("unit", "")
    between = f"Write a number from {least:g} to {most:g}{unit}."
    return forms.FloatField(
        label=label,
        min_value=least,
        max_value=most,
        required=False,
        error_messages={"invalid": between, "min_value": between, "max_value": between},
        # "any" lets a figure such as 76.23 stand; the step is for the script's own buttons
        widget=forms.NumberInput(attrs={"step": "any", "data-step": step, "inputmode": "decimal"}),
        **more,
    )


class StraightenForm(SizeForm):
    """Corners in pixels of the displayed picture; percent, degrees and mm. Empty is by itself."""

    ink_percent = _number(
        "Ink level, %", 1, 99, "1", help_text="Empty: found by itself. Higher takes paler marks in."
    )
    scale_percent = _number("Scale, %", 5, 2000, "1", help_text="100 is true size.")
    turn_deg = _number("Turn, degrees clockwise", -360, 360, "0.5", unit=" degrees")
    x_mm = _number("Middle from the left, mm", -500, 1500, "0.5", unit=" mm")
    y_mm = _number("Middle from the top, mm", -500, 1500, "0.5", unit=" mm")

    def __init__(self, *args: Any, version: Version, **options: Any) -> None:
        super().__init__(*args, **options)
        self.version = version
        found = corners_found(version)
        for at, name in enumerate(CORNER_FIELDS):
            way = "across" if at % 2 == 0 else "down"
            field = _number(f"{CORNER_WORDS[at // 2]}, {way}", -100_000, 100_000, "1")
            if found:
                field.widget.attrs["placeholder"] = f"{found[at // 2][at % 2]:g}"
            self.fields[name] = field

    def clean(self) -> dict[str, Any]:
        """Take corners whole: what is not typed stays as it was found."""
        data = super().clean() or self.cleaned_data
        typed = [data.get(name) for name in CORNER_FIELDS]
        found = corners_found(self.version)
        if any(value is not None for value in typed):
            rest = [v for corner in found for v in corner] if found else [None] * 8
            whole = [rest[at] if value is None else value for at, value in enumerate(typed)]
            if None in whole and not any(name in self.errors for name in CORNER_FIELDS):
                self.add_error("tl_x", "Give all four corners, or none.")
            data["corners"] = tuple(zip(whole[::2], whole[1::2], strict=True))
        if (data.get("x_mm") is None) != (data.get("y_mm") is None) and not (
            {"x_mm", "y_mm"} & set(self.errors)
        ):
            self.add_error("x_mm", "Give both numbers of the middle, or none.")
        return data

    @property
    def wanted(self) -> Wanted:
        """What a valid form asks for."""
        data = self.cleaned_data
        level, scale = data["ink_percent"], data["scale_percent"]
        return Wanted(
            blank_code=data["blank"],
            paper_mm=self.paper_mm,
            corners_px=data.get("corners"),
            ink_level=None if level is None else round(level / 100, 4),
            scale=1.0 if scale is None else round(scale / 100, 6),
            turn_deg=data["turn_deg"] or 0.0,
            place_mm=self._place(),
        )

    def _place(self) -> PointMm | None:
        """Return the place typed; one that was only left over from another blank is dropped."""
        data = self.cleaned_data
        if data["x_mm"] is None:
            return None
        before = Recipe.from_json(self.version.recipe).place_mm
        place = (data["x_mm"], data["y_mm"])
        is_left_over = data["blank"] != self.version.blank_code and place == before
        return None if is_left_over else place

    @property
    def corners(self) -> list[tuple[str, Any, Any]]:
        """(words, field across, field down) of each corner."""
        return [
            (words, self[f"{corner}_x"], self[f"{corner}_y"])
            for corner, words in zip(CORNERS, CORNER_WORDS, strict=True)
        ]


def corners_found(version: Version) -> list[list[float]] | None:
    """Return the paper's corners as the check of a version has them, px, or None."""
    page = (version.report or {}).get("page")
    return page["corners_px"] if page else None


def initial_of(version: Version) -> dict[str, Any]:
    """Return the form's figures for a version, as a person would type them."""
    recipe = Recipe.from_json(version.recipe)
    values: dict[str, float | None] = {
        "ink_percent": None if recipe.ink_level is None else 100 * recipe.ink_level,
        "scale_percent": 100 * recipe.scale,
        "turn_deg": recipe.turn_deg,
        "x_mm": recipe.place_mm and recipe.place_mm[0],
        "y_mm": recipe.place_mm and recipe.place_mm[1],
    }
    if recipe.corners_px:
        flat = [value for corner in recipe.corners_px for value in corner]
        values |= dict(zip(CORNER_FIELDS, flat, strict=True))
    return sizes_of(version) | {
        name: "" if value is None else f"{value:.10g}" for name, value in values.items()
    }
