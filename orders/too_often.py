"""What is done too often is answered by 429 with a sentence and how long to wait.

Where a page can keep what was typed, its view catches the error; this is for the rest.
"""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import render

from .limits import TooOftenError


class TooOftenMiddleware:
    """Answer a TooOftenError of a view that did not catch it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        return too_often(request, error) if isinstance(error, TooOftenError) else None


def too_often(request: HttpRequest, error: TooOftenError) -> HttpResponse:
    """Return the page, or for a page's script the JSON, that says what to do and when."""
    response: HttpResponse
    if request.headers.get("Accept", "") == "application/json":
        response = JsonResponse({"error": error.sentence}, status=429)
    else:
        response = render(request, "429.html", {"sentence": error.sentence}, status=429)
    response["Retry-After"] = str(error.seconds)
    return response
