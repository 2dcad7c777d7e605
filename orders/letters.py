"""Texts of the letters to artists: ours, or the workshop's own, with fields in square brackets.

A text holds no code. ``[order]`` is replaced by what the table below says and nothing else is, so
neither a text nor a name that somebody typed can do anything. Ours lie in ``templates/mail``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.conf import settings

from .dates import day_words
from .errors import RefusedError
from .models import LetterText, Order
from .models.jobs import CALLED_OFF
from .words import counted

FIELD = re.compile(r"\[([^\[\]\n]{1,40})\]")
SUBJECT_LENGTH = 200
BODY_LENGTH = 5000

Context = Mapping[str, Any]


@dataclass(frozen=True)
class Field:
    """What a field stands for, how it looks in a preview, and where its words come from."""

    words: str
    example: str
    value: Callable[[Context], str]


def _title(context: Context) -> str:
    job = context.get("job")
    return job.version.design.title if job is not None else ""


def _greeting(context: Context) -> str:
    name = context["order"].ship_name
    return f"Hello {name}" if name else "Hello"


def _carried(context: Context) -> str:
    parcel = context.get("parcel")
    if parcel is None:
        return ""
    tracking = f", tracking number {parcel.tracking}" if parcel.tracking else ""
    return f"{parcel.carrier}{tracking}"


def _in_parcel(context: Context) -> str:
    return "\n".join(
        f"- {line.count} x {line.job.version.design.title}, {line.job.version.blank.name}"
        for line in context.get("parcel_lines") or ()
    )


def _to_follow(context: Context) -> str:
    jobs = context["order"].jobs.exclude(status__in=CALLED_OFF).select_related("version__design")
    return "\n".join(
        f"- {job.quantity - job.shipped} x {job.version.design.title}, {job.version.blank.name}"
        for job in jobs.order_by("id")
        if job.quantity > job.shipped
    )


def _sent_already(context: Context) -> str:
    job = context.get("job")
    if job is None or not job.shipped:
        return ""
    return f"{counted(job.shipped, 'piece')} of it left before; they are yours."


def _quote(context: Context, name: str) -> str:
    quote = context.get("quote")
    return "" if quote is None else str(getattr(quote, name))


def _day(value: Any) -> str:
    return day_words(value) if value else ""


FIELDS: dict[str, Field] = {
    "greeting": Field("Hello, with the name where one is known", "Hello Wren Saltmarsh", _greeting),
    "name": Field("the name on the parcel", "Wren Saltmarsh", lambda c: c["order"].ship_name),
    "order": Field("the order’s code", "7KQ4M", lambda c: c["order"].code),
    "order page": Field(
        "the private address of the order", "https://…/order/…/", lambda c: c["order_address"]
    ),
    "workshop": Field("your name", "Slipway Cutting Shed", lambda c: c["workshop"].name),
    "promised": Field(
        "the day it was promised for", "Fri 4 Dec 2026", lambda c: _day(c["order"].promise_on)
    ),
    "drawing": Field("the drawing’s title", "Shore crab", _title),
    "why": Field(
        "what you wrote as the reason", "The film is out of stock.", lambda c: c["event"].why
    ),
    "sent already": Field(
        "a sentence on pieces that left before, if any did",
        "2 pieces of it left before; they are yours.",
        _sent_already,
    ),
    "how it goes": Field(
        "for the post, or for you to collect",
        "for the post",
        lambda c: (
            "for you to collect"
            if c["order"].delivery == Order.Delivery.COLLECT
            else "for the post"
        ),
    ),
    "carrier": Field(
        "who carries it, with the tracking number", "Harbour Mail, tracking number HM 7", _carried
    ),
    "in the parcel": Field(
        "what lies in the parcel, a line each", "- 4 x Shore crab, 6 x 6 in", _in_parcel
    ),
    "to follow": Field(
        "what is still to come, a line each", "- 1 x Shore crab, 6 x 6 in", _to_follow
    ),
    "quote": Field("the quote’s number", "1", lambda c: _quote(c, "number")),
    "total": Field("what it comes to", "42.50 USD", lambda c: str(c.get("total", ""))),
    "good until": Field(
        "the last day of the quote",
        "Fri 4 Dec 2026",
        lambda c: _day(c["quote"].valid_until) if c.get("quote") is not None else "",
    ),
    "quote page": Field(
        "the private address of the quote",
        "https://…/quote/…/",
        lambda c: str(c.get("quote_address", "")),
    ),
}

_EVERY = ("greeting", "name", "order", "order page", "workshop")
_JOB = (*_EVERY, "drawing", "why")
_QUOTE = (*_EVERY, "quote", "total")
_PARCEL = (*_EVERY, "in the parcel")

# kind -> (when it goes, its fields)
LETTERS: dict[str, tuple[str, tuple[str, ...]]] = {
    "quote": ("The quote is ready", (*_QUOTE, "good until", "quote page")),
    "accepted": ("The quote was accepted", (*_QUOTE, "promised")),
    "ask-changes": ("A question about a drawing", _JOB),
    "proposal": ("A changed version is offered", _JOB),
    "decline": ("A job is declined", (*_JOB, "sent already")),
    "call-off": ("A job is called off", (*_JOB, "sent already")),
    "all-cut": ("Everything is cut", (*_EVERY, "how it goes", "promised")),
    "shipped": ("The whole order, or the last of it, is posted", (*_PARCEL, "carrier")),
    "part-shipped": ("A part is posted, more follows", (*_PARCEL, "carrier", "to follow")),
    "handed-over": ("The whole order, or the last of it, is handed over", _PARCEL),
    "part-handed-over": ("A part is handed over, more follows", (*_PARCEL, "to follow")),
}


@lru_cache(maxsize=32)
def ours(kind: str) -> tuple[str, str]:
    """Return our own subject and body of a letter, with their fields."""
    path = Path(settings.BASE_DIR) / "templates" / "mail" / f"{kind}.txt"
    subject, _, body = path.read_text(encoding="utf-8").partition("\n")
    return subject, body.strip() + "\n"


def text_of(kind: str) -> tuple[str, str]:
    """Return the subject and body in use: the workshop's own, or ours."""
    row = LetterText.objects.filter(kind=kind).first()
    return (row.subject, row.body) if row is not None else ours(kind)


def written(kind: str, context: Context) -> tuple[str, str]:
    """Return subject and body of a letter with every field filled in."""
    fields = LETTERS[kind][1]
    values = {name: FIELDS[name].value(context) for name in fields}
    subject, body = text_of(kind)
    return one_line(filled(subject, values)), filled(body, values).strip() + "\n"


def previewed(kind: str, subject: str, body: str) -> tuple[str, str]:
    """Return what a letter would look like, with examples in its fields."""
    values = {name: FIELDS[name].example for name in LETTERS[kind][1]}
    return one_line(filled(subject, values)), filled(body, values).strip() + "\n"


def checked(kind: str, subject: str, body: str) -> tuple[str, str]:
    """Return subject and body as they may be kept.

    Raises RefusedError for an empty text, one that is too long, or a field this letter has not.
    """
    subject, body = one_line(subject), body.replace("\r\n", "\n").strip() + "\n"
    if not subject or not body.strip():
        raise RefusedError("A letter needs a subject and a text.")
    if len(subject) > SUBJECT_LENGTH or len(body) > BODY_LENGTH:
        raise RefusedError(
            f"That is too long: a subject has up to {SUBJECT_LENGTH} letters, "
            f"a text up to {BODY_LENGTH}."
        )
    fields = LETTERS[kind][1]
    unknown = [name for name in FIELD.findall(f"{subject}\n{body}") if name not in fields]
    if unknown:
        raise RefusedError(
            f"This letter has no field [{unknown[0]}]. It may use "
            f"{', '.join(f'[{name}]' for name in fields)}; other words go without brackets."
        )
    return subject, body


def filled(text: str, values: Mapping[str, str]) -> str:
    """Replace each field once; what comes in is never read for fields again."""
    shown = FIELD.sub(lambda found: values.get(found[1], found[0]), text)
    return re.sub(r"\n{3,}", "\n\n", shown)  # an empty field leaves no hole


def one_line(text: str) -> str:
    """Return a text on one line: a header holds no line end (RFC 5322, 2.2)."""
    return " ".join(text.split())[:SUBJECT_LENGTH]
