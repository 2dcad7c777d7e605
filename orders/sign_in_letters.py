"""Letters to somebody of the workshop about their own sign-in: it may not have been they."""

from __future__ import annotations

from typing import Final

from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone

from .models import Mail, Person, Workshop
from .outbox import absolute

KIND: Final = "my-sign-in"
TOLD: Final = {
    "password": "The password of your sign-in was changed.",
    "second-step-on": "The second step of your sign-in was set up: from now on it asks for the "
    "code of an app on a phone.",
    "second-step-off": "The second step of your sign-in was taken away: the password alone opens "
    "the workshop.",
    "spare-codes": "New spare codes were made for your sign-in; the old ones work no longer.",
    "wrong-codes": "Somebody typed your password rightly, and then so many wrong codes that the "
    "sign-in waits a quarter of an hour.",
}


def tell(person: Person, what: str) -> None:
    """Put a letter about a change of somebody's sign-in into the outbox, with that change."""
    context = {
        "what": TOLD[what],
        "at": timezone.localtime().strftime("%H:%M on %d %B %Y"),
        "page": absolute(reverse("workshop-my-sign-in")),
        "workshop": Workshop.current().name or "the workshop",
    }
    text = render_to_string("mail/my-sign-in.txt", context)
    subject, _, body = text.partition("\n")
    subject = " ".join(subject.split())[:200]
    Mail.objects.create(to=person.email, kind=KIND, subject=subject, body=body.strip() + "\n")
