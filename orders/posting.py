"""Hand one letter to the mail server so that it is known what became of it, and when it is not.

SMTP (RFC 5321, 4.1.1.4 and 4.2.5) passes a letter on at one moment: with the answer to the full
stop that ends it. Everything before it may be repeated without harm, and so may a letter that was
refused. Between the full stop and its answer nobody can know, so the row is marked just before:
``about_to_go``.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
from collections.abc import Callable
from email.utils import parseaddr
from types import TracebackType
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.smtp import EmailBackend
from django.core.mail.message import sanitize_address

ANSWER_S = 60  # how long the answer to the last full stop is waited for


class PostError(Exception):
    """The letter has not gone; the words are for the mail page."""


class UnreachableError(PostError):
    """The mail server cannot be reached or does not let this site in; others will fail too."""


class RefusedForNowError(PostError):
    """The mail server refused the letter, and may take it later."""


class RefusedForGoodError(PostError):
    """The mail server will not take this letter however often it is tried."""


class InDoubtError(Exception):
    """The line broke after the letter went out and before the answer: it may have arrived."""


class LeaseLostError(Exception):
    """Somebody else has the letter by now, so it was not handed over."""


class Post:
    """One round of letters; to an SMTP server they go over one connection, opened when needed."""

    def __init__(self) -> None:
        self.backend: Any = get_connection()

    def __enter__(self) -> Post:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._hang_up()

    def hand_over(
        self, subject: str, body: str, to: str, message_id: str, about_to_go: Callable[[], bool]
    ) -> None:
        """Hand a letter over; ``about_to_go`` marks it and says if it is still the caller's.

        Returns when the server took it. Raises PostError when it has not gone, InDoubtError when
        that cannot be known, LeaseLostError when ``about_to_go`` says no.
        """
        message = EmailMessage(subject, body, to=[to], headers={"Message-ID": message_id})
        if isinstance(self.backend, EmailBackend):
            self._by_smtp(message, about_to_go)
            return
        if not about_to_go():
            raise LeaseLostError
        try:
            message.send()
        except Exception as error:  # a folder, a console: what failed has not gone
            raise RefusedForNowError(_told(error)) from error

    def _by_smtp(self, message: EmailMessage, about_to_go: Callable[[], bool]) -> None:
        smtp = self._line()
        encoding = message.encoding or settings.DEFAULT_CHARSET
        sender = parseaddr(sanitize_address(message.from_email, encoding))[1]
        receiver = parseaddr(sanitize_address(message.to[0], encoding))[1]
        try:
            _expect(smtp.mail(sender), 250)
            _expect(smtp.rcpt(receiver), 250, 251)
            smtp.putcmd("data")
            _expect(smtp.getreply(), 354)
        except PostError:
            self._begin_anew(smtp)
            raise
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            raise UnreachableError(_told(error)) from error
        if not about_to_go():
            self._hang_up()  # in the middle of a letter: a server takes none without its full stop
            raise LeaseLostError
        whole: Any = message.message()
        self._last_part(smtp, _with_stops_doubled(whole.as_bytes(linesep="\r\n")))

    def _last_part(self, smtp: Any, data: bytes) -> None:
        try:
            if smtp.sock is not None:
                smtp.sock.settimeout(ANSWER_S)
            smtp.send(data)
            answer = smtp.getreply()
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            raise InDoubtError(_told(error)) from error
        _expect(answer, 250)

    def _line(self) -> Any:
        """Return the open connection."""
        try:
            self.backend.open()
        except (OSError, smtplib.SMTPException) as error:
            self.backend.connection = None
            raise UnreachableError(_told(error)) from error
        return self.backend.connection

    def _begin_anew(self, smtp: Any) -> None:
        """Clear what was begun of a refused letter; a line that breaks here is opened again."""
        try:
            smtp.rset()
        except (OSError, smtplib.SMTPException):
            self._hang_up()

    def _hang_up(self) -> None:
        with contextlib.suppress(OSError, smtplib.SMTPException):
            self.backend.close()
        if isinstance(self.backend, EmailBackend):
            self.backend.connection = None


def _expect(answer: tuple[int, bytes], *wanted: int) -> None:
    """Raise what a server's answer means, by its first figure (RFC 5321, 4.2.1)."""
    code, words = answer
    if code in wanted:
        return
    told = f"{code} {words.decode(errors='replace')}".strip()
    if code == 421 or code < 400:
        raise UnreachableError(told)
    raise (RefusedForNowError if code < 500 else RefusedForGoodError)(told)


def _with_stops_doubled(data: bytes) -> bytes:
    """Return a letter as it goes over the line: RFC 5321, 4.5.2, and the full stop that ends it."""
    data = re.sub(rb"\r\n\.", b"\r\n..", b"\r\n" + data)[2:]
    return data + (b"" if data.endswith(b"\r\n") else b"\r\n") + b".\r\n"


def _told(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"
