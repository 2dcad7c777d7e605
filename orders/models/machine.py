"""The laser: its bed, its speeds, where a sheet lies on it, and what its own runs taught."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models

from .people import Person

COLOUR = RegexValidator(r"^#[0-9a-fA-F]{6}\Z", "Write a colour as six digits, such as #2a389c.")


def _speed(default: float, most: float) -> models.FloatField[float, float]:
    return models.FloatField(
        default=default, validators=[MinValueValidator(0.1), MaxValueValidator(most)]
    )


def _length(default: float = 0.0, least: float = 0.0) -> models.FloatField[float, float]:
    return models.FloatField(
        default=default, validators=[MinValueValidator(least), MaxValueValidator(5000)]
    )


class Machine(models.Model):
    """The one row about the workshop's laser. Lengths in mm, speeds in mm/s, times in s."""

    class Origin(models.TextChoices):
        TOP_LEFT = "top-left", "top left"
        TOP_RIGHT = "top-right", "top right"
        BOTTOM_LEFT = "bottom-left", "bottom left"
        BOTTOM_RIGHT = "bottom-right", "bottom right"

    name = models.CharField(max_length=80, default="The laser")
    bed_width_mm = _length(600, 10)
    bed_height_mm = _length(900, 10)
    # The corner of the bed that lengths are counted from, and how far from it the film's own
    # nearest corner lies, so that every sheet lies where the last one lay.
    origin = models.CharField(max_length=12, choices=Origin.choices, default=Origin.TOP_LEFT)
    offset_x_mm = _length()
    offset_y_mm = _length()
    # Whether cut files are as large as the bed, with the film at its offset, or as the film.
    page_is_bed = models.BooleanField(default=False)
    cut_mm_per_s = _speed(20, 1000)
    travel_mm_per_s = _speed(200, 5000)
    acceleration_mm_per_s2 = _speed(1000, 100_000)
    corner_jump_mm_per_s = models.FloatField(
        default=10, validators=[MinValueValidator(0), MaxValueValidator(500)]
    )
    start_delay_s = models.FloatField(
        default=0.15, validators=[MinValueValidator(0), MaxValueValidator(20)]
    )
    colour_mark = models.CharField(max_length=7, blank=True, validators=[COLOUR])
    colour_inside = models.CharField(max_length=7, blank=True, validators=[COLOUR])
    colour_outline = models.CharField(max_length=7, blank=True, validators=[COLOUR])
    # What finished runs took as a share of what the figures above told: median, how far single
    # runs lie from it (median again, as a standard deviation), how many; from runs begun since
    # the figures were last changed.
    factor = models.FloatField(default=1.0)
    factor_spread = models.FloatField(default=0.0)
    factor_runs = models.PositiveIntegerField(default=0)
    uses_factor = models.BooleanField(default=True)
    learns_from = models.DateTimeField(null=True, blank=True)
    changed_at = models.DateTimeField(null=True, blank=True)
    changed_by = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT)

    SPEEDS = (
        "cut_mm_per_s",
        "travel_mm_per_s",
        "acceleration_mm_per_s2",
        "corner_jump_mm_per_s",
        "start_delay_s",
    )

    def __str__(self) -> str:
        return self.name

    @classmethod
    def current(cls) -> Machine:
        return cls.objects.get_or_create(pk=1)[0]

    @property
    def factor_percent(self) -> float:
        """How much longer runs take than the figures told, percent; below 0: shorter."""
        return 100 * (self.factor - 1)

    @property
    def spread_percent(self) -> float:
        return 100 * self.factor_spread

    def colours(self) -> dict[str, str]:
        """Operation -> colour, of those that have one."""
        chosen = {
            "mark": self.colour_mark,
            "inside": self.colour_inside,
            "outline": self.colour_outline,
        }
        return {role: colour.lower() for role, colour in chosen.items() if colour}
