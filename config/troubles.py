"""What a visitor reads when the disk is full or the database away: one sentence, and 507 or 503.

Django calls ``server_error`` for whatever no page caught. A fault of the machine that ends by
itself is told as such, with Retry-After; everything else is the usual page of something broken.
"""

from __future__ import annotations

import errno
import shutil
import smtplib
import sqlite3
import sys
from dataclasses import dataclass

from django.conf import settings
from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.views import defaults

RETRY_AFTER_S = 15
LEAST_ROOM_BYTES = 1_000_000


@dataclass(frozen=True)
class Trouble:
    """One kind of fault: the status of the answer, a heading, what it is, what to do."""

    status: int
    title: str
    sentence: str
    remedy: str


DISK_FULL = Trouble(
    507,
    "There is no room left",
    "The workshop’s disk is full, so nothing new can be stored just now. What is stored is safe.",
    "Try again in a while. If it stays so, tell the workshop.",
)
AWAY = Trouble(
    503,
    "The workshop’s books are out of reach",
    "The workshop’s records cannot be reached just now. What is stored is safe.",
    "Wait a moment, then go back and press again. A press that did count is not done twice.",
)
NO_POST = Trouble(
    503,
    "The mail does not go out",
    "The mail server cannot be reached just now, so no mail was sent.",
    "Try again in a few minutes.",
)
STORE_AWAY = Trouble(
    503,
    "Our store of files does not answer just now",
    "It is not your drawing. What was stored is safe; only what you just sent was not taken in.",
    "Please go back in a minute and try once more. If it lasts, tell the workshop.",
)
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
# PostgreSQL, appendix A: connection lost, out of room, taken by somebody, shutting down
PG_AWAY = ("08", "53", "55", "57", "40")
SQLITE_AWAY = ("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_IOERR", "SQLITE_CANTOPEN", "SQLITE_READONLY")


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer an exception that no page caught."""
    trouble = trouble_of(sys.exc_info()[1])
    if trouble is None:
        return defaults.server_error(request)
    if request.headers.get("Accept", "") == "application/json":
        told = f"{trouble.sentence} {trouble.remedy}"
        response: HttpResponse = JsonResponse({"error": told}, status=trouble.status)
    else:
        page = render_to_string("trouble.html", {"trouble": trouble})
        response = HttpResponse(page, status=trouble.status)
    response["Retry-After"] = str(RETRY_AFTER_S)
    response["Cache-Control"] = "no-store"
    return response


def trouble_of(error: BaseException | None) -> Trouble | None:
    """Return the fault of the machine that an exception tells of, None for any other."""
    if isinstance(error, (OperationalError, InterfaceError)):
        return _of_database(error)
    if isinstance(error, smtplib.SMTPException):
        return NO_POST
    if isinstance(error, OSError) and error.errno in FULL:
        return DISK_FULL
    if isinstance(error, ConnectionRefusedError):
        return NO_POST  # the only server that a page talks to, besides the database
    return None


def _of_database(error: Exception) -> Trouble | None:
    cause = error.__cause__
    if isinstance(cause, sqlite3.Error):
        name = str(getattr(cause, "sqlite_errorname", ""))
        if name == "SQLITE_FULL" or (name.startswith("SQLITE_IOERR") and not _has_room()):
            return DISK_FULL
        return AWAY if name.startswith(SQLITE_AWAY) else None
    state = getattr(cause, "sqlstate", None)  # None where there is no connection at all
    if state == "53100":
        return DISK_FULL
    return AWAY if state is None or str(state).startswith(PG_AWAY) else None


def _has_room() -> bool:
    """Say whether the disk of the installation has room for a page of a database at all."""
    return shutil.disk_usage(settings.VAR).free > LEAST_ROOM_BYTES
