"""Refuse null characters before any view sees them.

PostgreSQL takes none in a text (SQLite does), so one in an address or a form would end as an error
of the server. No keyboard types one and no file name holds one.
"""

from collections.abc import Callable, Iterable
from typing import Any

from django.core.exceptions import BadRequest
from django.http import HttpRequest, HttpResponseBase

NULL = "\0"


class NullCharacterMiddleware:
    """Answer 400 to a request with a null character in its path, query or form."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, *view: Any) -> None:
        """Look once the check against forged forms has let the request through."""
        if NULL in request.path_info or _any_null(request.GET.lists()):
            raise BadRequest("The address holds a null character.")
        if request.method == "POST" and _any_null(request.POST.lists()):
            raise BadRequest("The form holds a null character.")


def _any_null(lists: Iterable[tuple[str, list[Any]]]) -> bool:
    return any(NULL in text for name, values in lists for text in (name, *values))
