"""A PDF as an answer, and the paper that was asked for; both sides print."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse


def paper_of(request: HttpRequest) -> str:
    """Return the paper that the address asks for, A4 unless it is Letter."""
    return "letter" if request.GET.get("paper") == "letter" else "a4"


def pdf_of(data: bytes, name: str) -> HttpResponse:
    """Return a PDF that no cache keeps."""
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response
