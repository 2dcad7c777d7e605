"""Headers of safety that every answer carries, and how long it may be kept.

The rest comes from Django (nosniff, frames, referrer, opener, HSTS) and django-csp.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

# nothing of the kind is used here; a photograph is taken by the phone's own camera, not the page
PERMISSIONS = ", ".join(
    f"{feature}=()"
    for feature in (
        "accelerometer",
        "autoplay",
        "camera",
        "display-capture",
        "geolocation",
        "gyroscope",
        "magnetometer",
        "microphone",
        "midi",
        "payment",
        "publickey-credentials-get",
        "screen-wake-lock",
        "usb",
        "xr-spatial-tracking",
    )
)
PLAIN = "private, no-cache"
PRIVATE = "private, no-store"


class HeadersMiddleware:
    """Add the headers that are missing; a view that says otherwise is left alone."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        response.headers.setdefault("Cache-Control", _cache_of(request))
        return response


def _cache_of(request: HttpRequest) -> str:
    """Return for how long an answer is kept that says nothing of it.

    What hangs on a token or code in its address, or is the workshop's, is kept nowhere. Other
    pages are asked for anew, but a browser may go back to a form as it was filled in.
    """
    match = request.resolver_match
    named = bool(match and match.kwargs) or request.path_info.startswith("/workshop/")
    return PRIVATE if named else PLAIN
