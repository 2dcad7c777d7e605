"""Putting a drawing in: the landing page, uploads, and mended drawings."""

from __future__ import annotations

from string import ascii_letters, digits
from typing import Any

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from orders import access, limits
from orders.codes import new_token
from orders.drawings import receive_drawing, receive_mended
from orders.errors import RefusedError
from orders.limits import TooOftenError
from orders.models import Design, Version
from orders.shelf_sales import live
from orders.too_often import too_often

from .common import design_to_change, row_number
from .forms import SizeForm, sizes_of
from .shelf_shown import cards

ACCEPTED = "image/*,.heic,.heif,.tif,.tiff,.pdf,.svg"
RECENT = 6
FROM_SHELF = 4
AT_ONCE = 20
BETWEEN = "."
SIGNS_OF_NAME = frozenset(f"{ascii_letters}{digits}-_")
NO_FILE = "No drawing came with that. Choose a picture, or take a photograph of the paper."


@require_safe
def landing(request: HttpRequest) -> HttpResponse:
    """Show the drop zone, set as for the last drawing, and the reader's own latest drawings."""
    return render(request, "artist/landing.html", _landing_context(request))


@require_POST
def upload(request: HttpRequest) -> HttpResponse:
    """Take one or several drawings in; a refused one is named and the others go on.

    A page's script sends each drawing by itself and is answered in JSON.
    """
    form = SizeForm(request.POST)
    files = [file for file in request.FILES.getlist("drawing") if file]
    if _is_by_script(request):
        return _answer_script(request, form, files)
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
    tokens = BETWEEN.join(version.design.token for version in versions)
    return redirect(f"{reverse('sent')}?d={tokens}")


@require_POST
def mend(request: HttpRequest, token: str) -> HttpResponse:
    """Take a mended drawing in as the next version of a drawing."""
    design = design_to_change(request, token)
    file = request.FILES.get("drawing")
    base = design.versions.filter(number=row_number(request.POST.get("version"))).first()
    page = reverse("drawing", args=[design.token])
    try:
        if file is None:
            raise RefusedError(NO_FILE)
        _count(request)
        by, name = access.person_of(request), _sending(request)
        version = receive_mended(design, file, base=base or design.latest, by=by, sending=name)
    except TooOftenError as error:
        return too_often(request, error)
    except RefusedError as error:
        if _is_by_script(request):
            return _refusal(error.sentence)
        messages.error(request, error.sentence)
        return redirect(page)
    address = f"{page}?v={version.number}"
    return _taken(version, address) if _is_by_script(request) else redirect(address)


@require_safe
@never_cache
def sent(request: HttpRequest) -> HttpResponse:
    """List the drawings that were sent together, each with its verdict as it comes."""
    context = _sent_context(request)
    return render(request, "artist/sent.html", context) if context else redirect("landing")


@require_safe
@never_cache
def sent_state(request: HttpRequest) -> HttpResponse:
    """Answer the list's polling: 204 nothing new, 286 (and no more polling) when all is settled."""
    context = _sent_context(request)
    if not context or request.GET.get("seen") == context["stamp"]:
        return HttpResponse(status=204)
    response = render(request, "artist/sent_list.html", context | {"is_fragment": True})
    return response if context["waiting"] else HttpResponseStopPolling(response.content)


def _sent_context(request: HttpRequest) -> dict[str, Any]:
    """Return what the list shows; nothing where none of the drawings is the reader's own."""
    tokens = request.GET.get("d", "").split(BETWEEN)[:AT_ONCE]
    own = access.own_designs(request).filter(token__in=tokens).prefetch_related("versions__design")
    versions = sorted((_latest(design) for design in own), key=_place_in(tokens))
    if not versions:
        return {}
    return {
        "versions": versions,
        "waiting": [version for version in versions if not version.is_settled],
        "stamp": "-".join(version.status for version in versions),
        "tokens": BETWEEN.join(version.design.token for version in versions),
    }


def _place_in(tokens: list[str]) -> Any:
    return lambda version: tokens.index(version.design.token)


def _is_by_script(request: HttpRequest) -> bool:
    return request.headers.get("Accept", "") == "application/json"


def _answer_script(request: HttpRequest, form: SizeForm, files: list[UploadedFile]) -> HttpResponse:
    if not form.is_valid():
        return _refusal("Choose a size for the stencil and for the paper from the lists.")
    if not files:
        return _refusal(NO_FILE)
    try:
        version = _receive(request, form, files[0])
    except TooOftenError as error:
        return too_often(request, error)
    except RefusedError as error:
        return _refusal(error.sentence)
    return _taken(version, reverse("drawing", args=[version.design.token]))


def _refusal(sentence: str) -> HttpResponse:
    return JsonResponse({"error": sentence}, status=422)


def _taken(version: Version, address: str) -> HttpResponse:
    design = version.design
    return JsonResponse({"address": address, "token": design.token, "title": design.title})


def _sending(request: HttpRequest) -> str:
    """Return the name of this sending, made with the form, so that none is doubled; "" for none."""
    name = request.POST.get("sending", "")
    is_name = 8 <= len(name) <= 40 and name.isascii() and not set(name) - SIGNS_OF_NAME
    return name if is_name else ""


def _receive_all(request: HttpRequest, form: SizeForm, files: list[UploadedFile]) -> list[Version]:
    """Store each file as a drawing of this visitor; tell of each that was refused."""
    versions: list[Version] = []
    for file in files:
        try:
            versions.append(_receive(request, form, file))
        except TooOftenError:
            if not versions:
                raise
            left = len(files) - len(versions)
            messages.error(
                request,
                f"{left} of your drawings were not taken: too many at once. Send them "
                "again in a while.",
            )
            break
        except RefusedError as error:
            messages.error(request, f"{file.name}: {error.sentence}")
    return versions


def _count(request: HttpRequest) -> None:
    """Count a drawing that was sent. Raises TooOftenError before anything is stored."""
    access.visitor_key(request, make=True)  # a first drawing counts for its session already
    limits.check_waiting(request)
    limits.count(request, "upload")


def _receive(request: HttpRequest, form: SizeForm, file: UploadedFile) -> Version:
    _count(request)
    return receive_drawing(
        file,
        visitor=access.visitor_key(request, make=True),
        owner=access.person_of(request),
        blank_code=form.cleaned_data["blank"],
        paper_mm=form.paper_mm,
        sent_from=limits.address_of(request),
        sending=_sending(request),
    )


def _landing_context(request: HttpRequest, form: SizeForm | None = None) -> dict[str, object]:
    designs = access.own_designs(request).prefetch_related("versions__design")[:RECENT]
    recent = [_latest(design) for design in designs]
    form = form or SizeForm(initial=sizes_of(recent[0]) if recent else None)
    offers = live().select_related("design")[:FROM_SHELF]
    return {
        "form": form,
        "accept": ACCEPTED,
        "recent": recent,
        "at_once": AT_ONCE,
        "cards": cards(offers) if offers else [],
        "sending": new_token(),
    }


def _latest(design: Design) -> Version:
    """Return the latest version out of the rows fetched already."""
    return max(design.versions.all(), key=lambda version: version.number)
