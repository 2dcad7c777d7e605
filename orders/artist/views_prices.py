"""What it costs, in plain words, with a small calculator that needs no script."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from geometry.errors import GeometryError
from geometry.limits import BLANKS, Blank
from orders import limits
from orders.dates import today
from orders.measures import weight_g
from orders.models import Film
from orders.models.orders import LARGEST_QUANTITY
from orders.quoting import sheets_needed
from pricing import quote as pure
from pricing.errors import PriceError
from pricing.models import PriceSheet
from pricing.postage import zone_for

from .forms import PIECES, usual_film

# laying out more of a film takes so long that it is counted
COUNTED_FROM = 100


class ReckonForm(forms.Form):
    """So many stencils of one size: enough to see what an order would come to."""

    size = forms.ChoiceField(label="Size")
    pieces = forms.IntegerField(
        label="How many",
        **PIECES,
    )
    designs = forms.IntegerField(
        label="Of how many new drawings",
        min_value=0,
        max_value=LARGEST_QUANTITY,
        initial=1,
        required=False,
        help_text="0 when all were cut before.",
    )
    film = forms.ModelChoiceField(Film.objects.none(), label="Film", empty_label=None)
    country = forms.CharField(label="Country", max_length=80, required=False)
    collect = forms.BooleanField(label="I collect it in person", required=False)
    no_cut_outs = forms.BooleanField(label="Without the cut-outs", required=False)

    def __init__(self, *args: Any, sheet: PriceSheet, **options: Any) -> None:
        super().__init__(*args, **options)
        codes = set(sheet.lines.values_list("blank_code", flat=True))
        size: Any = self.fields["size"]
        size.choices = [(c, b.name.replace(" x ", " × ")) for c, b in BLANKS.items() if c in codes]
        film: Any = self.fields["film"]
        film.queryset = Film.objects.filter(is_active=True)
        if not sheet.zones.exists():
            del self.fields["country"]

    def clean(self) -> dict[str, Any]:
        """The film must take the size; there are no more drawings than pieces."""
        data = super().clean() or self.cleaned_data
        film, size = data.get("film"), data.get("size")
        if film and size and not film.takes(size):
            self.add_error("film", f"{film} does not come in that size; choose another.")
        if (data.get("designs") or 0) > (data.get("pieces") or 0) > 0:
            self.add_error("designs", "There cannot be more drawings than pieces.")
        return data


@dataclass(frozen=True)
class Reckoned:
    """What the calculator says: a price, or why there is none."""

    price: pure.Quote | None
    problem: str = ""


@require_safe
def prices(request: HttpRequest) -> HttpResponse:
    """Show today's price sheet, and work out what the address asks for."""
    try:
        sheet = PriceSheet.current(today())
    except PriceError:
        return render(request, "artist/prices.html", {"sheet": None})
    asked = request.GET if "size" in request.GET else None
    form = ReckonForm(asked, sheet=sheet, initial=_usual())
    reckoned, status = None, 200
    if asked and form.is_valid():
        try:
            if form.cleaned_data["pieces"] > COUNTED_FROM:
                limits.count(request, "prices")
            reckoned = _reckon(form.cleaned_data, sheet)
        except limits.TooOftenError as error:
            reckoned, status = Reckoned(None, error.sentence), 429
    breaks = sorted({line.from_quantity for line in sheet.lines.all()})
    data = sheet.to_data()
    context = {
        "sheet": sheet,
        "breaks": breaks,
        "rows": _price_rows(sheet, breaks),
        "films": sheet.film_prices.all(),
        "rush": sheet.rush_prices.all(),
        "zones": [
            (zone, [step for step in data.postage_prices if step.zone_code == zone.code])
            for zone in data.zones
        ],
        "cut_minutes_included": sheet.cut_seconds_included / 60,
        "form": form,
        "reckoned": reckoned,
    }
    return render(request, "artist/prices.html", context, status=status)


def _usual() -> dict[str, Any]:
    """What the calculator begins with: the usual size on the usual film."""
    film = usual_film([f for f in Film.objects.filter(is_active=True) if f.takes("6x6in")])
    return {"size": "6x6in", "film": film}


def _reckon(asked: dict[str, Any], sheet: PriceSheet) -> Reckoned:
    film, blank, pieces = asked["film"], BLANKS[asked["size"]], asked["pieces"]
    data, is_sheet = sheet.to_data(), film.form == Film.Form.SHEET
    designs = asked["designs"] or 0
    # each drawing one piece but the first, which has the rest: the price is the same however split
    counts = [pieces - max(designs - 1, 0), *[1] * (designs - 1)]
    items = [
        pure.QuoteItem(
            blank_code=blank.code,
            blank_name=blank.name,
            quantity=count,
            film_code=film.code,
            film_name=film.name,
            design_key=str(number),
            design_title=f"drawing {number}",
            new_design=designs > 0,
            with_cut_outs=not asked["no_cut_outs"],
            weight_g=weight_g(blank.code, film),
        )
        for number, count in enumerate(counts, start=1)
    ]
    try:
        sheets = 0
        if is_sheet:
            wanted = ((blank.code, pieces),)
            sheets = sheets_needed(wanted, film.sheet_mm, film.edge_mm, film.gap_mm)
        request = pure.QuoteRequest(
            items=items,
            sheets_of_film={film.code: sheets},
            blanks_of_film={} if is_sheet else {film.code: pieces},
            delivery="collect" if asked["collect"] else "post",
            zone_code="" if asked["collect"] else zone_for(asked.get("country", ""), data.zones),
        )
        return Reckoned(pure.quote(request, data))
    except (PriceError, GeometryError) as error:
        return Reckoned(None, str(error))


def _price_rows(sheet: PriceSheet, breaks: list[int]) -> list[tuple[Blank, list[Any]]]:
    """Return one row per size, smallest first, with the price at each break."""
    by_size: dict[str, dict[int, Any]] = {}
    for line in sheet.lines.all():
        by_size.setdefault(line.blank_code, {})[line.from_quantity] = line.unit_price
    known = [BLANKS[code] for code in by_size if code in BLANKS]
    known.sort(key=lambda blank: blank.width_mm * blank.height_mm)
    return [(blank, [(b, by_size[blank.code].get(b)) for b in breaks]) for blank in known]
