"""Pages to find things again and to read."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from geometry.limits import BLANKS
from orders.errors import RefusedError
from orders.models import Workshop


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
