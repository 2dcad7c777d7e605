"""Straighten, place, size: the page, its previews, and the version that is saved."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from geometry.errors import UnreadableError
from geometry.limits import BLANKS
from geometry.recipe import Recipe
from orders import access, limits, straightening
from orders.errors import RefusedError
from orders.kept_pictures import size_px_if_kept
from orders.limits import TooOftenError
from orders.models import Version
from orders.straightening import Wanted
from orders.templatetags.holdfast import times_sign

from .common import (
    design_to_change,
    first_error,
    posted_version,
    takes_work,
    version_to_show,
)
from .forms import PAPERS_MM
from .forms_straighten import StraightenForm, corners_found, initial_of

KEPT_HERE = "private, max-age=3600"  # the address holds all that a preview depends on


@require_safe
@never_cache
def straighten(request: HttpRequest, token: str) -> HttpResponse:
    """Show a version with its corners, ink level and place to change."""
    version = version_to_show(request, design_to_change(request, token))
    straightening.load_soon()
    form = StraightenForm(initial=initial_of(version), version=version)
    return _page(request, version, form)


@require_POST
@takes_work
def save(request: HttpRequest, token: str) -> HttpResponse:
    """Make the next version; or, for the buttons beside the numbers, only work out new numbers."""
    version = posted_version(request, design_to_change(request, token))
    form = StraightenForm(request.POST, version=version)
    if not form.is_valid():
        return _page(request, version, form, status=422)
    try:
        if request.POST.get("do") in FILLED:
            form = _filled(version, form, request.POST["do"])
            return _page(request, version, form)
        limits.count_version(request, version.design)
        made, words = straightening.save(version, form.wanted, by=access.person_of(request))
    except RefusedError as error:
        messages.error(request, error.sentence)
        return _page(
            request, version, form, status=429 if isinstance(error, TooOftenError) else 422
        )
    if words:
        messages.info(request, words)
    return redirect(f"{reverse('drawing', args=[token])}?v={made.number}")


@require_safe
@takes_work
def measure(request: HttpRequest, token: str) -> HttpResponse:
    """Tell where paper and ink would lie by the numbers in the address, and the largest size."""
    asked = _asked(request, token)
    if isinstance(asked, HttpResponse):
        return asked
    version, wanted = asked
    try:
        return JsonResponse(straightening.measure(version, wanted))
    except RefusedError as error:
        return _refusal(error.sentence)


@require_safe
@takes_work
def paper(request: HttpRequest, token: str) -> HttpResponse:
    """Show the paper straightened and evened out, by the numbers in the address."""
    asked = _asked(request, token)
    if isinstance(asked, HttpResponse):
        return asked
    try:
        png = straightening.paper_png(*asked)
    except RefusedError as error:
        return _refusal(error.sentence)
    except UnreadableError as error:
        return _refusal(error.message)
    return HttpResponse(png, content_type="image/png", headers={"Cache-Control": KEPT_HERE})


@require_safe
@takes_work
def source(request: HttpRequest, token: str) -> HttpResponse:
    """Show the picture as it came, turned as a camera meant it, to set corners on."""
    version = version_to_show(request, access.design_for(request, token))
    try:
        jpg = straightening.source_jpg(version)
    except RefusedError as error:
        return _refusal(error.sentence)
    except UnreadableError as error:
        return _refusal(error.message)
    return HttpResponse(jpg, content_type="image/jpeg", headers={"Cache-Control": KEPT_HERE})


def _asked(request: HttpRequest, token: str) -> tuple[Version, Wanted] | HttpResponse:
    version = version_to_show(request, access.design_for(request, token))
    form = StraightenForm(request.GET, version=version)
    if not form.is_valid():
        return _refusal(first_error(form))
    return version, form.wanted


def _refusal(sentence: str) -> HttpResponse:
    return JsonResponse({"error": times_sign(sentence)}, status=422)


FILLED = ("largest", "true-size", "quarter")


def _filled(version: Version, form: StraightenForm, do: str) -> StraightenForm:
    """Return the form with the numbers that a button beside them stands for."""
    data = {name: str(value) for name, value in form.data.items()}
    wanted = form.wanted
    if do == "largest":
        found = straightening.measure(version, wanted)
        if "largest" not in found:
            raise RefusedError(found["error"])
        scale, place_mm = found["largest"]["scale"], found["largest"]["place_mm"]
        data |= {"scale_percent": f"{100 * scale:.10g}"}
        data |= {"x_mm": f"{place_mm[0]:.10g}", "y_mm": f"{place_mm[1]:.10g}"}
    elif do == "true-size":
        data["scale_percent"] = "100"
    else:
        data["turn_deg"] = f"{(wanted.turn_deg + 90) % 360:.10g}"
    return StraightenForm(data, version=version)


def _page(
    request: HttpRequest, version: Version, form: StraightenForm, *, status: int = 200
) -> HttpResponse:
    recipe = Recipe.from_json(version.recipe)
    report = version.report or {}
    context: dict[str, Any] = {
        "design": version.design,
        "version": version,
        "form": form,
        "error": report.get("error"),
        "size_px": size_px_if_kept(version),
        "found": corners_found(version),
        "strokes": [_stroke_shown(stroke.to_json()) for stroke in recipe.strokes],
        "sizes": _sizes(),
        "next_number": version.design.latest.number + 1,
    }
    return render(request, "artist/straighten.html", context, status=status)


def _stroke_shown(stroke: dict[str, Any]) -> dict[str, Any]:
    """Return a stroke as the page's script draws it."""
    return {key: stroke[key] for key in ("pen", "points_mm", "width_mm")}


def _sizes() -> dict[str, Any]:
    """Return what the page's script knows of the sizes in the lists, mm."""
    return {
        "blanks": {code: [*blank.size_mm, blank.margin_mm] for code, blank in BLANKS.items()},
        "papers": PAPERS_MM,
    }
