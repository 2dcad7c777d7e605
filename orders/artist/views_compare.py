"""Two versions of a drawing side by side, and the way back to an earlier one."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from orders import access, comparing, limits
from orders.drawings import go_back
from orders.models import Design, Version

from .common import (
    design_to_change,
    drawing_address,
    posted_version,
    row_number,
    takes_work,
    told,
)


@require_safe
@never_cache
def compare(request: HttpRequest, token: str) -> HttpResponse:
    """Show two versions at one scale, what differs between them, and their measures."""
    design = access.design_for(request, token)
    one, other = _both(request, design)
    widest_mm = max(one.blank.width_mm, other.blank.width_mm)
    tallest_mm = max(one.blank.height_mm, other.blank.height_mm)
    found = comparing.findings_of_both(one, other)
    context = {
        "design": design,
        "one": one,
        "other": other,
        "versions": design.versions.all(),
        "widest_mm": widest_mm,
        "tallest_mm": tallest_mm,
        "sides": [
            (
                version,
                (widest_mm - version.blank.width_mm) / 2,
                (tallest_mm - version.blank.height_mm) / 2,
            )
            for version in (one, other)
        ],
        "has_difference": bool(one.film_picture and other.film_picture and one != other),
        "measures": comparing.measures_of_both(one, other),
        "lists": [
            (f"Only in version {one.number}", found.gone),
            (f"Only in version {other.number}", found.new),
            ("In both", found.both),
        ],
        "may_go_back": _earlier(request, design, (one, other)),
    }
    return render(request, "artist/compare.html", context)


@require_safe
@takes_work
def difference(request: HttpRequest, token: str) -> HttpResponse:
    """Show what is cut, and what is film, in only one of two versions."""
    png = comparing.difference_png(*_both(request, access.design_for(request, token)))
    if png is None:
        raise Http404
    kept = {"Cache-Control": "private, max-age=3600"}
    return HttpResponse(png, content_type="image/png", headers=kept)


@require_POST
def back(request: HttpRequest, token: str) -> HttpResponse:
    """Make an earlier version the latest again."""
    design = design_to_change(request, token)
    version = posted_version(request, design)
    limits.count_version(request, design)
    with told(request):
        made = go_back(version, by=access.person_of(request))
        if made.number != version.number:
            messages.success(
                request,
                f"Version {made.number} is version {version.number} again. "
                "Nothing of the others is lost.",
            )
        version = made
    return redirect(drawing_address(version))


def _both(request: HttpRequest, design: Design) -> tuple[Version, Version]:
    """Return the versions ?a= and ?b=; the latest and the one before it where none is named."""
    latest = design.latest
    other = _named(request, design, "b", latest.number)
    one = _named(request, design, "a", max(other.number - 1, 1))
    return one, other


def _named(request: HttpRequest, design: Design, name: str, usual: int) -> Version:
    text = request.GET.get(name)
    number = usual if text is None else row_number(text)
    return get_object_or_404(design.versions.select_related("upload"), number=number)


def _earlier(
    request: HttpRequest, design: Design, versions: tuple[Version, Version]
) -> list[Version]:
    """Return the versions of these that their artist may go back to."""
    own = access.own_designs(request).filter(pk=design.pk).exists()
    shut = (Version.Proposal.OFFERED, Version.Proposal.REFUSED)
    latest = design.latest
    return [
        version
        for version in dict.fromkeys(versions)
        if own and version != latest and version.proposal not in shut
    ]
