"""Texts of the letters: written by the workshop with a preview, and back to ours."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from orders import letters as room
from orders.access import workshop_actor, workshop_only
from orders.errors import OrderError
from orders.models import LetterText


@require_GET
@workshop_only
def letters(request: HttpRequest) -> HttpResponse:
    """List the letters to artists: when each goes, its subject, whose text it has."""
    own = {row.kind: row for row in LetterText.objects.select_related("by")}
    rows: list[dict[str, Any]] = []
    for kind, (when, _) in room.LETTERS.items():
        row = own.get(kind)
        subject = row.subject if row is not None else room.ours(kind)[0]
        rows.append({"kind": kind, "when": when, "subject": subject, "own": row})
    return render(request, "workshop/letters.html", {"rows": rows})


@require_http_methods(["GET", "POST"])
@workshop_only
def letter(request: HttpRequest, kind: str) -> HttpResponse:
    """Show a letter's text with its preview; keep it, or only look at it."""
    if kind not in room.LETTERS:
        raise Http404
    subject, body = room.text_of(kind)
    fault = ""
    if request.method == "POST":
        subject, body = request.POST.get("subject", ""), request.POST.get("body", "")
        try:
            subject, body = room.checked(kind, subject, body)
            if request.POST.get("do") == "keep":
                return _kept(request, kind, subject, body)
        except OrderError as error:
            fault = error.sentence
    seen_subject, seen_body = room.previewed(kind, subject, body)
    context = {
        "kind": kind,
        "when": room.LETTERS[kind][0],
        "subject": subject,
        "body": body,
        "fault": fault,
        "is_preview": request.method == "POST" and not fault,
        "seen_subject": seen_subject,
        "seen_body": seen_body,
        "fields": [(name, room.FIELDS[name]) for name in room.LETTERS[kind][1]],
        "own": LetterText.objects.filter(kind=kind).select_related("by").first(),
    }
    return render(request, "workshop/letter.html", context, status=422 if fault else 200)


@require_POST
@workshop_only
def letter_back(request: HttpRequest, kind: str) -> HttpResponse:
    """Give a letter our text again."""
    if kind not in room.LETTERS:
        raise Http404
    LetterText.objects.filter(kind=kind).delete()
    messages.success(request, "The letter has our text again.")
    return redirect("workshop-letter", kind)


def _kept(request: HttpRequest, kind: str, subject: str, body: str) -> HttpResponse:
    if (subject, body) == room.ours(kind):
        LetterText.objects.filter(kind=kind).delete()
    else:
        LetterText.objects.update_or_create(
            kind=kind,
            defaults={
                "subject": subject,
                "body": body,
                "by": workshop_actor(request).person,
                "at": timezone.now(),
            },
        )
    messages.success(request, "Kept. Letters written from now on have this text.")
    return redirect("workshop-letter", kind)
