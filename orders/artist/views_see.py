"""A drawing seen before it is cut: pictures of its views, its real size, its proof on paper."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from django_htmx.http import HttpResponseClientRedirect, HttpResponseStopPolling

from geometry.units import MM_PER_INCH
from orders import access, see_pictures
from orders.models import Closer, RoundTrip, Version, Workshop
from orders.prints.proof_offer import NAMES as PROOF_PAPERS

from .common import takes_work, version_to_show
from .seeing import hold_context

View = Callable[..., HttpResponse]


def follows_paper(view: View) -> View:
    """Lead on from the address under which a printed proof was put in to the drawing it is of."""

    @wraps(view)
    def followed(request: HttpRequest, token: str, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            return view(request, token, *args, **kwargs)
        except Http404:
            trip = RoundTrip.objects.filter(first_token=token).select_related("version").first()
            if trip is None or not token:
                raise
            design = access.design_for(request, trip.version.design.token)
            address = f"{reverse('drawing', args=[design.token])}?v={trip.version.number}"
            is_htmx = getattr(request, "htmx", False)
            return HttpResponseClientRedirect(address) if is_htmx else redirect(address)

    return followed


@require_safe
@never_cache
def hold_state(request: HttpRequest, token: str) -> HttpResponse:
    """Answer the polling of the hold view: 204 nothing new, 286 when it is worked out."""
    version = version_to_show(request, access.design_for(request, token))
    context = hold_context(version)
    if context["is_being_worked_out"]:
        return HttpResponse(status=204)
    context |= {"design": version.design, "version": version, "is_fragment": True}
    response = render(request, "artist/see_hold.html", context)
    return HttpResponseStopPolling(response.content)


@require_safe
@takes_work
def picture(request: HttpRequest, token: str, number: int, name: str) -> HttpResponse:
    """Serve film.svg, fallen.svg, openings.svg or paint.png of a version."""
    version = access.version_for(request, token, number)
    makers: dict[str, tuple[str, Callable[[], bytes]]] = {
        "film": ("image/svg+xml", lambda: see_pictures.film_svg(version)),
        "fallen": ("image/svg+xml", lambda: see_pictures.fallen_svg(version)),
        "openings": ("image/svg+xml", lambda: see_pictures.openings_svg(version)),
        "paint": ("image/png", lambda: see_pictures.paint_png(version, _closer_done(version))),
    }
    if name not in makers:
        raise Http404
    content_type, make = makers[name]
    try:
        data = make()
    except (FileNotFoundError, ValueError) as error:
        raise Http404 from error
    response = HttpResponse(data, content_type=content_type)
    # what they are made from never changes; the page asks for paint with another address after
    # the closer look
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


@require_safe
@never_cache
def real_size(request: HttpRequest, token: str) -> HttpResponse:
    """Show the stencil at its real size on this screen, once the screen has been measured."""
    version = version_to_show(request, access.design_for(request, token))
    if not version.stencil:
        raise Http404
    context = {
        "design": version.design,
        "version": version,
        "mm_ticks": _ticks(start=4.0, count=81, step_mm=1.0, long_each=10, top=4.0),
        "inch_ticks": _ticks(start=4.0, count=25, step_mm=MM_PER_INCH / 8, long_each=8, top=33.0),
    }
    return render(request, "artist/real_size.html", context)


@require_safe
@takes_work
def proof(request: HttpRequest, token: str, number: int, paper: str) -> HttpResponse:
    """Give the drawing as it would be cut as a PDF at true size."""
    from orders.prints.proof_of import proof_of  # reportlab is only loaded to print

    version = access.version_for(request, token, number)
    if paper not in PROOF_PAPERS or not version.stencil:
        raise Http404
    data = proof_of(version, paper=paper, workshop_name=Workshop.current().name)
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="proof-v{version.number}-{paper}.pdf"'
    response["Cache-Control"] = "private, no-cache"
    return response


def _ticks(*, start: float, count: int, step_mm: float, long_each: int, top: float) -> str:
    """Return the path of a ruler's ticks on the card, in mm."""
    ticks = (
        f"M{start + number * step_mm:g} {top:g}v{5 if number % long_each == 0 else 2.5:g}"
        for number in range(count)
    )
    return "".join(ticks)


def _closer_done(version: Version) -> Closer | None:
    return Closer.objects.filter(version=version, status=Closer.Status.DONE).first()
