"""The demo's letter box: what was mailed, read from the files that the demo mails into.

It shows mailed sign-in codes, so it exists only on the demo, only where mails go into files, and
only for a browser on the same machine.
"""

from __future__ import annotations

from email import message_from_bytes, policy
from ipaddress import ip_address
from pathlib import Path

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache

from orders.models import Workshop

FILES = "django.core.mail.backends.filebased.EmailBackend"
MOST = 40


@never_cache
def mails(request: HttpRequest) -> HttpResponse:
    """List the newest letters of the demo, newest first."""
    if not is_open(request):
        raise Http404
    return render(request, "demo/mails.html", {"letters": read_letters(_folder())})


def is_open(request: HttpRequest) -> bool:
    """Whether this reader may see the demo's letters."""
    if settings.EMAIL_BACKEND != FILES or "HTTP_X_FORWARDED_FOR" in request.META:
        return False
    try:
        near = ip_address(request.META.get("REMOTE_ADDR", "")).is_loopback
    except ValueError:
        return False
    return near and Workshop.objects.filter(is_demo=True).exists()


def read_letters(folder: Path) -> list[dict[str, str]]:
    """Return to, subject, date and text of the newest letters in a folder of mail files."""
    newest = sorted(folder.glob("*.log"), key=lambda path: path.stat().st_mtime, reverse=True)
    letters = []
    for path in newest[:MOST]:
        for raw in reversed(path.read_bytes().split(b"\n" + b"-" * 79 + b"\n")):
            if raw.strip():
                letters.append(_letter(raw.strip()))
    return letters[:MOST]


def _letter(raw: bytes) -> dict[str, str]:
    message = message_from_bytes(raw, policy=policy.default)
    body = message.get_body(("plain",))
    return {
        "to": str(message["to"]),
        "subject": str(message["subject"]),
        "date": str(message["date"]),
        "text": body.get_content() if body else "",
    }


def _folder() -> Path:
    return Path(settings.EMAIL_FILE_PATH)
