"""How often one may do what costs the workshop something: one table, and the only way to count.

Every row names an action, how many of it one person (an account or a browser session) and one
network address may do within a window, and what the page says where that is too often. Counts are
rows of the database, so that they hold across processes on both set-ups; neither address nor person
is kept, only a mark that changes each day. Whoever is signed in for the workshop is not counted.

HOLDFAST_LIMITS changes a row ("upload=300/3000 message=60/600") or drops all ("off"), except those
that keep codes from being guessed (GUARDS): they hold always, and for everybody.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import F
from django.http import HttpRequest
from django.utils import timezone
from django.utils.module_loading import import_string

from . import access
from .errors import RefusedError
from .models import Design, UseCount, Version

HOUR: Final = timedelta(hours=1)
KEPT: Final = timedelta(days=1)
MARK_LENGTH: Final = 24
WANTS_LONG_CODE: Final = "wants_long_code"  # a mark on a request: its mailed code has nine figures
# a network of IPv6 may have so many times what one of its addresses may
NETWORK_TIMES: Final = 10
# An account or session from which so many drawings wait sends no more until some are looked at.
WAITING = "waiting"
# One drawing of which so many versions wait takes no more, whoever makes them: an order's link
# opens its drawings, and what waits of them counts for the artist, not for whoever holds the link.
WAITING_OF_ONE = "waiting-of-one"
ORDER_MAIL = "order-mail"
WORK = "work"
LEAST_WORK_S: Final = 0.25


@dataclass(frozen=True)
class Limit:
    """How many times within the window; 0 is no limit. `what` completes "You have ...".

    each: of one account or browser session. address: of one network address, where several people
    may sit (a school, a fair), so several times as many.
    """

    each: int
    address: int
    window: timedelta
    what: str


LIMITS: Final[dict[str, Limit]] = {
    "upload": Limit(240, 1500, HOUR, "sent very many drawings within an hour"),
    # counted from the drawings themselves, not from presses
    WAITING: Limit(100, 400, HOUR, "many drawings that still wait to be looked at"),
    WAITING_OF_ONE: Limit(20, 0, HOUR, "many versions of this drawing that still wait"),
    # the same file read anew: another size, a mask, strokes, mends, straightened, copied
    "version": Limit(240, 1500, HOUR, "made very many versions within an hour"),
    "order": Limit(20, 100, HOUR, "asked for very many quotes within an hour"),
    "basket": Limit(120, 600, HOUR, "put very many things into baskets within an hour"),
    # of one receiving address, whoever types it: each quote is a letter to it
    ORDER_MAIL: Limit(10, 0, HOUR, "had very many quotes sent to one address within an hour"),
    "prices": Limit(120, 600, HOUR, "asked for very many prices within an hour"),
    # in seconds of processor time: bridges for a drawing of a thousand islands take a quarter of a
    # minute, most of what is worked out on a page takes too little to be counted
    WORK: Limit(300, 1200, HOUR, "had very much worked out for you within an hour"),
    # each sends every file of a person once more
    "export": Limit(10, 60, HOUR, "asked for all that is kept of you very often within an hour"),
    "message": Limit(60, 300, HOUR, "written very many messages within an hour"),
    "photo": Limit(30, 150, HOUR, "sent very many photos within an hour"),
    "link": Limit(5, 50, HOUR, "asked for new links very often within an hour"),
    "sign-in-mail": Limit(10, 60, HOUR, "asked for very many sign-in codes within an hour"),
    # codes mailed to one mailbox, whoever asked: more than one asker in one place may have, so that
    # no stranger uses an artist's up; beyond them one each five minutes, and nobody is told
    "sign-in-box": Limit(20, 0, HOUR, "asked for very many sign-in codes within an hour"),
    "sign-in-box-more": Limit(1, 0, timedelta(minutes=5), "asked for a code a moment ago"),
    # tries at one mailed code, for as long as it can live (ACCOUNT_LOGIN_TIMEOUT)
    "sign-in-try": Limit(3, 0, HOUR, "tried that code three times"),
    # While codes are asked for as seldom as this, by one mailbox and by all, and as few were wrong
    # within a day, a mailed code is short. Three tries in a million are few; a hundred thousand,
    # by many network addresses and for many mailboxes, would find one. Nobody is refused by these.
    "short-code-box": Limit(3, 0, HOUR, "asked for codes"),
    "short-code": Limit(40, 0, HOUR, "asked for codes"),
    "wrong-code-box": Limit(5, 0, KEPT, "typed wrong codes"),
    "wrong-code": Limit(30, 0, KEPT, "typed wrong codes"),
    # passwords tried for one mail address from one network address, right ones too: counted before
    # they are compared, so that many at the same moment are no more. Wrong ones end at ten (axes).
    "password": Limit(20, 0, timedelta(minutes=15), "tried to sign in very often"),
    "password-network": Limit(60, 0, timedelta(minutes=15), "tried to sign in very often"),
    "second-step": Limit(10, 60, timedelta(minutes=15), "tried very many codes"),
    # letters that somebody knows the password and guesses at codes
    "wrong-codes-letter": Limit(1, 0, KEPT, "been told of that today"),
}
PASSWORDS: Final = ("password", "password-network")
SHORT_CODES: Final = ("short-code-box", "short-code")
WRONG_CODES: Final = ("wrong-code-box", "wrong-code")
GUARDS: Final = frozenset(
    {"sign-in-try", "second-step", "wrong-codes-letter", *PASSWORDS, *SHORT_CODES, *WRONG_CODES}
)


class TooOftenError(RefusedError):
    """Somebody did something too often; ``seconds`` until it may be done again."""

    def __init__(self, sentence: str, seconds: int) -> None:
        super().__init__(sentence)
        self.seconds = seconds


def address_of(request: HttpRequest) -> str:
    """Return the mark of the network address of a request, the same for a day.

    Of IPv6 the first 64 bits count: one household has all that share them (RFC 6177).
    """
    return _mark("address", _address_text(request, 64))


def network_of(request: HttpRequest) -> str:
    """Return the mark of the network that an address of IPv6 is from, "" for other addresses.

    Whoever asks for them is given 48 bits for themselves (RFC 6177), which are 65,536 addresses
    that would each have counts of their own.
    """
    text = _address_text(request, 48)
    return _mark("network", text) if ":" in text else ""


def _address_text(request: HttpRequest, bits: int) -> str:
    find: Callable[[HttpRequest], str] = import_string(settings.AXES_CLIENT_IP_CALLABLE)
    text = find(request)
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return text
    if isinstance(address, ipaddress.IPv6Address):
        mapped = address.ipv4_mapped
        return str(mapped or ipaddress.ip_network((address, bits), strict=False))
    return text


def count(request: HttpRequest, action: str, *, person: str = "") -> None:
    """Count one more of an action, or raise TooOftenError, and then it is not counted.

    person: who is counted where it is neither the account nor the browser session (an address
    that a code is sent to). Of the GUARDS the workshop is counted too: one of them may guess at
    another's code.
    """
    limit = limit_of(action)
    if limit is None or (action not in GUARDS and _is_workshop(request)):
        return
    _count(action, limit, _asked(request, limit, person))


def _asked(request: HttpRequest, limit: Limit, person: str) -> list[tuple[str, int]]:
    """Return whom a request is counted for, each with how many it may: places, then persons."""
    asked = [(address_of(request), limit.address)]
    if network := network_of(request):
        asked.append((network, NETWORK_TIMES * limit.address))
    if who := person or _person(request):
        asked.append((_mark("person", who), limit.each))
    return asked


def count_quote(request: HttpRequest, email: str) -> None:
    """Count a quote that is mailed to an address: by who asks for it, and by who receives it.

    Whoever is signed in with that very address has shown that it is theirs; what others sent there
    does not hold them up. Raises TooOftenError, and then neither is counted.
    """
    with transaction.atomic():
        count(request, "order")
        person = access.person_of(request)
        is_own = person is not None and person.email.lower() == email.lower()
        if email and not is_own and not _is_workshop(request):
            count_person(ORDER_MAIL, f"mail to {email.lower()}")


@contextmanager
def work(request: HttpRequest) -> Iterator[None]:
    """Count what is worked out within, by the processor time that this thread takes for it.

    Raises TooOftenError, and nothing is worked out, where the hour's time is used up. What takes
    little is not counted, so that most pages write nothing.
    """
    limit = limit_of(WORK)
    if limit is None or _is_workshop(request):
        yield
        return
    for mark, most in (asked := _asked(request, limit, "")):
        used = UseCount.objects.filter(action=WORK, who=mark, count__gte=most)
        if most and used.filter(began_at__gt=timezone.now() - limit.window).exists():
            raise _too_often(limit, _seconds_left(WORK, mark, limit.window))
    began = time.thread_time()
    try:
        yield
    finally:
        spent = time.thread_time() - began
        if spent >= LEAST_WORK_S:
            for mark, _ in asked:
                _spend(WORK, mark, math.ceil(spent), limit.window)


def count_password(request: HttpRequest) -> None:
    """Count a password that is tried for a mail address, before it is compared.

    By network address too, so that strangers elsewhere do not keep its owner out.
    Raises TooOftenError.
    """
    find: Callable[[HttpRequest, None], str] = import_string(settings.AXES_USERNAME_CALLABLE)
    name = find(request, None)
    count_person("password", f"{name} {address_of(request)}")
    if network := network_of(request):
        count_person("password-network", f"{name} {network}")


def count_person(action: str, who: str) -> None:
    """Count one more of an action by somebody alone, whoever and wherever it is."""
    limit = limit_of(action)
    if limit is not None:
        _count(action, limit, [(_mark("person", who), limit.each)])


def is_within(action: str, who: str) -> bool:
    """Count one more of an action by somebody alone; return whether it was not too often."""
    try:
        count_person(action, who)
    except TooOftenError:
        return False
    return True


def is_used_up(action: str, who: str) -> bool:
    """Return whether somebody did an action as often as may be; counts nothing."""
    limit = limit_of(action)
    if limit is None or not limit.each:
        return False
    row = UseCount.objects.filter(action=action, who=_mark("person", who))
    since = timezone.now() - limit.window
    return row.filter(began_at__gt=since, count__gte=limit.each).exists()


def may_be_short(mailbox: str) -> bool:
    """Count a code that is asked for by a mailbox; return whether a short one is safe enough."""
    both = (mailbox, "all")  # each is counted, whatever the other says
    seldom = [is_within(action, who) for action, who in zip(SHORT_CODES, both, strict=True)]
    wrong = [is_used_up(action, who) for action, who in zip(WRONG_CODES, both, strict=True)]
    return all(seldom) and not any(wrong)


def count_wrong_code(mailbox: str) -> None:
    """Count a wrong code that was typed for a mailbox, known or not."""
    for action, who in zip(WRONG_CODES, (mailbox, "all"), strict=True):
        is_within(action, who)


def _count(action: str, limit: Limit, asked: list[tuple[str, int]]) -> None:
    with transaction.atomic():  # a refusal by the one takes the other's count back
        for who, most in asked:
            if most and not _taken(action, who, most, limit.window):
                raise _too_often(limit, _seconds_left(action, who, limit.window))


def count_version(request: HttpRequest, design: Design) -> None:
    """Count a version that is asked for. Raises TooOftenError before anything is made."""
    check_waiting(request)
    limit = limit_of(WAITING_OF_ONE)
    if limit is not None and limit.each and not _is_workshop(request):
        waiting = design.versions.filter(status=Version.Status.WAITING)
        if waiting.count() >= limit.each:
            raise _still_waiting(limit)
    count(request, "version")


def check_waiting(request: HttpRequest) -> None:
    """Raise TooOftenError where too many drawings of this sender wait to be looked at."""
    limit = limit_of(WAITING)
    if limit is None or _is_workshop(request):
        return
    waiting = Version.objects.filter(status=Version.Status.WAITING)
    mine = Design.objects.filter(access.mine(request, "owner"))
    for rows, most in (
        (waiting.filter(design__in=mine), limit.each),
        (waiting.filter(design__sent_from=address_of(request)), limit.address),
    ):
        if most and rows.count() >= most:
            raise _still_waiting(limit)


def _still_waiting(limit: Limit) -> TooOftenError:
    return TooOftenError(
        f"You have {limit.what}. Wait a minute until some are done, then send this one "
        "again; those you sent stay in the queue.",
        60,
    )


def forget_old() -> int:
    """Delete counts that are of no use any more; called by the sweep."""
    return UseCount.objects.filter(began_at__lt=timezone.now() - KEPT).delete()[0]


def limit_of(action: str) -> Limit | None:
    """Return the row of an action as the settings have it, None where nothing is limited."""
    if action in GUARDS:
        return LIMITS[action]
    changed: dict[str, tuple[int, int]] | None = settings.LIMITS
    if changed is None:
        return None
    limit = LIMITS[action]
    each, address = changed.get(action, (limit.each, limit.address))
    return Limit(each, address, limit.window, limit.what)


def _taken(action: str, who: str, most: int, window: timedelta) -> bool:
    """Count one by one guarded UPDATE; False where there were as many as there may be."""
    now = timezone.now()
    row = UseCount.objects.filter(action=action, who=who)
    for _ in range(3):
        if row.filter(began_at__gt=now - window, count__lt=most).update(count=F("count") + 1):
            return True
        if row.filter(began_at__lte=now - window).update(count=1, began_at=now):
            return True
        if row.filter(began_at__gt=now - window, count__gte=most).exists():
            return False
        try:
            with transaction.atomic():
                UseCount.objects.create(action=action, who=who, count=1, began_at=now)
        except IntegrityError:
            continue  # somebody's first press came a moment before
        return True
    return False


def _spend(action: str, who: str, amount: int, window: timedelta) -> None:
    """Add what is done already, however much it comes to."""
    now = timezone.now()
    row = UseCount.objects.filter(action=action, who=who)
    for _ in range(2):
        if row.filter(began_at__gt=now - window).update(count=F("count") + amount):
            return
        if row.filter(began_at__lte=now - window).update(count=amount, began_at=now):
            return
        with suppress(IntegrityError), transaction.atomic():
            UseCount.objects.create(action=action, who=who, count=amount, began_at=now)
            return


def _seconds_left(action: str, who: str, window: timedelta) -> int:
    began = UseCount.objects.values_list("began_at", flat=True).get(action=action, who=who)
    return max(1, round((began + window - timezone.now()).total_seconds()))


def _too_often(limit: Limit, seconds: int) -> TooOftenError:
    minutes = max(1, -(-seconds // 60))
    wait = "a minute" if minutes == 1 else f"{minutes} minutes"
    return TooOftenError(
        f"You have {limit.what}, more than is taken from one place. Nothing is lost: wait {wait}, "
        "then try again, or write to the workshop if you need more.",
        seconds,
    )


def _person(request: HttpRequest) -> str:
    """Return who is counted beside the address: the account, or the browser session."""
    person = access.person_of(request)
    return f"account {person.pk}" if person else access.visitor_key(request)


def _is_workshop(request: HttpRequest) -> bool:
    person = access.person_of(request)
    return person is not None and person.is_workshop


def _mark(kind: str, text: str) -> str:
    """Return what stands for an address or person today: nobody reads it back."""
    told = f"{timezone.now().date()} {kind} {text}".encode()
    return hmac.new(settings.SECRET_KEY.encode(), told, hashlib.sha256).hexdigest()[:MARK_LENGTH]
