"""Putting a drawing in: the landing page, uploads, and mended drawings."""

from __future__ import annotations

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from orders import access
from orders.drawings import receive_drawing, receive_mended
from orders.errors import RefusedError
from orders.models import Design, Version

from .common import design_to_change, row_number, told
from .forms import SizeForm, sizes_of

ACCEPTED = "image/*,.heic,.heif,.tif,.tiff,.pdf,.svg"
RECENT = 6
AT_ONCE = 20
NO_FILE = "No drawing came with that. Choose a picture, or take a photograph of the paper."


@require_safe
def landing(request: HttpRequest) -> HttpResponse:
    """Show the drop zone, set as for the last drawing, and the reader's own latest drawings."""
    return render(request, "artist/landing.html", _landing_context(request))


@require_POST
def upload(request: HttpRequest) -> HttpResponse:
    """Take one or several drawings in; a refused one is named and the others go on."""
    form = SizeForm(request.POST)
    files = [file for file in request.FILES.getlist("drawing") if file]
    if not form.is_valid():
        return render(request, "artist/landing.html", _landing_context(request, form), status=422)
    if not files:
        messages.error(request, NO_FILE)
        return redirect("landing")
    if len(files) > AT_ONCE:
        messages.warning(request, f"The first {AT_ONCE} drawings were taken; send the rest again.")
    versions = _receive_all(request, form, files[:AT_ONCE])
    if not versions:
        return redirect("landing")
    if len(versions) == 1 and len(files) == 1:
        return redirect("drawing", token=versions[0].design.token)
    messages.success(request, f"Drawings taken in: {len(versions)}. Each is being looked at.")
    return redirect("mine")


@require_POST
def mend(request: HttpRequest, token: str) -> HttpResponse:
    """Take a mended drawing in as the next version of a drawing."""
    design = design_to_change(request, token)
    file = request.FILES.get("drawing")
    base = design.versions.filter(number=row_number(request.POST.get("version"))).first()
    version = None
    if file is None:
        messages.error(request, NO_FILE)
    else:
        with told(request):
            by = access.person_of(request)
            version = receive_mended(design, file, base=base or design.latest, by=by)
    query = f"?v={version.number}" if version else ""
    return redirect(reverse("drawing", args=[design.token]) + query)


def _receive_all(request: HttpRequest, form: SizeForm, files: list[UploadedFile]) -> list[Version]:
    """Store each file as a drawing of this visitor; tell of each that was refused."""
    versions = []
    visitor = access.visitor_key(request, make=True)
    for file in files:
        try:
            versions.append(
                receive_drawing(
                    file,
                    visitor=visitor,
                    owner=access.person_of(request),
                    blank_code=form.cleaned_data["blank"],
                    paper_mm=form.paper_mm,
                )
            )
        except RefusedError as error:
            messages.error(request, f"{file.name}: {error.sentence}")
    return versions


def _landing_context(request: HttpRequest, form: SizeForm | None = None) -> dict[str, object]:
    designs = access.own_designs(request).prefetch_related("versions__design")[:RECENT]
    recent = [_latest(design) for design in designs]
    form = form or SizeForm(initial=sizes_of(recent[0]) if recent else None)
    return {"form": form, "accept": ACCEPTED, "recent": recent}


def _latest(design: Design) -> Version:
    """Return the latest version out of the rows fetched already."""
    return max(design.versions.all(), key=lambda version: version.number)
