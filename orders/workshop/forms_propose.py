"""The cutter's changes to a drawing: place, scale, turn, ink level, and strokes of two pens."""

from __future__ import annotations

from typing import Any

from django import forms

from geometry.recipe import PENS, WIDEST_STROKE_MM, Recipe

PLACES = 3  # of a mm: far below any laser's step, and no rounding dust in a recipe


class ProposeForm(forms.Form):
    """Figures as the page shows them: percent, mm and degrees."""

    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)
    x_mm = forms.FloatField(label="Centre from the left, mm", min_value=-500, max_value=1500)
    y_mm = forms.FloatField(label="Centre from the top, mm", min_value=-500, max_value=1500)
    scale_percent = forms.FloatField(label="Scale, %", min_value=5, max_value=2000)
    turn_deg = forms.FloatField(
        label="Turn, degrees clockwise", min_value=-360, max_value=360, required=False
    )
    ink_percent = forms.FloatField(
        label="Ink level, %",
        min_value=1,
        max_value=99,
        required=False,
        help_text="Empty: found by itself. Higher takes paler marks as ink too.",
    )
    reason = forms.CharField(
        label="Why, in a sentence or two",
        max_length=1000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="The artist reads it beside the two pictures, and accepts or refuses.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, step in (
            ("x_mm", 0.5),
            ("y_mm", 0.5),
            ("scale_percent", 0.5),
            ("turn_deg", 0.5),
            ("ink_percent", 1),
        ):
            # "any" lets 76.23 stand; the arrow keys of the page's script use data-step
            self.fields[name].widget.attrs |= {"step": "any", "data-step": step}


class StrokeForm(forms.Form):
    """One straight stroke of a round pen between two points of the blank."""

    pen = forms.ChoiceField(
        label="Pen",
        required=False,
        choices=[("", "—"), ("white", "white"), ("black", "black")],
    )
    x1 = forms.FloatField(label="from x, mm", required=False)
    y1 = forms.FloatField(label="from y, mm", required=False)
    x2 = forms.FloatField(label="to x, mm", required=False)
    y2 = forms.FloatField(label="to y, mm", required=False)
    width = forms.FloatField(
        label="Width, mm",
        required=False,
        initial=1.5,
        min_value=0.05,
        max_value=WIDEST_STROKE_MM,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("x1", "y1", "x2", "y2", "width"):
            self.fields[name].widget.attrs["step"] = "any"

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        points = [data.get(name) for name in ("x1", "y1", "x2", "y2")]
        if not data.get("pen"):
            if any(value is not None for value in points):
                self.add_error("pen", "Choose the pen of this stroke.")
            return data
        if data["pen"] in PENS and (None in points or data.get("width") is None):
            self.add_error(None, "A stroke needs both points and a width in mm.")
        return data

    def stroke(self) -> dict[str, Any] | None:
        """Return the stroke as a recipe has it, or None for an empty row."""
        data = self.cleaned_data
        if not data.get("pen"):
            return None
        return {
            "pen": data["pen"],
            "points_mm": [[data["x1"], data["y1"]], [data["x2"], data["y2"]]],
            "width_mm": data["width"],
            "from": "hand",
        }


StrokeFormSet = forms.formset_factory(StrokeForm, extra=3, max_num=60)


def initial_of(recipe: Recipe, centre_mm: tuple[float, float]) -> dict[str, Any]:
    """Return the form's figures for a recipe whose drawing lies about ``centre_mm``."""
    place = recipe.place_mm or centre_mm
    return {
        "x_mm": round(place[0], PLACES),
        "y_mm": round(place[1], PLACES),
        "scale_percent": round(100 * recipe.scale, PLACES),
        "turn_deg": round(recipe.turn_deg, PLACES),
        "ink_percent": None if recipe.ink_level is None else round(100 * recipe.ink_level, 1),
    }


def typed_form(initial: dict[str, Any]) -> dict[str, str]:
    """Return figures as a person would type them: 30, not 30.0."""
    return {key: "" if value is None else f"{value:.10g}" for key, value in initial.items()}


def changes_of(
    form: ProposeForm, strokes: list[dict[str, Any]], recipe: Recipe, initial: dict[str, Any]
) -> dict[str, Any]:
    """Return the recipe keys that differ from the artist's version."""
    data = form.cleaned_data
    turn_deg = data["turn_deg"] or 0.0
    changes: dict[str, Any] = {}
    if data["scale_percent"] != initial["scale_percent"]:
        changes["scale"] = round(data["scale_percent"] / 100, 5)
    if turn_deg != initial["turn_deg"]:
        changes["turn_deg"] = turn_deg
    if changes or (data["x_mm"], data["y_mm"]) != (initial["x_mm"], initial["y_mm"]):
        changes["place_mm"] = [data["x_mm"], data["y_mm"]]
    if data["ink_percent"] != initial["ink_percent"]:
        level = data["ink_percent"]
        changes["ink_level"] = None if level is None else round(level / 100, 3)
    if strokes:
        changes["strokes"] = [*(stroke.to_json() for stroke in recipe.strokes), *strokes]
    return changes
