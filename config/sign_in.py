"""How people sign in: by a code sent to an address that the workshop already knows."""

import ipaddress
import logging
import unicodedata
from string import digits
from threading import Thread
from typing import Any, Final

from allauth.account.adapter import DefaultAccountAdapter
from django.conf import settings
from django.core.mail import EmailMessage
from django.http import HttpRequest
from django.utils.crypto import get_random_string

from orders import mail_away
from orders.limits import WANTS_LONG_CODE
from orders.models.people import tidy_email

logger = logging.getLogger(__name__)

LONG_CODE: Final = 9


class SignInAdapter(DefaultAccountAdapter):
    """Nobody signs up: an artist's account begins with an order, a cutter's by the workshop."""

    error_messages = DefaultAccountAdapter.error_messages | {
        "too_many_login_attempts": "That was tried too often. Wait a minute, then ask for a new "
        "code; the old one no longer works.",
        "rate_limited": "That was tried too often. Wait a minute and try again.",
    }

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def generate_login_code(self) -> str:
        """Return six figures, or nine where codes are being guessed (orders/limits.py)."""
        if getattr(self.request, WANTS_LONG_CODE, False):
            return get_random_string(LONG_CODE, digits)
        return str(super().generate_login_code())

    def send_mail(self, template_prefix: str, email: str, context: dict[str, Any]) -> None:
        """Send a code beside the answer, so that the answer takes no longer than to a stranger.

        The time that a mail server takes would otherwise tell whether an address is known.
        """
        code = str(context.get("code", ""))
        if len(code) == LONG_CODE:  # by threes it is read and typed without a slip
            context = {**context, "code": f"{code[:3]} {code[3:6]} {code[6:]}"}
        message = self.render_mail(template_prefix, email, context)
        if settings.CODES_SENT_BESIDE:
            Thread(target=_send, args=(message,), daemon=True).start()
        else:
            _send(message)

    def get_client_ip(self, request: HttpRequest) -> str:
        return client_address(request)


def _send(message: EmailMessage) -> None:
    try:
        message.send()
    except Exception:  # any mail server's own error; the page offers to send it again
        logger.exception("a sign-in code could not be sent")
        mail_away.note(is_away=True)
    else:
        mail_away.note(is_away=False)


def sign_in_name(request: HttpRequest, credentials: dict[str, Any] | None) -> str:
    """Return the email address that sign-in tries are counted by, however it was typed.

    By default it would be looked for under the name of the person's field (email), which the
    form calls username: all would be counted under no name, and no name is never locked.
    """
    given = (credentials or {}).get("username") or request.POST.get("username", "")
    return tidy_email(unicodedata.normalize("NFKC", str(given)))[:254]


def client_address(request: HttpRequest) -> str:
    """Return the network address that sign-in tries are counted by.

    Behind a proxy that is the last one the proxy put into X-Forwarded-For; what stands before it
    came from the visitor and may be made up. Without a proxy the header is not looked at.
    Of IPv6 it is the first address of its 64 bits: one household has all that share them
    (RFC 6177), and who owns them could otherwise try from a new one each time.
    """
    text = str(request.META.get("REMOTE_ADDR", ""))
    if settings.IS_BEHIND_PROXY:
        forwarded = str(request.META.get("HTTP_X_FORWARDED_FOR", "")).split(",")[-1].strip()
        text = forwarded or text
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return text
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    if address.ipv4_mapped:
        return str(address.ipv4_mapped)
    return str(ipaddress.IPv6Network((address, 64), strict=False).network_address)
