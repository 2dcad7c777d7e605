"""A PDF as an answer, and the paper that was asked for; both sides print."""

from __future__ import annotations

from collections.abc import Sequence

from django.http import HttpRequest, HttpResponse

from .dates import today
from .shelf_money import Statement


def paper_of(request: HttpRequest) -> str:
    """Return the paper that the address asks for, A4 unless it is Letter."""
    return "letter" if request.GET.get("paper") == "letter" else "a4"


def pdf_of(data: bytes, name: str) -> HttpResponse:
    """Return a PDF that no cache keeps."""
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response


def statement_pdf(request: HttpRequest, statements: Sequence[Statement]) -> HttpResponse:
    """Return the PDF of one artist's month; both sides print the same."""
    from .prints import share_statement  # reportlab is only loaded to print

    artist, month = statements[0].artist, statements[0].month
    pdf = share_statement.render(artist, statements, printed_on=today(), paper=paper_of(request))
    return pdf_of(pdf, f"shares-{month:%Y-%m}")
