"""The second step of the workshop's sign-in: a code from an app on the phone, or a spare code.

Codes by time (TOTP, RFC 6238: SHA-1, six figures, thirty seconds), kept and compared by allauth;
one step to either side is taken, as clocks differ, and none twice (RFC 6238, 5.2). Spare codes
(recovery codes) are for a lost phone; each works once.
"""

from __future__ import annotations

import logging
from typing import Final
from urllib.parse import quote, urlencode

from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal.auth import (
    TOTP,
    format_hotp_value,
    generate_totp_secret,
    hotp_value,
    yield_hotp_counters_from_time,
)
from allauth.mfa.utils import decrypt
from django.db import transaction
from django.utils.crypto import constant_time_compare

from . import sign_in_letters
from .errors import RefusedError
from .models import Person, Workshop

logger = logging.getLogger(__name__)

WRONG: Final = (
    "That code is not right, or was used already. Wait for the next one, and see that the clock of "
    "the phone is set by itself."
)
KIND: Final = Authenticator.Type
LAST: Final = "last_counter"


def is_set(person: Person) -> bool:
    """Return whether this person's sign-in asks for the second step."""
    return bool(Authenticator.objects.filter(user=person, type=KIND.TOTP).exists())


def new_secret() -> str:
    """Return a secret for a phone to keep: 160 random bits in base 32 (RFC 4226, 4)."""
    return str(generate_totp_secret())


def address_for_app(person: Person, secret: str) -> str:
    """Return what the picture says to the app: the secret, and whose it is."""
    issuer = Workshop.current().name or "Holdfast"
    asked = urlencode({"secret": secret, "issuer": issuer}, quote_via=quote)
    return f"otpauth://totp/{quote(f'{issuer}:{person.email}')}?{asked}"


def picture_of(text: str) -> tuple[int, str]:
    """Return (modules a side, SVG path) of a QR code with its quiet zone, a module being 1."""
    import qrcode  # only this page needs it

    code = qrcode.QRCode(error_correction=qrcode.ERROR_CORRECT_M, border=4)
    code.add_data(text)
    rows = code.get_matrix()
    dark = [f"M{x} {y}h1v1h-1z" for y, row in enumerate(rows) for x, on in enumerate(row) if on]
    return len(rows), "".join(dark)


def set_up(person: Person, secret: str, code: str) -> list[str]:
    """Turn the second step on after a first right code; return the spare codes.

    Every session of the person ends: whoever got in by the password alone would otherwise stay in.
    Raises RefusedError with a sentence, and then nothing is changed.
    """
    counter = _counter_of(secret, code)
    if counter is None:
        raise RefusedError(WRONG)
    with transaction.atomic():
        Person.objects.select_for_update().get(pk=person.pk)
        if is_set(person):
            raise RefusedError("The second step is set up already, perhaps in another window.")
        row = TOTP.activate(person, secret).instance
        row.data[LAST] = counter
        row.save()
        person.end_sessions()
        sign_in_letters.tell(person, "second-step-on")
        logger.info("second step set up for person %s", person.pk)
        return _made_spare_codes(person)


def new_spare_codes(person: Person) -> list[str]:
    """Make new spare codes; the old ones work no longer, and the person is told by letter."""
    with transaction.atomic():
        sign_in_letters.tell(person, "spare-codes")
        return _made_spare_codes(person)


def _made_spare_codes(person: Person) -> list[str]:
    with transaction.atomic():
        Authenticator.objects.filter(user=person, type=KIND.RECOVERY_CODES).delete()
        logger.info("spare codes made for person %s", person.pk)
        return [str(code) for code in RecoveryCodes.activate(person).generate_codes()]


def spare_codes(person: Person) -> list[str]:
    """Return the spare codes that were not used yet."""
    row = Authenticator.objects.filter(user=person, type=KIND.RECOVERY_CODES).first()
    try:
        return [str(code) for code in RecoveryCodes(row).get_unused_codes()] if row else []
    except ValueError:  # stored under another key
        return []


def is_right(person: Person, code: str) -> bool:
    """Return whether a code opens the second step, and use it up: none works twice."""
    typed = "".join(sign for sign in code if sign.isdecimal())
    with transaction.atomic():
        rows = Authenticator.objects.select_for_update().filter(user=person)
        by_kind = {row.type: row for row in rows}
        try:
            return _opens(by_kind, typed)
        except ValueError:
            logger.error("the second step of person %s was stored under another key", person.pk)
            return False


def turn_off(person: Person) -> bool:
    """Take the second step and the spare codes away; return whether there was one.

    Every session of the person ends: that of a phone that was lost, too.
    """
    with transaction.atomic():
        removed, _ = Authenticator.objects.filter(user=person).delete()
        if removed:
            person.end_sessions()
            sign_in_letters.tell(person, "second-step-off")
    if removed:
        logger.info("second step taken away from person %s", person.pk)
    return bool(removed)


def _opens(by_kind: dict[str, Authenticator], typed: str) -> bool:
    totp, spare = by_kind.get(KIND.TOTP), by_kind.get(KIND.RECOVERY_CODES)
    if totp is not None and len(typed) == 6:
        counter = _counter_of(decrypt(totp.data["secret"]), typed)
        if counter is None or counter <= totp.data.get(LAST, -1):
            return False
        totp.data[LAST] = counter
        totp.record_usage()
        totp.save(update_fields=["data"])
        return True
    if spare is not None and RecoveryCodes(spare).validate_code(typed):
        spare.record_usage()
        return True
    return False


def _counter_of(secret: str, code: str) -> int | None:
    """Return the step of time whose code this is, or None."""
    typed = "".join(sign for sign in code if sign.isdecimal())
    found = None
    for counter in yield_hotp_counters_from_time():
        if constant_time_compare(format_hotp_value(hotp_value(secret, counter)), typed):
            found = int(counter)
    return found
