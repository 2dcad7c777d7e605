"""The kerf test piece of a film: cut it, measure it, and set the film's limits by it."""

from __future__ import annotations

from collections.abc import Iterator

from django import forms
from django.contrib import messages
from django.db import transaction
from django.forms import BoundField
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from geometry.errors import InvalidInputError
from geometry.limits import Limits
from orders.access import workshop_actor, workshop_only
from orders.models import Film, KerfTest, Machine
from orders.workflow import Actor

from .views_files import cut_attachment, format_asked

# as geometry.kerf_piece has them; a page need not load the geometry to show a form
SLOTS_MM = (0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0)
WEBS_MM = (0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0)


class WidthsForm(forms.Form):
    """Widths measured on the piece, mm, and the webs that were whole."""

    def __init__(self, data: object = None, *, last: KerfTest | None = None) -> None:
        initial = dict(last.widths_mm) if last else {}
        initial |= {f"whole-{name}": held for name, held in (last.whole if last else {}).items()}
        super().__init__(data, initial=initial)  # type: ignore[arg-type]
        for letter, widths in (("S", SLOTS_MM), ("W", WEBS_MM)):
            for number, width in enumerate(widths, 1):
                self.fields[f"{letter}{number}"] = forms.DecimalField(
                    label=f"{letter}{number}, drawn {width:g}",
                    required=False,
                    min_value=0,
                    max_value=10,
                    decimal_places=3,
                    localize=False,
                )
        for number in range(1, len(WEBS_MM) + 1):
            self.fields[f"whole-W{number}"] = forms.BooleanField(
                label=f"W{number} whole", required=False
            )

    @property
    def slots(self) -> Iterator[BoundField]:
        return (self[f"S{number}"] for number in range(1, len(SLOTS_MM) + 1))

    @property
    def webs(self) -> Iterator[tuple[BoundField, BoundField]]:
        return ((self[f"W{n}"], self[f"whole-W{n}"]) for n in range(1, len(WEBS_MM) + 1))

    @property
    def widths_mm(self) -> dict[str, float]:
        return {
            name: float(value)
            for name, value in self.cleaned_data.items()
            if name[0] in "SW" and value is not None
        }

    @property
    def whole(self) -> dict[str, bool]:
        ticks = {n: self.cleaned_data[f"whole-W{n}"] for n in range(1, len(WEBS_MM) + 1)}
        return {f"W{n}": held for n, held in ticks.items()}


class LimitsForm(forms.Form):
    """The film's own limits, mm, as proposed by its test piece or changed by the cutter."""

    kerf_mm = forms.FloatField(label="Kerf, mm", min_value=0, max_value=2)
    web_mm = forms.FloatField(label="Narrowest web, mm", min_value=0.05, max_value=50)
    bridge_mm = forms.FloatField(label="Narrowest bridge, mm", min_value=0.05, max_value=50)

    def __init__(self, data: object = None, *, test: KerfTest | None = None) -> None:
        usual = Limits()
        web_mm = test.web_mm if test and test.web_mm else usual.web_mm
        initial = {
            "kerf_mm": round(test.kerf_mm, 3) if test else usual.kerf_mm,
            "web_mm": web_mm,
            "bridge_mm": web_mm,
        }
        super().__init__(data, initial=initial)  # type: ignore[arg-type]
        for field in self.fields.values():
            field.widget.attrs |= {"step": "any", "inputmode": "decimal"}


@require_http_methods(["GET", "POST"])
@workshop_only
def kerf(request: HttpRequest, code: str) -> HttpResponse:
    """Show how to measure this film's kerf and webs; take the widths in."""
    film = get_object_or_404(Film, code=code)
    test = film.kerf_tests.first()
    form = WidthsForm(request.POST or None, last=test)
    if request.method == "POST" and form.is_valid():
        try:
            test = _measured(film, form, workshop_actor(request))
        except InvalidInputError as error:
            form.add_error(None, str(error))
        else:
            messages.success(
                request,
                f"This laser takes {test.kerf_mm:.3f} mm from {film}. Next: set the film's limits.",
            )
            return redirect("workshop-kerf", film.code)
    context = {
        "film": film,
        "form": form,
        "test": test,
        "limits_form": LimitsForm(test=test) if test else None,
        "applied": film.kerf_tests.exclude(applied_at=None).order_by("-applied_at").first(),
        "usual": Limits(),
    }
    return render(request, "workshop/kerf.html", context)


@require_POST
@workshop_only
def kerf_apply(request: HttpRequest, code: str) -> HttpResponse:
    """Set the film's limits by its last test piece; new checks follow them."""
    film = get_object_or_404(Film, code=code)
    test, form = film.kerf_tests.first(), LimitsForm(request.POST)
    if test is None:
        messages.error(request, "Write down the widths of a test piece first.")
    elif not form.is_valid():
        messages.error(request, "Kerf, web and bridge are widths in mm, such as 0.15 and 0.8.")
    else:
        _apply(film, test, form.cleaned_data, workshop_actor(request))
        messages.success(request, f"{film} has limits of its own. New checks and files use them.")
    return redirect("workshop-kerf", film.code)


@require_POST
@workshop_only
def kerf_forget(request: HttpRequest, code: str) -> HttpResponse:
    """Go back to the usual limits; what was measured stays."""
    film = get_object_or_404(Film, code=code)
    usual = {"kerf_mm": Limits().kerf_mm, "web_mm": None, "bridge_mm": None}
    Film.objects.filter(pk=film.pk).update(kerf_is_measured=False, **usual)
    film.kerf_tests.update(applied={}, applied_at=None, applied_by=None)
    messages.success(request, "New drawings are judged by the usual limits again.")
    return redirect("workshop-kerf", film.code)


@require_GET
@workshop_only
def kerf_cut_file(request: HttpRequest, code: str) -> HttpResponse:
    """Hand out the test piece, no kerf taken, its names marked: ``?as=dxf|pdf``."""
    from geometry.cut_file import write_cut_file
    from geometry.cut_plan import plan_stencil
    from geometry.kerf_piece import piece_marks, piece_stencil

    get_object_or_404(Film, code=code)
    plan = plan_stencil(piece_stencil(), kerf_mm=0, marks=piece_marks())
    colours = Machine.current().colours()
    file = write_cut_file(plan, format_asked(request), title="Kerf test piece", colours=colours)
    return cut_attachment(file.data, f"kerf-test-piece.{file.format}")


@require_GET
@workshop_only
def kerf_form_print(request: HttpRequest, code: str) -> HttpResponse:
    """Hand out the form to write the widths on."""
    from geometry.kerf_piece import piece_form

    film = get_object_or_404(Film, code=code)
    response = HttpResponse(piece_form(film.name), content_type="application/pdf")
    response["Content-Disposition"] = 'inline; filename="kerf-test-form.pdf"'
    return response


def _measured(film: Film, form: WidthsForm, actor: Actor) -> KerfTest:
    """Work out kerf and web and keep them. Raises InvalidInputError with a sentence."""
    from geometry.kerf_piece import fit_kerf, smallest_web_mm

    fit = fit_kerf(form.widths_mm)
    web_mm = smallest_web_mm(form.whole, fit.kerf_mm) if any(form.whole.values()) else None
    return KerfTest.objects.create(
        film=film,
        widths_mm=form.widths_mm,
        whole=form.whole,
        kerf_mm=fit.kerf_mm,
        spread_mm=fit.spread_mm,
        web_mm=web_mm,
        by=actor.person,
    )


def _apply(film: Film, test: KerfTest, limits: dict[str, float], actor: Actor) -> None:
    with transaction.atomic():
        Film.objects.filter(pk=film.pk).update(kerf_is_measured=True, **limits)
        test.applied, test.applied_at, test.applied_by = limits, timezone.now(), actor.person
        test.save(update_fields=["applied", "applied_at", "applied_by"])
