"""Price sheets as database rows: dated, published once, never changed afterwards.

A draft may be edited freely. `PriceSheet.publish` freezes it; from then on every way of changing or
deleting it or its rows through the models raises PublishedSheetError, and new prices are a new
sheet (`copy_as_draft`). `to_data` hands the values to the pure `pricing.quote`.
"""

import datetime
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models, transaction

from pricing.errors import IncompleteSheetError, NoPriceSheetError, PublishedSheetError
from pricing.money import currency_decimals
from pricing.sheet_rows import SETTINGS
from pricing.terms import (
    FilmSheetPrice,
    PostagePrice,
    PostageZone,
    PriceSheetData,
    RushPrice,
    StencilPrice,
)

AT_LEAST_NOTHING = [MinValueValidator(Decimal(0))]
PERCENT = [MinValueValidator(Decimal(0)), MaxValueValidator(Decimal(100))]


def _price_field(help_text: str, **options: Any) -> models.DecimalField:
    """A price with four decimals: more than most money has, so that many pieces add up right."""
    return models.DecimalField(
        max_digits=12, decimal_places=4, validators=AT_LEAST_NOTHING, help_text=help_text, **options
    )


def _refuse_published(name: str) -> None:
    raise PublishedSheetError(
        f"The price sheet “{name}” is published and stays as it is; make a new one from it instead."
    )


def validate_currency(code: str) -> None:
    """Raise ValidationError unless `code` is a currency code of ISO 4217."""
    try:
        currency_decimals(code)
    except ValueError as error:
        raise ValidationError(str(error)) from None


class _GuardedQuerySet(models.QuerySet):
    """Refuses mass updates and deletions that would touch a published sheet."""

    sheet_path = ""

    def _guard(self) -> None:
        path = f"{self.sheet_path}__" if self.sheet_path else ""
        published = self.filter(**{f"{path}published_at__isnull": False})
        name = published.values_list(f"{path}name", flat=True).first()
        if name is not None:
            _refuse_published(name)

    def update(self, **values: Any) -> int:
        self._guard()
        return super().update(**values)

    def delete(self) -> tuple[int, dict[str, int]]:
        self._guard()
        return super().delete()

    def bulk_create(self, objs: Any, *args: Any, **options: Any) -> list[Any]:
        objs = list(objs)
        for row in objs:
            if self.sheet_path:
                row.refuse_if_published()
        return super().bulk_create(objs, *args, **options)


class _GuardedSheets(_GuardedQuerySet):
    """Of the sheets themselves."""


class _GuardedRows(_GuardedQuerySet):
    """Of the rows of a sheet."""

    sheet_path = "sheet"


class PriceSheet(models.Model):
    """What the workshop charges from `valid_from` on. A draft until `published_at` is set."""

    name = models.CharField(max_length=80)
    currency = models.CharField(max_length=3, default="USD", validators=[validate_currency])
    tax_name = models.CharField(max_length=30, default="Tax")
    tax_rate = models.DecimalField(
        max_digits=6, decimal_places=3, default=Decimal(0), validators=PERCENT, help_text="Percent."
    )
    postage_tax_rate = models.DecimalField(
        max_digits=6,
        decimal_places=3,
        null=True,
        blank=True,
        validators=PERCENT,
        help_text="Percent; empty means the same as everything else.",
    )
    tax_inclusive = models.BooleanField(
        default=False, help_text="Every price on this sheet holds its tax already."
    )
    set_up_price = _price_field("Once per new design.", default=Decimal(0))
    cut_outs_bag_price = _price_field("Per bag of cut-outs; 0 is free.", default=Decimal(0))
    minimum_charge = _price_field("The smallest order, before postage.", default=Decimal(0))
    postage_price = _price_field(
        "Per order that is posted, where no zones are set; 0 is free.", default=Decimal(0)
    )
    packing_g = models.PositiveIntegerField(
        default=0, help_text="Weight of an empty envelope, added to the pieces."
    )
    cut_seconds_included = models.PositiveIntegerField(
        default=0, help_text="Laser time that the price of each stencil holds."
    )
    cut_minute_price = _price_field(
        "Per minute of laser time above that; 0 charges none.", default=Decimal(0)
    )
    lead_working_days = models.PositiveSmallIntegerField(
        default=5, help_text="From acceptance to the promised day."
    )
    quote_valid_days = models.PositiveSmallIntegerField(
        default=14, validators=[MinValueValidator(1)], help_text="How long a quote stays good."
    )
    valid_from = models.DateField()
    created_at = models.DateTimeField(auto_now_add=True)
    published_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects = _GuardedSheets.as_manager()

    class Meta:
        ordering = ["-valid_from", "-published_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="price_sheet_prices_not_negative",
                condition=models.Q(
                    set_up_price__gte=0,
                    cut_outs_bag_price__gte=0,
                    minimum_charge__gte=0,
                    postage_price__gte=0,
                    cut_minute_price__gte=0,
                ),
            ),
            models.CheckConstraint(
                name="price_sheet_tax_rate_is_percent",
                condition=models.Q(tax_rate__gte=0, tax_rate__lte=100),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} (from {self.valid_from})"

    def save(self, *args: Any, **options: Any) -> None:
        with transaction.atomic():
            self.refuse_if_published()
            super().save(*args, **options)

    def delete(self, *args: Any, **options: Any) -> tuple[int, dict[str, int]]:
        with transaction.atomic():
            self.refuse_if_published()
            return super().delete(*args, **options)

    @property
    def is_published(self) -> bool:
        """Whether it is frozen."""
        return self.published_at is not None

    @classmethod
    def current(cls, on_date: datetime.date) -> "PriceSheet":
        """Return the published sheet valid on `on_date`: the latest `valid_from` not after it,
        and of several the one published last. Raises NoPriceSheetError."""
        sheet = (
            cls.objects.filter(published_at__isnull=False, valid_from__lte=on_date)
            .order_by("-valid_from", "-published_at", "-pk")
            .first()
        )
        if sheet is None:
            raise NoPriceSheetError(
                f"No price sheet is valid on {on_date:%d %B %Y}; "
                "publish one that begins on that day or before."
            )
        return sheet

    def refuse_if_published(self) -> None:
        """Raise PublishedSheetError where the stored sheet is published, whatever this copy says.

        Inside a transaction the row stays locked to its end (on PostgreSQL; SQLite has one writer
        anyway), so that nothing slips into a sheet in the moment of its publishing.
        """
        if self.pk is None:
            return
        with transaction.atomic():
            stored = type(self).objects.select_for_update().filter(pk=self.pk)
            if stored.filter(published_at__isnull=False).exists():
                _refuse_published(self.name)

    def publish(self, at: datetime.datetime) -> None:
        """Freeze this draft at the aware time `at`.

        Raises IncompleteSheetError where no size is priced or a size has no price for one piece,
        PublishedSheetError where it is published already.
        """
        with transaction.atomic():
            self._refuse_incomplete()
            drafts: models.QuerySet[PriceSheet] = models.QuerySet(PriceSheet).filter(
                pk=self.pk, published_at__isnull=True
            )
            if drafts.update(published_at=at) != 1:
                _refuse_published(self.name)
        self.published_at = at

    def _refuse_incomplete(self) -> None:
        codes = set(self.lines.values_list("blank_code", flat=True))
        if not codes:
            raise IncompleteSheetError(
                "This price sheet has no price for any size of stencil yet; add one first."
            )
        from_one = set(self.lines.filter(from_quantity=1).values_list("blank_code", flat=True))
        for code in sorted(codes - from_one):
            raise IncompleteSheetError(
                f"Size {code} has a price for several pieces but none for a single one; add it."
            )

    def copy_as_draft(self, name: str, valid_from: datetime.date) -> "PriceSheet":
        """Return a new, unpublished sheet with all the prices of this one."""
        with transaction.atomic():
            rows = [row for related in self._rows() for row in related.all()]
            copy = PriceSheet.objects.get(pk=self.pk)
            copy.pk, copy.published_at, copy.name, copy.valid_from = None, None, name, valid_from
            copy._state.adding = True
            copy.save()
            for row in rows:
                row.pk, row.sheet = None, copy
                row._state.adding = True
                row.save()
        return copy

    def fill_from(self, data: PriceSheetData) -> None:
        """Give this draft all prices of `data` in place of its own; PublishedSheetError if it is
        published."""
        with transaction.atomic():
            for field in ("name", *SETTINGS):
                setattr(self, field, getattr(data, field))
            self.save()
            for related in self._rows():
                related.all().delete()
            for line in data.stencil_prices:
                self.lines.create(**vars(line))
            for film in data.film_prices:
                self.film_prices.create(**vars(film))
            for rush in data.rush_prices:
                self.rush_prices.create(**vars(rush))
            for zone in data.zones:
                countries = ", ".join(zone.countries)
                self.zones.create(code=zone.code, name=zone.name, countries=countries)
            for step in data.postage_prices:
                self.postage_prices.create(**vars(step))

    def _rows(self) -> tuple[Any, ...]:
        """The managers of everything that belongs to this sheet."""
        return (self.lines, self.film_prices, self.rush_prices, self.zones, self.postage_prices)

    def to_data(self) -> PriceSheetData:
        """Return the plain values that `pricing.quote.quote` works with."""
        return PriceSheetData(
            name=self.name,
            currency=self.currency,
            stencil_prices=tuple(line.to_data() for line in self.lines.all()),
            film_prices=tuple(price.to_data() for price in self.film_prices.all()),
            rush_prices=tuple(price.to_data() for price in self.rush_prices.all()),
            zones=tuple(zone.to_data() for zone in self.zones.all()),
            postage_prices=tuple(price.to_data() for price in self.postage_prices.all()),
            cut_seconds_included=self.cut_seconds_included,
            cut_minute_price=self.cut_minute_price,
            packing_g=self.packing_g,
            set_up_price=self.set_up_price,
            cut_outs_bag_price=self.cut_outs_bag_price,
            minimum_charge=self.minimum_charge,
            postage_price=self.postage_price,
            tax_name=self.tax_name,
            tax_rate=self.tax_rate,
            postage_tax_rate=self.postage_tax_rate,
            tax_inclusive=self.tax_inclusive,
            lead_working_days=self.lead_working_days,
            quote_valid_days=self.quote_valid_days,
        )


class _SheetRow(models.Model):
    """A row that belongs to a sheet and is frozen with it."""

    objects = _GuardedRows.as_manager()

    class Meta:
        abstract = True

    sheet: PriceSheet

    def save(self, *args: Any, **options: Any) -> None:
        with transaction.atomic():
            self.refuse_if_published()
            super().save(*args, **options)

    def delete(self, *args: Any, **options: Any) -> tuple[int, dict[str, int]]:
        with transaction.atomic():
            self.refuse_if_published()
            return super().delete(*args, **options)

    def refuse_if_published(self) -> None:
        """Raise PublishedSheetError where the sheet, now or before a move, is published."""
        self.sheet.refuse_if_published()
        if self.pk is not None:
            for stored in type(self).objects.filter(pk=self.pk):
                stored.sheet.refuse_if_published()


class PriceLine(_SheetRow):
    """The price of one stencil of a size from a number of pieces on."""

    sheet = models.ForeignKey(PriceSheet, on_delete=models.CASCADE, related_name="lines")
    blank_code = models.CharField(max_length=20)
    from_quantity = models.PositiveIntegerField(default=1, validators=[MinValueValidator(1)])
    unit_price = _price_field("For each stencil.")

    class Meta:
        ordering = ["blank_code", "from_quantity"]
        constraints = [
            models.UniqueConstraint(
                fields=["sheet", "blank_code", "from_quantity"], name="price_line_once_per_break"
            ),
            models.CheckConstraint(
                name="price_line_not_negative",
                condition=models.Q(unit_price__gte=0, from_quantity__gte=1),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.blank_code} from {self.from_quantity}: {self.unit_price}"

    def to_data(self) -> StencilPrice:
        """Return the plain values."""
        return StencilPrice(self.blank_code, self.from_quantity, self.unit_price)


class FilmPrice(_SheetRow):
    """The charge for each sheet of a film."""

    sheet = models.ForeignKey(PriceSheet, on_delete=models.CASCADE, related_name="film_prices")
    film_code = models.CharField(max_length=40)
    film_name = models.CharField(max_length=80, blank=True)
    price_per_sheet = _price_field(
        "For each sheet that an order takes, or each ready-cut blank; 0 is included."
    )

    class Meta:
        ordering = ["film_code"]
        constraints = [
            models.UniqueConstraint(fields=["sheet", "film_code"], name="film_price_once_per_film"),
            models.CheckConstraint(
                name="film_price_not_negative", condition=models.Q(price_per_sheet__gte=0)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.film_name or self.film_code}: {self.price_per_sheet}"

    def to_data(self) -> FilmSheetPrice:
        """Return the plain values."""
        return FilmSheetPrice(self.film_code, self.film_name, self.price_per_sheet)


class RushRow(_SheetRow):
    """The charge for an order within so many working days."""

    sheet = models.ForeignKey(PriceSheet, on_delete=models.CASCADE, related_name="rush_prices")
    within_days = models.PositiveSmallIntegerField(validators=[MinValueValidator(1)])
    percent = models.DecimalField(max_digits=6, decimal_places=3, validators=AT_LEAST_NOTHING)

    class Meta:
        ordering = ["within_days"]
        constraints = [
            models.UniqueConstraint(fields=["sheet", "within_days"], name="rush_once_per_time"),
            models.CheckConstraint(
                name="rush_not_negative", condition=models.Q(percent__gte=0, within_days__gte=1)
            ),
        ]

    def __str__(self) -> str:
        return f"within {self.within_days} working days: {self.percent} %"

    def to_data(self) -> RushPrice:
        """Return the plain values."""
        return RushPrice(self.within_days, self.percent)


class ZoneRow(_SheetRow):
    """Countries that post costs the same to; without countries, everywhere else."""

    sheet = models.ForeignKey(PriceSheet, on_delete=models.CASCADE, related_name="zones")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=80)
    countries = models.TextField(blank=True, help_text="Parted by commas; empty: all others.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["sheet", "code"], name="zone_once_per_sheet"),
        ]

    def __str__(self) -> str:
        return self.name

    def to_data(self) -> PostageZone:
        """Return the plain values."""
        countries = (" ".join(name.split()) for name in self.countries.split(","))
        return PostageZone(self.code, self.name, tuple(name for name in countries if name))


class PostageRow(_SheetRow):
    """The postage to a zone up to a weight."""

    sheet = models.ForeignKey(PriceSheet, on_delete=models.CASCADE, related_name="postage_prices")
    zone_code = models.CharField(max_length=20)
    up_to_g = models.PositiveIntegerField(validators=[MinValueValidator(1)])
    price = _price_field("For each parcel.")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["sheet", "zone_code", "up_to_g"], name="postage_once_per_step"
            ),
            models.CheckConstraint(
                name="postage_not_negative", condition=models.Q(price__gte=0, up_to_g__gte=1)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.zone_code} up to {self.up_to_g} g: {self.price}"

    def to_data(self) -> PostagePrice:
        """Return the plain values."""
        return PostagePrice(self.zone_code, self.up_to_g, self.price)
