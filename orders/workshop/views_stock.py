"""Film in stock: counts, movements, offcuts with their labels."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import planning, stock
from orders.access import workshop_actor, workshop_only, workshop_run
from orders.errors import OrderError, RefusedError
from orders.models import Film, Offcut, SheetRun
from orders.pdf_answer import pdf_of
from orders.words import counted

MOVEMENTS = 40
# An offcut is worth keeping where the smallest usual blank still fits on it.
LEAST_MM = (63.5, 88.9)


class BoughtForm(forms.Form):
    pieces = forms.IntegerField(label="Came in", min_value=1, max_value=100_000)
    why = forms.CharField(label="Where from", max_length=200, required=False)


class CountForm(forms.Form):
    """What lies there by hand; ``seen`` is the count that the page showed."""

    there = forms.IntegerField(label="Lie there", min_value=0, max_value=100_000)
    why = forms.CharField(label="Why the count is corrected", max_length=200)
    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)


class MarksForm(forms.Form):
    low_stock = forms.IntegerField(label="Low from", min_value=0, max_value=100_000)
    unit_cost = forms.DecimalField(
        label="One costs", min_value=Decimal(0), max_digits=8, decimal_places=2, required=False
    )


@require_GET
@workshop_only
def film_stock(request: HttpRequest, code: str) -> HttpResponse:
    """Show a film's count, how it came about, and the offcuts kept of it."""
    film = get_object_or_404(Film, code=code)
    needed = stock.needed_by_queue(film)
    context = {
        "film": film,
        "unit": stock.unit_of(film),
        "warning": stock.warning_for(film, needed),
        "needed": needed,
        "bought": BoughtForm(),
        "count": CountForm(initial={"seen": film.in_stock}),
        "marks": MarksForm(initial={"low_stock": film.low_stock, "unit_cost": film.unit_cost}),
        "worth": film.unit_cost * film.in_stock if film.unit_cost and film.in_stock else None,
        "movements": film.movements.select_related("run", "by")[:MOVEMENTS],
        "offcuts": film.offcuts.filter(status=Offcut.Status.KEPT).select_related("came_from"),
        "free": {offcut.pk for offcut in stock.free_offcuts(film)},
    }
    return render(request, "workshop/stock.html", context)


@require_POST
@workshop_only
def film_stock_change(request: HttpRequest, code: str, what: str) -> HttpResponse:
    """Take in what was bought, a count by hand, or the low mark and cost."""
    film = get_object_or_404(Film, code=code)
    kinds: dict[str, type[forms.Form]] = {
        "bought": BoughtForm,
        "count": CountForm,
        "marks": MarksForm,
    }
    try:
        form = kinds.get(what, BoughtForm)(request.POST)
        if not form.is_valid():
            label, errors = next(iter(form.errors.items()))
            raise RefusedError(f"{form.fields[label].label}: {errors[0]}")
        _change(film, what, form.cleaned_data, request)
    except OrderError as error:
        messages.error(request, error.sentence)
    else:
        film.refresh_from_db()
        count = counted(film.in_stock or 0, stock.unit_of(film))
        messages.success(request, f"Saved: {count} of {film} in stock.")
    return redirect("workshop-stock", film.code)


@require_POST
@workshop_only
def offcut_gone(request: HttpRequest, number: int) -> HttpResponse:
    """Throw an offcut away that no planned sheet lies on."""
    offcut = get_object_or_404(Offcut.objects.select_related("film"), number=number)
    if offcut in stock.free_offcuts(offcut.film):
        Offcut.objects.filter(pk=offcut.pk).update(status=Offcut.Status.GONE)
        messages.success(request, f"Offcut {number} is no longer counted on.")
    else:
        messages.error(request, f"Offcut {number} is used, or pieces are laid on it.")
    return redirect("workshop-stock", offcut.film.code)


@require_GET
@workshop_only
def offcut_label(request: HttpRequest, number: int) -> HttpResponse:
    """The label of an offcut, to print and stick on."""
    from orders.prints.offcut_label import render as render_label

    offcut = get_object_or_404(Offcut.objects.select_related("film", "came_from"), number=number)
    return pdf_of(render_label(offcut), f"offcut-{number}")


@require_POST
@workshop_only
def sheet_offcuts(request: HttpRequest, code: str) -> HttpResponse:
    """Keep the ticked rectangles of a finished sheet, as large as they were measured."""
    run, actor = workshop_run(request, code), workshop_actor(request)
    try:
        kept = [_keep(run, request, place, actor) for place in request.POST.getlist("keep")]
    except OrderError as error:
        messages.error(request, error.sentence)
    else:
        numbers = ", ".join(str(offcut.number) for offcut in kept)
        told = f"Kept as offcut {numbers}. Next: print its label and stick it on." if kept else ""
        messages.success(request, told or "Nothing of this sheet is kept.")
    return redirect("workshop-sheet", run.code)


def left_of(run: SheetRun, pieces: list[planning.Lying]) -> list[dict[str, Any]]:
    """Return the rectangles of a finished sheet worth keeping, unless some are kept already."""
    if run.status != SheetRun.Status.DONE or run.film.form != Film.Form.SHEET:
        return []
    if run.left_over.exists():
        return []
    from geometry.offcuts import offcuts

    taken = [(p.x_mm, p.y_mm, p.right_mm, p.bottom_mm) for p in pieces]
    apart_mm = max(run.film.gap_mm, run.film.kerf_mm)
    edge_mm = 2 * run.film.edge_mm
    least_mm = (LEAST_MM[0] + edge_mm, LEAST_MM[1] + edge_mm)
    found = offcuts(run.sheet_mm, taken, least_mm=least_mm, apart_mm=apart_mm)
    return [
        {
            "place": place,
            "x_mm": left,
            "y_mm": top,
            "width_mm": right - left,
            "height_mm": bottom - top,
        }
        for place, (left, top, right, bottom) in enumerate(found, 1)
    ]


def _keep(run: SheetRun, request: HttpRequest, place: str, actor: Any) -> Offcut:
    sides = []
    for name in ("width", "height"):
        typed = request.POST.get(f"{name}-{place}", "").strip().replace(",", ".")
        try:
            sides.append(float(typed))
        except ValueError as error:
            raise RefusedError(
                f"“{typed[:20]}” is no length. Write the sides of the offcut in mm."
            ) from error
    if run.status != SheetRun.Status.DONE:
        raise RefusedError("What is left of a sheet is kept once the sheet is done.")
    return stock.keep_offcut(run, sides[0], sides[1], actor)


def _change(film: Film, what: str, data: dict[str, Any], request: HttpRequest) -> None:
    actor = workshop_actor(request)
    if what == "marks":
        Film.objects.filter(pk=film.pk).update(
            low_stock=data["low_stock"], unit_cost=data["unit_cost"]
        )
    elif what == "count":
        stock.count_by_hand(film, data["there"], actor, why=data["why"], seen=data["seen"])
    else:
        stock.bought(film, data["pieces"], actor, why=data["why"])
