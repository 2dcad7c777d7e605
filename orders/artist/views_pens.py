"""The pens: bridges drawn by hand over a drawing, kept as they are drawn, saved as a version."""

from __future__ import annotations

import gzip
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.http.request import RawPostDataException
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from geometry.errors import UnreadableError
from geometry.limits import Limits
from orders import access, editing
from orders.errors import NotNowError, OrderError, RefusedError
from orders.limits import count_version
from orders.models import Version

from .common import (
    design_to_change,
    drawing_address,
    posted_version,
    row_number,
    takes_work,
    told,
    version_to_show,
)
from .pens_shown import bridges_shown, looked_shown, nothing_shown

WIDTHS_MM = (0.3, 8.0)
SCRIPTS = tuple(f"js/pens{part}.js" for part in ("-board", "-keep", "-found", ""))


class Clock:
    """Times a request and parts of it, by the clock and by this thread's own processor time."""

    def __init__(self) -> None:
        self.began = time.perf_counter(), time.thread_time()
        self.spent_ms: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        began = time.perf_counter(), time.thread_time()
        yield
        self._note(name, began)

    def _note(self, name: str, began: tuple[float, float]) -> None:
        self.spent_ms[name] = 1000 * (time.perf_counter() - began[0])
        self.spent_ms[f"{name}-cpu"] = 1000 * (time.thread_time() - began[1])

    def header(self) -> str:
        """Return all of it as the value of a Server-Timing header (W3C)."""
        self._note("all", self.began)
        return ", ".join(f"{name};dur={ms:.1f}" for name, ms in self.spent_ms.items())


@require_safe
@never_cache
def pens(request: HttpRequest, token: str) -> HttpResponse:
    """Show the drawing under the pens; the workshop looks on."""
    design = access.design_for(request, token)
    version = version_to_show(request, design)
    try:
        editing.must_be_drawable(version)
    except NotNowError as error:
        messages.info(request, error.sentence)
        return redirect(drawing_address(version))
    limits = Limits.from_json(version.limits)
    context = {
        "design": design,
        "version": version,
        "limits": limits,
        "widths": WIDTHS_MM,
        "scripts": SCRIPTS,
        "may_draw": _may_draw(request, token),
        "unkept": editing.unkept(version),
        "inner_mm": [side - 2 * version.blank.margin_mm for side in version.blank.size_mm],
    }
    return render(request, "artist/pens.html", context)


@require_safe
@takes_work
def film(request: HttpRequest, token: str) -> HttpResponse:
    """Serve the drawing without any stroke, as it would be cut: SVG in the blank's frame."""
    from geometry.film_svg import film_svg
    from orders.prepared import prepared_for

    version = version_to_show(request, access.design_for(request, token))
    try:
        editing.must_be_drawable(version)
        prepared = prepared_for(version)
    except (NotNowError, UnreadableError) as error:
        return HttpResponse(str(error), status=409, content_type="text/plain; charset=utf-8")
    before = prepared.before(())
    svg = film_svg(before.outlines if before else [], prepared.recipe.blank_size_mm)
    response = HttpResponse(svg, content_type="image/svg+xml")
    if "gzip" in request.headers.get("Accept-Encoding", ""):
        response = HttpResponse(gzip.compress(svg, 5), content_type="image/svg+xml")
        response["Content-Encoding"] = "gzip"
    response["Vary"] = "Accept-Encoding"
    response["Cache-Control"] = "private, max-age=86400"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


@require_safe
@never_cache
@takes_work
def state(request: HttpRequest, token: str) -> HttpResponse:
    """Answer with what is drawn and what the check says of it; this also warms the re-check."""
    clock = Clock()
    version = version_to_show(request, access.design_for(request, token))
    try:
        editing.must_be_drawable(version)
    except NotNowError as error:
        return JsonResponse({"error": error.sentence}, status=409)
    return _answer(version, editing.Merged(editing.working_of(version)), clock)


@require_POST
def strokes(request: HttpRequest, token: str) -> HttpResponse:
    """Take operations in, and answer with the complete list and what the check says of it."""
    clock = Clock()
    version = version_to_show(request, design_to_change(request, token), bare=True)
    try:
        operations, refused = editing.read_operations(_body(request))
        merged = editing.draw(version, operations)
    except OrderError as error:
        return JsonResponse({"error": error.sentence}, status=_status(error))
    merged.refused.extend(refused)
    return _answer(version, merged, clock, uneven=False)


@require_POST
@takes_work
def propose(request: HttpRequest, token: str) -> HttpResponse:
    """Answer with bridges for what is drawn; nothing is stored."""
    version = version_to_show(request, design_to_change(request, token))
    try:
        editing.must_be_drawable(version)
        drawn = editing.working_of(version).strokes
        proposal = editing.propose(version, drawn, _body(request))
    except OrderError as error:
        return JsonResponse({"error": error.sentence}, status=_status(error))
    return JsonResponse(bridges_shown(proposal))


@require_POST
@takes_work
def bridges(request: HttpRequest, token: str) -> HttpResponse:
    """Put the proposed bridges in as the next version: the way without scripts."""
    design = design_to_change(request, token)
    version = posted_version(request, design)
    count_version(request, design)
    with told(request):
        editing.must_be_drawable(version)
        own = editing.own_strokes(version)
        proposal = editing.bridges_for(version, own)
        if not proposal.bridges:
            raise RefusedError("No bridge is wanted here: nothing falls out that one could hold.")
        put_in = [stroke.to_json() for stroke in proposal.strokes]
        by = access.person_of(request)
        version = editing.drawings.with_strokes(version, [*editing.plain(own), *put_in], by=by)
        messages.success(request, f"Bridges put in: {len(put_in)}. Here is what comes of it.")
    return redirect(drawing_address(version))


@require_POST
def save(request: HttpRequest, token: str) -> HttpResponse:
    """Make the next version of what is drawn; pressed twice it makes one."""
    version = posted_version(request, design_to_change(request, token))
    revision = row_number(request.POST.get("revision"))
    count_version(request, version.design)  # what is drawn is kept, so nothing is lost by it
    try:
        made = editing.save(version, revision, by=access.person_of(request))
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect(_pens_page(version))
    return redirect(drawing_address(made))


@require_POST
def discard(request: HttpRequest, token: str) -> HttpResponse:
    """Take away what was drawn since the version was made."""
    version = posted_version(request, design_to_change(request, token))
    editing.discard(version)
    messages.success(request, f"The strokes are gone. Version {version.number} is as it was.")
    return redirect(drawing_address(version))


def _answer(
    version: Version, merged: editing.Merged, clock: Clock, *, uneven: bool = True
) -> JsonResponse:
    """Return the strokes with what the check finds, times in the header."""
    drawn = merged.working.strokes
    with clock("recheck"):
        try:
            checked = editing.look(version, drawn, uneven=uneven)
        except UnreadableError as error:
            checked = None
            looked = nothing_shown(error.message)
    if checked is not None:
        looked = looked_shown(version, checked)
    response = JsonResponse(
        {
            "revision": merged.working.revision,
            "strokes": drawn,
            "unkept": editing.unkept(version),
            "refused": merged.refused,
            "unsnapped": merged.unsnapped,
            "is_whole": uneven,
            **looked,
        }
    )
    response["Server-Timing"] = clock.header()
    return response


def _body(request: HttpRequest) -> bytes:
    """Return what was sent; nothing where it is a form, which is read already and is no JSON."""
    try:
        return request.body
    except RawPostDataException:
        return b""


def _status(error: OrderError) -> int:
    return 400 if isinstance(error, RefusedError) else 409


def _may_draw(request: HttpRequest, token: str) -> bool:
    from django.core.exceptions import PermissionDenied

    try:
        design_to_change(request, token)
    except PermissionDenied:
        return False
    return True


def _pens_page(version: Version) -> str:
    return f"{reverse('drawing-pens', args=[version.design.token])}?v={version.number}"
