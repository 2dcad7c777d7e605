"""What the cutter types about the laser, and about how long it ran."""

from __future__ import annotations

from typing import Any

from django import forms

from orders.models import Machine


class MachineForm(forms.ModelForm):
    """Bed, place of the film, speeds, colours. Lengths in mm, speeds in mm/s."""

    class Meta:
        model = Machine
        fields = (
            "name",
            "bed_width_mm",
            "bed_height_mm",
            "origin",
            "offset_x_mm",
            "offset_y_mm",
            "page_is_bed",
            "cut_mm_per_s",
            "travel_mm_per_s",
            "acceleration_mm_per_s2",
            "corner_jump_mm_per_s",
            "start_delay_s",
            "uses_factor",
            "colour_mark",
            "colour_inside",
            "colour_outline",
        )
        labels = {
            "name": "What you call it",
            "bed_width_mm": "Bed width, mm",
            "bed_height_mm": "Bed depth, mm",
            "origin": "Corner that it counts from",
            "offset_x_mm": "Film from there, across, mm",
            "offset_y_mm": "Film from there, along, mm",
            "page_is_bed": "Cut files are as large as the bed, with the film in its place",
            "cut_mm_per_s": "Cutting speed, mm/s",
            "travel_mm_per_s": "Speed between cuts, mm/s",
            "acceleration_mm_per_s2": "Acceleration, mm/s²",
            "corner_jump_mm_per_s": "Jump of speed at corners, mm/s",
            "start_delay_s": "Pause at the start of each cut, s",
            "uses_factor": "Multiply estimates by what finished sheets took",
            "colour_mark": "Colour of marks",
            "colour_inside": "Colour of inside cuts",
            "colour_outline": "Colour of outlines",
        }
        help_texts = {
            "origin": "As you stand before the machine.",
            "page_is_bed": "Every sheet then opens where the last one lay.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            if isinstance(field, forms.FloatField):
                field.widget.attrs |= {"step": "any", "inputmode": "decimal"}
                if self.initial.get(name) is not None:
                    self.initial[name] = f"{float(self.initial[name]):.7g}"
            if name.startswith("colour_"):
                field.widget.attrs |= {"placeholder": "#000000", "spellcheck": "false"}


class TookForm(forms.Form):
    """How long the laser ran, in minutes and seconds; both empty forget it."""

    minutes = forms.IntegerField(label="min", required=False, min_value=0, max_value=1440)
    seconds = forms.IntegerField(label="s", required=False, min_value=0, max_value=59)

    def in_seconds(self) -> float | None:
        data = self.cleaned_data
        if data["minutes"] is None and data["seconds"] is None:
            return None
        return float(60 * (data["minutes"] or 0) + (data["seconds"] or 0))
