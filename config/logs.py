"""Logs without personal data: each line names its request or task, and nobody.

In lines for a terminal, or as JSON for whatever gathers logs (HOLDFAST_LOG_FORMAT). A request is
known by an id that is answered in X-Request-ID, a drawing's check by its version; both go along
with the message to the worker. Addresses of pages hold tokens that open them, so a line names the
page, never its address; whatever else looks like a mail or network address or a token is struck
out before it is written.
"""

from __future__ import annotations

import logging
import re
import secrets
import time
from collections.abc import Callable, MutableMapping
from contextvars import ContextVar
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from gunicorn import glogging
from pythonjsonlogger.json import JsonFormatter

request_id: ContextVar[str] = ContextVar("request_id", default="")
job_id: ContextVar[str] = ContextVar("job_id", default="")

# An id from a proxy is only taken where it is plainly one: it is written into every line.
PLAIN_ID = re.compile(r"[A-Za-z0-9-]{8,64}\Z")
STRUCK_OUT: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"\b([a-z0-9+]+)://[^\s/@]+@"), r"\1://[secret]@"),
    (re.compile(r"[\w.+'-]+@[\w-]+(?:\.[\w-]+)+"), "[mail]"),
    (re.compile(r"\b\d{1,3}(?:\.\d{1,3}){3}\b"), "[address]"),
    (
        re.compile(r"(?<![\w:])(?=[0-9a-fA-F:]*::|(?:[0-9a-fA-F]+:){4})[0-9a-fA-F:]{3,}(?![\w:])"),
        "[address]",
    ),
    # 22 signs are what orders.codes.new_token makes; longer ones have a capital and a figure
    (re.compile(r"(?<![\w-])(?=[\w-]*[A-Z\d])[A-Za-z0-9_-]{22}(?![\w-])"), "[token]"),
    (re.compile(r"(?<![\w-])(?=[\w-]*\d)(?=[\w-]*[A-Z])[A-Za-z0-9_-]{23,}(?![\w-])"), "[token]"),
    (re.compile(r"(?<=/)(?=[\w-]*[A-Z\d])[A-Za-z0-9_-]{22,}(?=[/?\s]|$)"), "[token]"),
)

logger = logging.getLogger("holdfast.requests")


def struck_out(text: str) -> str:
    """Return a text without mail addresses, network addresses, passwords of addresses, tokens."""
    for pattern, word in STRUCK_OUT:
        text = pattern.sub(word, text)
    return text


class WhoseFilter(logging.Filter):
    """Give a record the request and the job it belongs to, and take the page's address out."""

    def filter(self, record: logging.LogRecord) -> bool:
        if hasattr(record, "request_id"):
            return True  # another handler's filter saw it before
        request = record.__dict__.pop("request", None)  # JSON would print it, address and all
        # Django writes of a refused request when the middleware is through with it already
        record.request_id = request_id.get() or getattr(request, "holdfast_id", "-")
        record.job_id = job_id.get() or "-"
        if isinstance(request, HttpRequest) and record.name.startswith("django."):
            status = getattr(record, "status_code", "")
            record.msg, record.args = f"{status} {page_of(request)}".strip(), ()
            if isinstance(status, int) and status < 500:
                record.exc_info = None  # a refusal is no fault of the code
        return True


class LineFormatter(logging.Formatter):
    """One line for a terminal, struck out."""

    def format(self, record: logging.LogRecord) -> str:
        return struck_out(super().format(record))


class StruckJsonFormatter(JsonFormatter):
    """One JSON object a line, struck out."""

    def format(self, record: logging.LogRecord) -> str:
        return struck_out(super().format(record))


class GunicornLogger(glogging.Logger):
    """Gunicorn's own words go the way of all others; it keeps no log of visits."""

    def setup(self, cfg: Any) -> None:
        self.error_log.propagate = True
        self.error_log.handlers = []
        self.access_log.disabled = True
        self.error_log.setLevel(self.LOG_LEVELS.get(cfg.loglevel.lower(), logging.INFO))
        if not logging.getLogger().handlers:  # the master has no Django that set them up
            handler = logging.StreamHandler()
            handler.setFormatter(
                LineFormatter("{asctime} {levelname} {name}: {message}", style="{")
            )
            logging.getLogger().addHandler(handler)


class RequestLogMiddleware:
    """Give each request an id, and write one line about it when it is answered."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        given = request.headers.get("X-Request-ID", "")
        name = given if PLAIN_ID.match(given) else secrets.token_hex(8)
        request.holdfast_id = name  # type: ignore[attr-defined]
        token, started = request_id.set(name), time.perf_counter()
        try:
            response = self.get_response(request)
            took_ms = round(1000 * (time.perf_counter() - started))
            facts = {"method": request.method, "status": response.status_code, "ms": took_ms}
            words = (request.method, page_of(request), response.status_code, took_ms)
            logger.info("%s %s %d in %d ms", *words, extra={"page": page_of(request), **facts})
        finally:
            request_id.reset(token)
        response["X-Request-ID"] = name
        return response


def page_of(request: HttpRequest) -> str:
    """Return the name of the page asked for; its address would open it."""
    match = request.resolver_match
    return (match.view_name if match else None) or "(no such page)"


def send_along(headers: MutableMapping[str, Any] | None = None, **_: Any) -> None:
    """Put the request's id into a message to the worker (celery's before_task_publish)."""
    if headers is not None and request_id.get():
        headers["holdfast_request"] = request_id.get()


def take_up(task: Any = None, args: Any = (), **_: Any) -> None:
    """Take the request's id and the version's number from a message (celery's task_prerun)."""
    asked = getattr(task.request, "holdfast_request", None) or ""
    request_id.set(asked if PLAIN_ID.match(str(asked)) else "")
    job_id.set(f"version-{args[0]}" if args else str(task.name))


def lay_down(**_: Any) -> None:
    """Forget both when the task is over (celery's task_postrun)."""
    request_id.set("")
    job_id.set("")
