"""Pages to find things again and to read."""

from __future__ import annotations

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from geometry.limits import BLANKS
from orders import watch
from orders.errors import RefusedError
from orders.models import Workshop
from orders.privacy import TRIES_KEPT


@require_safe
def guide(request: HttpRequest) -> HttpResponse:
    """Tell how to draw for cutting."""
    return render(request, "artist/guide.html", {"blanks": BLANKS.values()})


@require_safe
def sheets(request: HttpRequest) -> HttpResponse:
    """Offer the drawing sheets to print: each size, on each paper that holds it."""
    from orders.prints import drawing_sheet  # reportlab is only loaded to print

    shown = [
        (blank, papers, drawing_sheet.frame_of(blank, papers[0]))
        for blank, papers in drawing_sheet.sheets()
    ]
    return render(request, "artist/sheets.html", {"sheets": shown})


@require_safe
def sheet_print(request: HttpRequest, code: str, paper: str) -> HttpResponse:
    """Give one drawing sheet as a PDF at true size."""
    from orders.prints import drawing_sheet

    if code not in BLANKS:
        raise Http404
    try:
        data = drawing_sheet.render(
            BLANKS[code], paper=paper, workshop_name=Workshop.current().name
        )
    except RefusedError as error:
        raise Http404(str(error)) from error
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="drawing-sheet-{code}-{paper}.pdf"'
    return response


@require_safe
def healthz(request: HttpRequest) -> HttpResponse:
    """Say that the site answers."""
    return HttpResponse("ok", content_type="text/plain")


@require_safe
def readyz(request: HttpRequest) -> HttpResponse:
    """Say whether the site can do its work: 200, or 503 with what is missing; no details."""
    answers = watch.ready()
    lines = [f"{name} {'ok' if is_there else 'away'}" for name, is_there in answers.items()]
    status = 200 if all(answers.values()) else 503
    response = HttpResponse("\n".join(lines) + "\n", content_type="text/plain", status=status)
    response["Cache-Control"] = "no-store"
    return response


@require_safe
def privacy(request: HttpRequest) -> HttpResponse:
    """Tell what is kept of an artist, how long, and who sees it."""
    context = {
        "workshop": Workshop.current(),
        "keep_ordered": _long(settings.KEEP_ORDERED_DAYS),
        "keep_books": _long(settings.KEEP_BOOKS_DAYS),
        "keep_unclaimed_days": settings.KEEP_UNCLAIMED_DAYS,
        "session_days": settings.SESSION_COOKIE_AGE // 86400,
        "tries_kept_days": TRIES_KEPT.days,
    }
    return render(request, "artist/privacy.html", context)


def _long(days: int) -> str:
    """Return a length of time in years where it is whole ones."""
    years, rest = divmod(days, 365)
    if rest or not years:
        return f"{days} days"
    return "1 year" if years == 1 else f"{years} years"
