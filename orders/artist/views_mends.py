"""Findings one can act on: a place close up, a mend, all mends, or keep it as it is."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from orders import access, limits, mending, workflow
from orders.marks import path_of, zoom_box
from orders.models import Version
from orders.typed import whole_number
from orders.units import choose_unit, unit_of
from orders.words import counted

from .common import (
    design_to_change,
    drawing_address,
    posted_version,
    row_number,
    told,
    version_to_show,
)
from .mend_pictures import place_png
from .showing import findings_shown
from .showing import told as told_in_words

KEEP_FOR_A_DAY = "private, max-age=86400"


@require_safe
@never_cache
def mends(request: HttpRequest, token: str) -> HttpResponse:
    """Answer the list's polling: 204 while the mends are worked out, then the list with them."""
    version = version_to_show(request, access.design_for(request, token))
    context = mend_context(request, version)
    if context["mends_awaited"]:
        return HttpResponse(status=204)
    context |= {"design": version.design, "version": version, "is_fragment": True}
    response = render(request, "parts/findings.html", context)
    return HttpResponseStopPolling(response.content)


@require_safe
def mend_picture(
    request: HttpRequest, token: str, number: int, finding: int, side: str
) -> HttpResponse:
    """Serve a small picture of a finding's place, before its mend or after it."""
    version = access.version_for(request, token, number)
    found = next((one for one in version.findings if one["id"] == finding), None)
    if found is None or side not in ("before", "after") or not version.film_picture:
        raise Http404
    mend = mending.offered(version).get(found["key"]) or {}
    if side == "after" and not mend.get("words"):
        raise Http404
    moves = bool(mend.get("place_mm"))
    size = version.blank.size_mm
    box = (0.0, 0.0, *size) if moves else zoom_box(found, size)
    png = place_png(version, box, mend if side == "after" else None)
    response = HttpResponse(png, content_type="image/png")
    response["Cache-Control"] = KEEP_FOR_A_DAY
    return response


@require_POST
def mend_here(request: HttpRequest, token: str) -> HttpResponse:
    """Mend one finding, or all of a kind: the next version is made and looked at."""
    version = posted_version(request, design_to_change(request, token))
    keys = request.POST.getlist("key")
    kind = request.POST.get("kind")
    if kind:
        keys = [one["key"] for one in version.findings if one["kind"] == kind]
    limits.count_version(request, version.design)
    with told(request):
        version = mending.mend_some(version, keys, access.artist_actor(request))
    return _to(version)


@require_safe
@never_cache
def mend_all(request: HttpRequest, token: str) -> HttpResponse:
    """Show a drawing before and after all its mends, each with a tick."""
    version = version_to_show(request, design_to_change(request, token))
    return render(request, "artist/mend_all.html", _mend_all_context(request, version))


@require_POST
def mend_all_do(request: HttpRequest, token: str) -> HttpResponse:
    """Make the next version with the mends that are ticked."""
    version = posted_version(request, design_to_change(request, token))
    ticked = " ".join(request.POST.getlist("mend")).split()
    numbers = [number for text in ticked if (number := whole_number(text)) is not None]
    limits.count_version(request, version.design)
    with told(request):
        made = mending.mend_chosen(version, numbers, access.artist_actor(request))
        return _to(made)
    return redirect(f"{reverse('drawing-mend-all', args=[token])}?v={version.number}")


@require_POST
def keep(request: HttpRequest, token: str) -> HttpResponse:
    """Keep a finding as it is, or take that back."""
    version = posted_version(request, design_to_change(request, token))
    key = request.POST.get("key", "")
    act = mending.unkeep if request.POST.get("do") == "undo" else mending.keep
    with told(request):
        act(version, key, workflow.Actor("artist", access.person_of(request)))
    number = row_number(request.POST.get("finding"))
    return redirect(
        f"{drawing_address(version)}#finding-{number}" if number else drawing_address(version)
    )


@require_POST
def unit(request: HttpRequest) -> HttpResponse:
    """Choose the unit in which lengths are told, and go back."""
    choose_unit(request, request.POST.get("unit", ""))
    back = request.POST.get("next", "")
    is_ours = url_has_allowed_host_and_scheme(back, allowed_hosts=None)
    return redirect(back if is_ours and back.startswith("/") else "landing")


def mend_context(request: HttpRequest, version: Version) -> dict[str, Any]:
    """Return what the list of findings, the plate and the verdict show of findings and mends."""
    may_mend = may_change(request, version)
    awaited = may_mend and mending.is_awaited(version)
    offered = mending.offered(version) if may_mend and not awaited else {}
    reader_unit = unit_of(request)
    shown = findings_shown(version, reader_unit, offered)
    wanted = row_number(request.GET.get("zoom"))
    zoomed = next((one for one in shown.findings if one.id == wanted), None)
    return {
        "shown": shown,
        "told": told_in_words(version),
        "zoomed": zoomed,
        "unit": reader_unit,
        "may_mend": may_mend,
        "mends_awaited": awaited,
        "mendable_in_all": sum(not one.get("reason") for one in offered.values()),
    }


def may_change(request: HttpRequest, version: Version) -> bool:
    """Tell whether the reader may make the next version; the workshop proposes one instead."""
    if version.proposal or version.status not in mending.MENDABLE:
        return False
    person = access.person_of(request)
    if person is None or not person.is_workshop:
        return True
    return access.own_designs(request).filter(pk=version.design_id).exists()


def _mend_all_context(request: HttpRequest, version: Version) -> dict[str, Any]:
    """Return the page of all mends: its ticks, and the two pictures as paths in mm."""
    awaited = mending.is_awaited(version)
    plan = None if awaited else mending.plan_of(version)
    together = plan["together"] if plan else None
    every = {one["key"]: one for one in version.findings}
    ticks: list[dict[str, Any]] = []
    for at, mend in enumerate(together["mends"] if together else ()):
        finding = every.get(mend["key"])
        moved = next((one for one in ticks if one.get("place_mm")), None)
        if moved and mend.get("place_mm"):  # the drawing moves once, whatever runs off the film
            moved["value"] += f" {at}"
            moved["more"] += 1
            continue
        ticks.append(
            mend
            | {
                "at": at,
                "value": str(at),
                "more": 0,
                "severity": (finding or {}).get("severity", "warn"),
                "message": (finding or {}).get("message", "A line that would be too thin then."),
                "paths": [_stroke_path(stroke) for stroke in mend["strokes"]],
                "outline": path_of(finding) if finding else "",
            }
        )
    return {
        "design": version.design,
        "version": version,
        "awaited": awaited,
        "together": together,
        "ticks": ticks,
        "move": mending.move_of(ticks),
        "unit": unit_of(request),
        "left_words": counted(len(together["left"]), "finding") if together else "",
    }


def _stroke_path(stroke: dict[str, Any]) -> dict[str, Any]:
    """Return a stroke as an SVG path; one of a single point goes nowhere and has round ends."""
    points = stroke["points_mm"]
    points = points if len(points) > 1 else [*points, points[0]]
    words = "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    return {"pen": stroke["pen"], "width": stroke["width_mm"], "d": f"M{words}"}


def _to(version: Version) -> HttpResponse:
    return redirect(drawing_address(version))
