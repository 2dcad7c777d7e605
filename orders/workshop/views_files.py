"""Files of a job: its pictures, the untouched drawing, the cut file, photos, the slip."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO
from pathlib import PurePath

from django.contrib import messages
from django.core.files.storage import default_storage
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_GET
from PIL import Image

from orders.access import photo_of, workshop_job, workshop_only, workshop_order
from orders.errors import OrderError, RefusedError
from orders.kept_pictures import pixels_png
from orders.models import Closer, Film, Version
from orders.pdf_answer import pdf_of

SMALL_PX = 160
# "image/vnd.dxf" as IANA lists it
CUT_TYPES = {"svg": "image/svg+xml", "dxf": "image/vnd.dxf", "pdf": "application/pdf"}
# An address holds the version's number, and a version never changes.
FOREVER = "private, max-age=31536000, immutable"


@require_GET
@workshop_only
def job_picture(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """The film as it is cut, in the blank's frame; ``?small=1`` for lists."""
    version = _version(request, code, number)
    if not version.film_picture:
        raise Http404
    if request.GET.get("small"):
        return _file(small_picture(version.film_picture.name), "image/png")
    return stored_file(version.film_picture.name, "image/png")


@require_GET
@workshop_only
def job_drawing(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """The straightened drawing, as the artist drew it."""
    version = _version(request, code, number)
    if not version.drawing_picture:
        raise Http404
    return stored_file(version.drawing_picture.name, "image/jpeg")


@require_GET
@workshop_only
def job_hold(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Where the film may lift, as a picture in tones; an estimate."""
    closer = Closer.objects.filter(version=_version(request, code, number)).first()
    if closer is None or not closer.hold_picture:
        raise Http404
    return stored_file(closer.hold_picture.name, "image/png")


@require_GET
@workshop_only
def job_original(request: HttpRequest, code: str) -> HttpResponse:
    """The picture as it came, every pixel, without what its camera noted of place and time."""
    from geometry.errors import UnreadableError  # the geometry is loaded to unpack it anyway

    job = workshop_job(request, code)
    upload = job.version.upload
    try:
        png = pixels_png(job.version)
    except (RefusedError, UnreadableError) as error:
        messages.error(request, str(error))
        return redirect("workshop-job", job.code)
    response = _file(png, "image/png")
    name = f"{PurePath(upload.name).stem or job.code}.png"
    response["Content-Disposition"] = content_disposition_header(True, name) or "attachment"
    return response


@require_GET
@workshop_only
def job_photo(request: HttpRequest, code: str, photo_id: int) -> HttpResponse:
    photo = photo_of(workshop_job(request, code), photo_id)
    return stored_file(photo.file.name, "image/jpeg")


@require_GET
@workshop_only
def job_cut_file(request: HttpRequest, code: str) -> HttpResponse:
    """The cut file of one piece: ``?as=dxf|pdf``, ``?mark=1`` for the job's code on its margin;
    ``?kerf=0`` leaves the kerf to the machine's software."""
    from orders import cut_files  # loads the geometry, which other pages do without

    job = workshop_job(request, code)
    kerf_mm = kerf_asked(request, job.film)
    try:
        cut = cut_files.file_for_job(
            job, kerf_mm, format_asked(request), with_mark="mark" in request.GET
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-job", job.code)
    return cut_attachment(cut.data, f"{job.code}-kerf-{kerf_mm:g}.{cut.format}")


@require_GET
@workshop_only
def order_slip(request: HttpRequest, code: str) -> HttpResponse:
    """The packing slip of an order: ``?paper=letter|a4|4x6``."""
    from orders.prints.packing_slip import render  # reportlab is only loaded to print

    order = workshop_order(request, code)
    paper = request.GET.get("paper", "letter")
    if paper not in ("letter", "a4", "4x6"):
        raise Http404
    return pdf_of(render(order, paper=paper), f"slip-{order.code}-{paper}")


def kerf_asked(request: HttpRequest, film: Film) -> float:
    """Return the film's kerf in mm, or the one asked for in the address."""
    try:
        return float(request.GET.get("kerf", film.kerf_mm))
    except ValueError:
        return film.kerf_mm


def format_asked(request: HttpRequest) -> str:
    """Return the format of a cut file as asked (``?as=``), SVG otherwise."""
    asked = request.GET.get("as", "svg")
    return asked if asked in CUT_TYPES else "svg"


def cut_attachment(data: bytes, name: str) -> HttpResponse:
    """Return a cut file as a download that is never stored by the browser."""
    response = HttpResponse(data, content_type=CUT_TYPES[name.rpartition(".")[2]])
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    return response


@lru_cache(maxsize=512)
def small_picture(stored_name: str) -> bytes:
    """Return a stored picture at 160 px for lists; its name never gets other contents."""
    with default_storage.open(stored_name, "rb") as stored:
        image = Image.open(stored, formats=["PNG"])
        image.thumbnail((SMALL_PX, SMALL_PX))
        out = BytesIO()
        image.save(out, "PNG", optimize=True)
    return out.getvalue()


def _version(request: HttpRequest, code: str, number: int) -> Version:
    """Return a version of the job's own drawing."""
    job = workshop_job(request, code)
    return get_object_or_404(job.version.design.versions, number=number)


def stored_file(name: str | None, content_type: str) -> HttpResponse:
    if not name:
        raise Http404
    try:
        with default_storage.open(name, "rb") as stored:
            return _file(stored.read(), content_type)
    except FileNotFoundError:
        raise Http404 from None


def _file(data: bytes, content_type: str) -> HttpResponse:
    response = HttpResponse(data, content_type=content_type)
    response["Cache-Control"] = FOREVER
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
