"""Measure the dab: cut a sheet of tongues, dab each, and tell how hard the sponge pulls."""

from __future__ import annotations

from collections.abc import Iterator

from django import forms
from django.contrib import messages
from django.forms import BoundField
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from geometry.errors import InvalidInputError
from geometry.limits import Limits
from orders.access import workshop_only
from orders.models import Film, Workshop

from .views_files import cut_attachment

# as many as geometry.dab_sheet has; a page need not load the plate to show a form
TONGUES = 18


class DabForm(forms.Form):
    """How far each tongue rose, mm; what was not measured stays empty."""

    def __init__(self, data: object = None, *, lifts: dict[str, float] | None = None) -> None:
        super().__init__(data, initial={f"lift-{n}": lift for n, lift in (lifts or {}).items()})  # type: ignore[arg-type]
        for number in range(1, TONGUES + 1):
            self.fields[f"lift-{number}"] = forms.DecimalField(
                label=f"Tongue {number}",
                required=False,
                min_value=0,
                max_value=40,
                decimal_places=2,
                localize=False,
            )

    @property
    def rows(self) -> Iterator[BoundField]:
        """The fields in the order of the printed form."""
        return (self[f"lift-{number}"] for number in range(1, TONGUES + 1))

    @property
    def lifts_mm(self) -> dict[int, float]:
        """What was measured, by tongue."""
        return {
            int(name.removeprefix("lift-")): float(value)
            for name, value in self.cleaned_data.items()
            if value is not None
        }


@require_http_methods(["GET", "POST"])
@workshop_only
def dab(request: HttpRequest, code: str) -> HttpResponse:
    """Show how to measure the dab with this film; take in the lifts."""
    film = get_object_or_404(Film, code=code)
    shop = Workshop.current()
    form = DabForm(request.POST or None, lifts=shop.dab_lifts)
    if request.method == "POST" and form.is_valid():
        try:
            _measure(shop, film, form.lifts_mm)
        except InvalidInputError as error:
            form.add_error(None, str(error))
        else:
            messages.success(
                request,
                f"The dab is {shop.dab_mn:.1f} mN. New drawings are judged by it.",
            )
            return redirect("workshop-dab", film.code)
    context = {"form": form, "film": film, "shop": shop, "usual_mn": 1000 * Limits().dab_n}
    return render(request, "workshop/dab.html", context)


@require_POST
@workshop_only
def dab_forget(request: HttpRequest, code: str) -> HttpResponse:
    """Go back to the dab that is usual where none was measured; the lifts typed stay."""
    Workshop.objects.filter(pk=Workshop.current().pk).update(dab_n=None, dab_measured_at=None)
    messages.success(request, "New drawings are judged by the usual dab again.")
    return redirect("workshop-dab", get_object_or_404(Film, code=code).code)


@require_GET
@workshop_only
def dab_cut_file(request: HttpRequest, code: str) -> HttpResponse:
    """Hand out the cut file of the test sheet, the film's kerf taken."""
    from geometry.cut_file import write_cut_file
    from geometry.cut_plan import plan_stencil
    from geometry.dab_sheet import dab_stencil

    film = get_object_or_404(Film, code=code)
    plan = plan_stencil(dab_stencil(), kerf_mm=film.kerf_mm, with_outline=True)
    file = write_cut_file(plan, "svg", title="Dab test sheet")
    return cut_attachment(file.data, f"dab-test-sheet-kerf-{film.kerf_mm:g}.svg")


@require_GET
@workshop_only
def dab_form_print(request: HttpRequest, code: str) -> HttpResponse:
    """Hand out the form to write the lifts on, with what the usual dab would give."""
    from geometry.dab_sheet import dab_form

    film = get_object_or_404(Film, code=code)
    response = HttpResponse(
        dab_form(float(film.thickness_mm), Limits()), content_type="application/pdf"
    )
    response["Content-Disposition"] = 'inline; filename="dab-test-form.pdf"'
    return response


def _measure(shop: Workshop, film: Film, lifts_mm: dict[int, float]) -> None:
    """Work out the dab's force and keep it. Raises InvalidInputError with a sentence."""
    from geometry.dab_sheet import fit_dab

    fit = fit_dab(lifts_mm, float(film.thickness_mm), Limits())
    shop.dab_n, shop.dab_spread_n = fit.dab_n, fit.spread_n
    shop.dab_lifts = {str(number): lift for number, lift in lifts_mm.items()}
    shop.dab_film, shop.dab_measured_at = film.name, timezone.now()
    fields = ["dab_n", "dab_spread_n", "dab_lifts", "dab_film", "dab_measured_at"]
    shop.save(update_fields=fields)
