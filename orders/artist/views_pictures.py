"""Pictures and files, each handed out only after its owner was looked up through access.py."""

from __future__ import annotations

from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from orders import access, shelf_pictures
from orders.models import Job, Version
from orders.shelf_sales import sale_of

# name in the address -> (field of the version, content type)
PICTURES = {
    "film.png": ("film_picture", "image/png"),
    "drawing.jpg": ("drawing_picture", "image/jpeg"),
}


@require_safe
def of_version(request: HttpRequest, token: str, number: int, name: str) -> FileResponse:
    """Serve film.png (as it will be cut) or drawing.jpg (straightened) of a version."""
    version = access.version_for(request, token, number)
    if name not in PICTURES:
        raise Http404
    field, content_type = PICTURES[name]
    return serve(getattr(version, field), content_type)


@require_safe
def original(request: HttpRequest, token: str, number: int) -> FileResponse:
    """Serve the file as it was uploaded, to its owner alone: a camera's notes say where it was.

    Always a download of no particular type, which no browser opens.
    """
    version = access.version_of(access.own_design(request, token), number)
    return serve(version.upload.file, "application/octet-stream", download=version.upload.name)


@require_safe
def of_job(request: HttpRequest, token: str, code: str) -> HttpResponse | FileResponse:
    """Serve the film picture of a job on its order's page."""
    return film_of_job(access.order_job(access.order_by_link(request, token), code))


@require_safe
def of_proposal(request: HttpRequest, token: str, code: str, number: int) -> FileResponse:
    """Serve the film picture of a version that the workshop proposed for a job."""
    job = access.order_job(access.order_by_link(request, token), code)
    version = job.proposals.filter(number=number).first()
    if version is None:
        raise Http404
    return film_of(version)


@require_safe
def photo(request: HttpRequest, token: str, code: str, photo_id: int) -> FileResponse:
    """Serve a photo of a cut piece."""
    job = access.order_job(access.order_by_link(request, token), code)
    return serve(access.photo_of(job, photo_id).file, "image/jpeg")


@require_safe
def of_parcel(request: HttpRequest, token: str, code: str) -> HttpResponse | FileResponse:
    """Serve the film picture of a job to whoever holds the slip of its parcel."""
    return film_of_job(access.order_job(access.parcel_order(token), code))


def film_of_job(job: Job) -> HttpResponse | FileResponse:
    """Serve a job's film picture; of a drawing from the shelf the one with fewer dots."""
    return film_of(job.version) if sale_of(job) is None else shelf_picture(job.version, "film.png")


def shelf_picture(version: Version, name: str) -> HttpResponse:
    """Serve film.png or paint.png as buyers get it, or 404."""
    make = shelf_pictures.PICTURES.get(name)
    if make is None:
        raise Http404
    try:
        data = make(version)
    except (FileNotFoundError, ValueError) as error:
        raise Http404 from error
    response = HttpResponse(data, content_type="image/png")
    # not for long: what is taken off the shelf is to be gone
    response["Cache-Control"] = "private, max-age=3600"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


def film_of(version: Version) -> FileResponse:
    """Serve a version's film picture, or 404 when there is none."""
    return serve(version.film_picture, "image/png")


def serve(file: FieldFile, content_type: str, *, download: str = "") -> FileResponse:
    """Serve a stored file with a fixed type. What it holds never changes, so it may be kept."""
    if not file.name:
        raise Http404
    try:  # asking first whether it is there would be one more request to a store elsewhere
        stored = file.open("rb")
    except FileNotFoundError:
        raise Http404 from None
    response = FileResponse(
        stored, content_type=content_type, as_attachment=bool(download), filename=download
    )
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
