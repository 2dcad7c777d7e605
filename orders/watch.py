"""Is everything well? Each question that a workshop's owner would ask, with its answer.

A look is one row of LOOKS: what is asked, and a function that answers in a sentence, says how bad
it is and what to do. No look changes anything.
"""

from __future__ import annotations

import logging
import math
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Final, Literal
from urllib.parse import urlsplit

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Q
from django.utils import timezone

from geometry import reading_guard

from . import file_check, pulses
from .codes import new_token
from .models import Mail, Pulse, Version
from .words import counted

logger = logging.getLogger(__name__)

State = Literal["good", "look", "bad"]
GOOD: Final = "good"
LOOK: Final = "look"
BAD: Final = "bad"
SEEN_WITHIN = timedelta(minutes=5)
JUST_STARTED = timedelta(minutes=2)
LATE_LETTER = timedelta(minutes=30)
RECENT = timedelta(days=7)
BACKUP_WITHIN = timedelta(days=8)
FILES_WITHIN = timedelta(days=4)
FILES_TO_DO = "See which: python3 run.py check-files; docs/owner/keep-it.md says what to do."
GB = 1_000_000_000
READY_KEPT_S: Final = 5.0
LITTLE_ROOM_GB, NO_ROOM_GB = 5.0, 0.5


@dataclass(frozen=True)
class Look:
    """One answer: how bad, what is so, and what to do where something is."""

    state: State
    words: str
    to_do: str = ""


@dataclass(frozen=True)
class Asked:
    """A question and its answer."""

    question: str
    look: Look


def look_at_all() -> list[Asked]:
    """Ask every question. One whose answer breaks is bad, and hides no other."""
    asked = []
    for question, look in LOOKS.items():
        try:
            answer = look()
        except Exception as error:  # the page must show what else is so, whatever broke
            logger.exception("a question of the watch could not be answered: %s", question)
            answer = Look(BAD, f"This could not be found out ({type(error).__name__}).", RESTART)
        asked.append(Asked(question, answer))
    return asked


def worst(asked: list[Asked]) -> State:
    """Return the worst state among answers."""
    states = {one.look.state for one in asked}
    return BAD if BAD in states else LOOK if LOOK in states else GOOD


def something_is_bad() -> bool:
    """Whether the workshop's first page should say so: one small query."""
    rows = dict(Pulse.objects.values_list("name", "at"))
    sweep = rows.get(Pulse.Name.SWEEP)
    return Pulse.Name.ALARM in rows or (sweep is not None and _age(sweep) > SEEN_WITHIN)


RESTART = "Start Holdfast anew; if it stays so, look into its log."


def _database() -> Look:
    started = time.perf_counter()
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    took_ms = 1000 * (time.perf_counter() - started)
    if migrations_due():
        return Look(BAD, "Its tables are of an older version.", "Run the set-up once more.")
    return Look(GOOD, f"{connection.display_name} answers in {took_ms:.1f} ms.")


def _drawings() -> Look:
    since = pulses.oldest_waiting()
    if since is None:
        return Look(GOOD, "No drawing waits.")
    count = Version.objects.filter(
        status__in=(Version.Status.WAITING, Version.Status.CHECKING)
    ).count()
    words = f"{counted(count, 'drawing')} in line, the first for {_span(_age(since))}."
    if _age(since) > pulses.STILL_AFTER:
        return Look(BAD, words, RESTART)
    return Look(LOOK if _age(since) > SEEN_WITHIN else GOOD, words)


def _worker() -> Look:
    return _part(Pulse.Name.WORKER, "The worker")


def _sweep() -> Look:
    return _part(Pulse.Name.SWEEP, "The sweep, which sends letters and takes up what was left,")


def _part(name: Pulse.Name, words: str) -> Look:
    at = pulses.seen(name)
    awake = pulses.seen(Pulse.Name.AWAKE)
    if awake is not None and _age(awake) < JUST_STARTED and (at is None or at < awake):
        return Look(LOOK, f"{words} has not answered yet: Holdfast has just started.")
    if at is None:
        return Look(BAD, f"{words} has never been seen.", RESTART)
    said = f"{words} was seen {_span(_age(at))} ago."
    return Look(GOOD, said) if _age(at) <= SEEN_WITHIN else Look(BAD, said, RESTART)


def _letters() -> Look:
    now = timezone.now()
    recent = Mail.objects.filter(created_at__gt=now - RECENT)
    failed = recent.filter(status=Mail.Status.FAILED).count()
    if failed:
        words = f"{counted(failed, 'letter')} of the last week could not be sent."
        return Look(LOOK, words, "Open Mail, look at each and send it again.")
    doubted = recent.filter(status=Mail.Status.IN_DOUBT).count()
    if doubted:
        words = f"Of {counted(doubted, 'letter')} of the last week it is not known whether it went."
        return Look(LOOK, words, "Open Mail and say what became of it, or send it again.")
    late = Q(status=Mail.Status.WAITING, send_after__lt=now - LATE_LETTER) | Q(
        status=Mail.Status.WAITING, attempts__gt=1
    )
    waiting = Mail.objects.filter(late).count()
    if waiting:
        words = f"{counted(waiting, 'letter')} could not be sent yet and will be tried again."
        return Look(LOOK, words, "See whether the mail server's name and password still hold.")
    return Look(GOOD, "Every letter that was due went out.")


def _unanswered() -> Look:
    broken = Version.objects.filter(
        report__error__code="gave-up", checked_at__gt=timezone.now() - RECENT
    ).count()
    if broken:
        words = f"{counted(broken, 'drawing')} of the last week could not be looked at at all."
        return Look(LOOK, words, "Ask the artist for the picture as a JPEG or PNG.")
    return Look(GOOD, "Every drawing of the last week got an answer.")


def _room() -> Look:
    free_gb = shutil.disk_usage(settings.VAR).free / GB
    words = f"{free_gb:.1f} GB are free where Holdfast keeps its files."
    if free_gb < NO_ROOM_GB:
        return Look(BAD, words, "Make room now: uploads and letters fail when it is full.")
    if free_gb < LITTLE_ROOM_GB:
        return Look(LOOK, words, "Make room soon; a drawing takes about 5 MB with its pictures.")
    return Look(GOOD, words)


def _files() -> Look:
    stored_files_answer()
    return Look(GOOD, "A file was written, read and taken away again.")


def _reading() -> Look:
    guard = reading_guard()
    if guard.network_closed:
        return Look(GOOD, "What reads pictures has no network and cannot write.")
    return Look(LOOK, guard.reason)


def _whole_files() -> Look:
    last = file_check.last_look()
    if last is None:
        return Look(GOOD, "They are looked at by night; the first time is still to come.")
    words = f"{counted(last.files, 'file')} looked at {_span(_age(last.begun_at))} ago"
    if last.failure:
        return Look(LOOK, f"{words}: {last.failure}", FILES_TO_DO)
    if not last.is_good:
        words = f"{words}: {last.missing} missing, {last.altered} altered."
        return Look(BAD, words, FILES_TO_DO)
    if _age(last.begun_at) > FILES_WITHIN:
        return Look(LOOK, f"{words}, and not since.", FILES_TO_DO)
    return Look(GOOD, f"{words}, every one there and whole.")


def _backup() -> Look:
    at = pulses.seen(Pulse.Name.BACKUP)
    to_do = "Make one and keep it on another machine; docs/owner/keep-it.md says how."
    if at is None:
        return Look(LOOK, "No backup has been made yet.", to_do)
    words = f"The last one was made {_span(_age(at))} ago."
    return Look(GOOD, words) if _age(at) < BACKUP_WITHIN else Look(LOOK, words, to_do)


def _clock() -> Look:
    with connection.cursor() as cursor:
        cursor.execute("SELECT CURRENT_TIMESTAMP")
        there = cursor.fetchone()[0]
    if not isinstance(there, datetime):
        there = datetime.fromisoformat(f"{there}+00:00")
    apart = abs((timezone.now() - there).total_seconds())
    future = Pulse.objects.filter(at__gt=timezone.now() + timedelta(minutes=1)).exists()
    if apart > 60 or future:
        return Look(LOOK, "The clock jumped, or two machines disagree.", "Set the time by network.")
    return Look(GOOD, "The clocks agree.")


def _address() -> Look:
    parts = urlsplit(settings.PUBLIC_ADDRESS)
    if parts.scheme == "https" or parts.hostname in ("127.0.0.1", "localhost", "::1"):
        return Look(GOOD, f"{settings.PUBLIC_ADDRESS} stands in letters and on slips.")
    words = f"{settings.PUBLIC_ADDRESS} is not encrypted."
    return Look(LOOK, words, "Put a proxy with a certificate before it; docs/running.md says how.")


LOOKS: dict[str, Callable[[], Look]] = {
    "Are drawings looked at?": _drawings,
    "Is the worker at work?": _worker,
    "Does the sweep run?": _sweep,
    "Do letters go out?": _letters,
    "Did every drawing get an answer?": _unanswered,
    "Does the database answer?": _database,
    "Can files be written and read?": _files,
    "Is every stored file whole?": _whole_files,
    "Is there room on the disk?": _room,
    "Are pictures read behind a shut door?": _reading,
    "Is there a backup?": _backup,
    "Is the clock right?": _clock,
    "Is the way to the site safe?": _address,
}


@cache
def _migrated_once() -> list[bool]:
    return []


def migrations_due() -> bool:
    """Whether the database's tables are older than this code; once they are not, they stay so."""
    if _migrated_once():
        return False
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return True
    _migrated_once().append(True)
    return False


def stored_files_answer() -> None:
    """Write, read and delete one small file; raises OSError where the store does not do it."""
    words = new_token().encode()
    name = default_storage.save(f"looks/{new_token()}.txt", ContentFile(words))
    try:
        with default_storage.open(name) as stored:
            if stored.read() != words:
                raise OSError("a stored file came back changed")
    finally:
        default_storage.delete(name)


@dataclass
class _Kept:
    """The last answer of this process to /readyz, and when it was found (time.monotonic)."""

    answers: dict[str, bool]
    at_s: float = -math.inf


_kept = _Kept({})


def ready() -> dict[str, bool]:
    """Return what a page cannot do without, and whether it is there (for /readyz).

    Anybody may ask, and each time a file is written: so one answer holds for READY_KEPT_S.
    """
    now_s = time.monotonic()
    if now_s - _kept.at_s >= READY_KEPT_S:
        _kept.answers, _kept.at_s = _ready_now(), now_s
    return _kept.answers


def _ready_now() -> dict[str, bool]:
    answers = {}
    for name, look in {"database": _database, "files": _files}.items():
        try:
            answers[name] = look().state == GOOD
        except Exception:  # any driver's own error: not ready, whatever it was
            logger.exception("not ready: %s", name)
            answers[name] = False
    return answers


def _age(at: datetime) -> timedelta:
    return max(timezone.now() - at, timedelta(0))


def _span(age: timedelta) -> str:
    seconds = int(age.total_seconds())
    for size, word in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= 2 * size:
            return counted(seconds // size, word)
    return counted(seconds, "second")
