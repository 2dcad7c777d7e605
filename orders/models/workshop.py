"""The workshop itself: its name and address, and the films it cuts."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from geometry.limits import BLANKS, Limits, default_limits


class Workshop(models.Model):
    """The one row about this installation's workshop."""

    name = models.CharField(max_length=120, default="The workshop")
    email = models.EmailField(blank=True)
    address = models.TextField(blank=True)
    # Where parcels start; one that goes to another country needs a customs line.
    country = models.CharField(max_length=80, blank=True)
    collect_note = models.CharField(max_length=240, blank=True)
    machine_hours_per_week = models.DecimalField(
        max_digits=4,
        decimal_places=1,
        default=Decimal(20),
        validators=[MinValueValidator(Decimal("0.5")), MaxValueValidator(Decimal(168))],
    )
    tax_number = models.CharField(max_length=60, blank=True)
    pay_to = models.TextField(blank=True)
    pay_within_days = models.PositiveSmallIntegerField(
        default=14, validators=[MaxValueValidator(365)]
    )
    # What an order must have paid before a job of it is queued, and whether the cutter is held to
    # it or only reminded; either way an unpaid job in the queue leaves a record.
    paid_before_queue_percent = models.PositiveSmallIntegerField(
        default=100, validators=[MaxValueValidator(100)]
    )
    hold_unpaid = models.BooleanField(default=False)
    # What an artist is owed of each piece sold from the shelf, percent of the stencil's price
    # without tax; holds for offers made from now on.
    shelf_share_percent = models.DecimalField(
        max_digits=5,
        decimal_places=2,
        default=Decimal(15),
        validators=[MinValueValidator(Decimal(0)), MaxValueValidator(Decimal(100))],
    )
    # How hard a sponge pulls, measured on the test sheet; None: the judgement of geometry.limits.
    dab_n = models.FloatField(null=True, blank=True)
    dab_spread_n = models.FloatField(default=0)
    dab_lifts = models.JSONField(default=dict)
    dab_film = models.CharField(max_length=120, blank=True)
    dab_measured_at = models.DateTimeField(null=True, blank=True)
    # Made by the demo: its pages may show things (mailed codes) that a real shop keeps to itself.
    is_demo = models.BooleanField(default=False)

    def __str__(self) -> str:
        return self.name

    @property
    def dab_mn(self) -> float:
        """The measured dab in mN, 0 where none was."""
        return 1000 * (self.dab_n or 0.0)

    @property
    def dab_spread_mn(self) -> float:
        """How far the dabs of single tongues differ, mN (standard deviation)."""
        return 1000 * self.dab_spread_n

    @classmethod
    def current(cls) -> Workshop:
        return cls.objects.get_or_create(pk=1)[0]


class Film(models.Model):
    """A film in stock: sheets that blanks are nested on, or blanks already cut to size."""

    class Form(models.TextChoices):
        SHEET = "sheet", "sheets"
        BLANK = "blank", "blanks cut to size"

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    thickness_mm = models.DecimalField(max_digits=6, decimal_places=4)
    form = models.CharField(max_length=8, choices=Form.choices, default=Form.SHEET)
    sheet_width_mm = models.FloatField(null=True, blank=True)
    sheet_height_mm = models.FloatField(null=True, blank=True)
    blank_code = models.CharField(max_length=20, blank=True)
    edge_mm = models.FloatField(default=0)
    gap_mm = models.FloatField(default=0)
    kerf_mm = models.FloatField(default=0.15)
    # Limits of this film on this laser, told by a test piece; None: those of geometry.limits. Who
    # told them and when is in KerfTest.
    web_mm = models.FloatField(null=True, blank=True)
    bridge_mm = models.FloatField(null=True, blank=True)
    kerf_is_measured = models.BooleanField(default=False)
    # How fast the laser cuts this film, where it is not as fast as the machine's usual.
    cut_mm_per_s = models.FloatField(null=True, blank=True)
    # Sheets, or blanks cut to size, that lie in stock; None: never counted. What one costs.
    in_stock = models.PositiveIntegerField(null=True, blank=True)
    low_stock = models.PositiveIntegerField(default=0)
    unit_cost = models.DecimalField(
        max_digits=8, decimal_places=2, null=True, blank=True, validators=[MinValueValidator(0)]
    )
    data_sheet_note = models.TextField(blank=True)
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ("thickness_mm", "form", "code")

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        if self.form == self.Form.SHEET and not (self.sheet_width_mm and self.sheet_height_mm):
            raise ValidationError("Give the width and height of the sheet.")
        if self.form == self.Form.BLANK and self.blank_code not in BLANKS:
            raise ValidationError("Choose the size that the blanks are cut to.")

    @property
    def sheet_mm(self) -> tuple[float, float]:
        return (self.sheet_width_mm or 0.0, self.sheet_height_mm or 0.0)

    def takes(self, blank_code: str) -> bool:
        """Whether stencils of this size can be cut from this film."""
        if self.form == self.Form.BLANK:
            return self.blank_code == blank_code
        blank = BLANKS[blank_code]
        room = sorted(side - 2 * self.edge_mm for side in self.sheet_mm)
        return all(
            need <= has + 1e-6
            for need, has in zip(sorted((blank.width_mm, blank.height_mm)), room, strict=True)
        )


def limits_of_shop(blank_code: str) -> Limits:
    """Return the limits that a new drawing of this size is checked by.

    The lift is told for the film in stock that is nearest to the usual one, and for the dab that
    was measured, if one was. Kerf, web and bridge are those that test pieces told of films of that
    thickness: the largest, as a drawing is checked before anybody chooses sheets or blanks.
    """
    limits = default_limits(BLANKS[blank_code].size_mm)
    films = list(Film.objects.filter(is_active=True))
    films_mm = [float(film.thickness_mm) for film in films]
    film_mm = min(films_mm, key=lambda mm: abs(mm - limits.film_mm), default=limits.film_mm)
    dab_n = Workshop.current().dab_n or limits.dab_n
    alike = [f for f, mm in zip(films, films_mm, strict=True) if abs(mm - film_mm) < 1e-6]
    return replace(
        limits,
        film_mm=film_mm,
        dab_n=dab_n,
        kerf_mm=max((f.kerf_mm for f in alike if f.kerf_is_measured), default=limits.kerf_mm),
        web_mm=max((f.web_mm for f in alike if f.web_mm), default=limits.web_mm),
        bridge_mm=max((f.bridge_mm for f in alike if f.bridge_mm), default=limits.bridge_mm),
    )
