"""A page that needs a stored file while the store is away says so, and that it comes back."""

from __future__ import annotations

import logging
from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.logs import page_of
from config.troubles import STORE_AWAY
from orders.file_store import StoreAwayError

logger = logging.getLogger(__name__)

TRY_AGAIN_SECONDS = 60


class StoreAwayMiddleware:
    """Answer 503 with a page of its own where a view raised StoreAwayError."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if not isinstance(error, StoreAwayError):
            return None
        logger.error("%s (%s)", error, page_of(request))  # an address may hold a token
        answer = render(request, "trouble.html", {"trouble": STORE_AWAY}, status=STORE_AWAY.status)
        answer["Retry-After"] = str(TRY_AGAIN_SECONDS)
        return answer
