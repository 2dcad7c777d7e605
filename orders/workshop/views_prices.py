"""Price sheets: draft, preview against past orders, publish from a date; CSV out and in."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET, require_POST

from geometry.limits import BLANKS
from orders import quoting
from orders.access import workshop_only
from orders.dates import today
from orders.errors import RefusedError
from orders.models import Film, Quote
from pricing.errors import PriceError
from pricing.models import PriceSheet
from pricing.sheet_rows import Fault, from_csv, sheet_from_rows, to_csv
from pricing.terms import PriceSheetData

from .price_fields import Typed, editor_of, fields_of, rows_from

PREVIEWED = 10
LARGEST_CSV_BYTES = 200_000


@require_GET
@workshop_only
def prices(request: HttpRequest) -> HttpResponse:
    """Show the sheet of today, those to come, drafts and earlier ones."""
    try:
        current: PriceSheet | None = PriceSheet.current(today())
    except PriceError as error:
        messages.error(request, str(error))
        current = None
    published = PriceSheet.objects.filter(published_at__isnull=False)
    coming = published.filter(valid_from__gt=today()).order_by("valid_from")
    hidden = [current.pk] if current else []
    context = {
        "current": current,
        "drafts": PriceSheet.objects.filter(published_at=None).order_by("-pk"),
        "coming": coming,
        "earlier": published.filter(valid_from__lte=today()).exclude(pk__in=hidden),
        "shown": _shown(current) if current else None,
        "unpriced": _unpriced(current),
    }
    return render(request, "workshop/prices.html", context)


@require_POST
@workshop_only
def price_sheet_new(request: HttpRequest) -> HttpResponse:
    """Begin a draft from the sheet of today."""
    try:
        base: PriceSheet | None = PriceSheet.current(today())
    except PriceError:
        base = PriceSheet.objects.first()
    name = f"Prices of {today():%d %B %Y}"
    if base is None:
        draft = PriceSheet.objects.create(name=name, valid_from=today())
    else:
        draft = base.copy_as_draft(name, today())
    messages.success(request, "A draft with the prices of today. Nobody sees it until you publish.")
    return redirect("workshop-price-sheet", draft.pk)


@require_GET
@workshop_only
def price_sheet(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Show a published sheet, or a draft in its editor."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    if sheet.is_published:
        context = {"sheet": sheet, "shown": _shown(sheet)}
        return render(request, "workshop/prices_sheet.html", context)
    return _editor(request, sheet, fields_of(sheet.to_data()), sheet.name)


@require_POST
@workshop_only
def price_save(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Save a draft as it was typed, all of it or nothing."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    typed = {key: str(value) for key, value in request.POST.items()}
    name = " ".join(typed.get("name", "").split())[:80]
    data, faults = sheet_from_rows(rows_from(typed, _films()), name=name, sizes=tuple(BLANKS))
    if not name:
        faults.append(Fault("Name", "Give the sheet a name."))
    if faults or data is None:
        return _editor(request, sheet, typed, name, faults)
    return _fill(request, sheet, data, "Saved. Next: look at what past orders would have cost.")


@require_POST
@workshop_only
def price_csv_in(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Take a draft's prices from a CSV file, all of them or nothing."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    faults = []
    file = request.FILES.get("file")
    if file is None:
        faults = [Fault("file", "Choose the CSV file first.")]
    elif (file.size or 0) > LARGEST_CSV_BYTES:
        faults = [Fault("file", "That is too large for a price sheet; 200 kB are the most.")]
    else:
        try:
            text = file.read().decode("utf-8-sig")
            data, faults = from_csv(text, name=sheet.name, sizes=tuple(BLANKS))
        except UnicodeDecodeError:
            data, faults = None, [Fault("file", "That is no text; save it as CSV in UTF-8.")]
        if data is not None:
            return _fill(request, sheet, data, "The file is read. Look it over, then publish it.")
    return _editor(request, sheet, fields_of(sheet.to_data()), sheet.name, faults)


@require_GET
@workshop_only
def price_csv(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Give a sheet as CSV."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    response = HttpResponse(to_csv(sheet.to_data()), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="prices-{sheet.pk}.csv"'
    return response


@require_GET
@workshop_only
def price_preview(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Show what the last ten orders would have cost by this sheet."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    quotes = Quote.objects.filter(status=Quote.Status.ACCEPTED).select_related("order__artist")
    rows = [_previewed(quote, sheet) for quote in quotes.order_by("-accepted_at")[:PREVIEWED]]
    known = [row for row in rows if row["change"] is not None]
    context = {
        "sheet": sheet,
        "rows": rows,
        "then": sum(row["then"] for row in known),
        "now": sum(row["now"] for row in known),
        "alike": len({row["currency"] for row in known} | {sheet.currency}) == 1 and known,
        "today": today(),
    }
    return render(request, "workshop/prices_preview.html", context)


@require_POST
@workshop_only
def price_publish(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Publish a draft from a day on; quotes offered before keep their sheet."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    day = _day(request.POST.get("valid_from", ""))
    if day is None or day < today():
        messages.error(request, "Choose the day from which it counts: today or later.")
        return redirect("workshop-price-preview", sheet.pk)
    try:
        sheet.valid_from = day
        sheet.save()
        sheet.publish(timezone.now())
    except PriceError as error:
        messages.error(request, str(error))
        return redirect("workshop-price-sheet", sheet.pk)
    messages.success(request, f"“{sheet.name}” is published. It counts from {day:%d %B %Y} on.")
    return redirect("workshop-prices")


@require_POST
@workshop_only
def price_remove(request: HttpRequest, sheet_id: int) -> HttpResponse:
    """Throw a draft away."""
    sheet = get_object_or_404(PriceSheet, pk=sheet_id)
    try:
        sheet.delete()
        messages.success(request, f"The draft “{sheet.name}” is gone.")
    except PriceError as error:
        messages.error(request, str(error))
    return redirect("workshop-prices")


def _day(text: str) -> Any:
    try:
        return parse_date(text)
    except ValueError:  # 30 February
        return None


def _fill(request: HttpRequest, sheet: PriceSheet, data: PriceSheetData, done: str) -> HttpResponse:
    try:
        sheet.fill_from(data)
        messages.success(request, done)
    except PriceError as error:
        messages.error(request, str(error))
    return redirect("workshop-price-sheet", sheet.pk)


def _editor(
    request: HttpRequest,
    sheet: PriceSheet,
    typed: Typed,
    name: str,
    faults: list[Fault] | None = None,
) -> HttpResponse:
    context = {
        "sheet": sheet,
        "name": name,
        "editor": editor_of(typed, _films()),
        "faults": faults or [],
    }
    status = 422 if faults else 200
    return render(request, "workshop/prices_edit.html", context, status=status)


def _films() -> list[Film]:
    return list(Film.objects.all())


def _unpriced(sheet: PriceSheet | None) -> list[Film]:
    """Films by the sheet that artists may order and that no sheet prices: nobody can be quoted."""
    priced = {price.film_code for price in sheet.film_prices.all()} if sheet else set()
    films = Film.objects.filter(is_active=True, form=Film.Form.SHEET)
    return [film for film in films if film.code not in priced]


def _shown(sheet: PriceSheet) -> dict[str, Any]:
    """A sheet as tables to read."""
    lines = list(sheet.lines.all())
    breaks = sorted({line.from_quantity for line in lines})
    each = {(line.blank_code, line.from_quantity): line.unit_price for line in lines}
    codes = {line.blank_code for line in lines}
    data = sheet.to_data()
    return {
        "sheet": sheet,
        "breaks": breaks,
        "rows": [
            (blank, [(number, each.get((blank.code, number))) for number in breaks])
            for blank in BLANKS.values()
            if blank.code in codes
        ],
        "films": sheet.film_prices.all(),
        "rush": sheet.rush_prices.all(),
        "zones": [
            (zone, [step for step in data.postage_prices if step.zone_code == zone.code])
            for zone in data.zones
        ],
    }


def _previewed(quote: Quote, sheet: PriceSheet) -> dict[str, Any]:
    row: dict[str, Any] = {
        "order": quote.order,
        "then": quote.total,
        "currency": quote.currency,
        "sheet_name": quote.price_sheet.name,
        "now": None,
        "change": None,
        "why_not": "",
    }
    try:
        row["now"] = quoting.would_have_cost(quote.order, sheet).total
    except RefusedError as error:
        row["why_not"] = error.sentence
        return row
    if quote.currency == sheet.currency:
        row["change"] = row["now"] - quote.total
    return row
