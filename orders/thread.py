"""The thread of an order as one of its two sides reads it.

Messages, and those steps of the jobs that say something to the other side (a question, a proposal,
what became of it), in the order in which they came.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from django.utils import timezone

from .messages import ARTIST, CHANGE_WITHIN, may_change
from .models import Event, Job, Message, Order, Version
from .order_rows import read_jobs

# action -> what its own side reads, what the other side reads; {title} is the drawing's name
STEPS: dict[str, tuple[str, str]] = {
    "ask-changes": (
        "You asked for a change to “{title}”.",
        "The workshop asks for a change to “{title}”.",
    ),
    "hold": ("You put “{title}” on hold.", "“{title}” is on hold."),
    "decline": ("You declined “{title}”.", "The workshop declined “{title}”."),
    "call-off": ("You called “{title}” off.", "The workshop called “{title}” off."),
    "cancel": ("You called “{title}” off.", "The artist called “{title}” off."),
    "answer": (
        "You sent version {number} of “{title}”.",
        "The artist sent version {number} of “{title}”.",
    ),
    "accept-proposal": (
        "You took the workshop’s version of “{title}”.",
        "The artist took your version of “{title}”.",
    ),
    "refuse-proposal": (
        "You kept your own version of “{title}”.",
        "The artist kept their own version of “{title}”.",
    ),
}
PROPOSED = ("You proposed a version of “{title}”.", "The workshop proposes a version of “{title}”.")
SETTLES = ("accept-proposal", "refuse-proposal")


@dataclass(frozen=True)
class Entry:
    """One entry of the thread, as one side reads it."""

    key: str
    at: datetime
    who: str
    is_mine: bool
    title: str = ""
    words: str = ""
    text: str = ""
    is_new: bool = False
    message: Message | None = None
    pin: int | None = None
    change_until: datetime | None = None
    job: Job | None = None
    proposal: Version | None = None


@dataclass(frozen=True)
class PinShown:
    """A numbered pin, in mm of its blank."""

    number: int
    x_mm: float
    y_mm: float
    message_id: int

    @property
    def key(self) -> str:
        """The id of its message's entry on the page."""
        return f"message-{self.message_id}"


@dataclass
class Plate:
    """A drawing with the pins that the thread put on it."""

    job: Job
    version: Version
    pins: list[PinShown] = field(default_factory=list)

    @property
    def pin_mm(self) -> float:
        """How large a pin is drawn, mm: a thumb's width where the plate is small on a phone."""
        return 0.11 * max(self.version.blank.size_mm)


@dataclass(frozen=True)
class Thread:
    """All of it: entries with the oldest first, drawings with pins, and how many are new."""

    entries: list[Entry]
    plates: list[Plate]
    new: int


def thread_of(order: Order, role: str) -> Thread:
    """Return an order's thread as a side reads it. A few queries, however long it is."""
    messages = list(
        order.messages.select_related("job__version__design", "version__design", "mail").order_by(
            "id"
        )
    )
    numbers = {row.pk: n for n, row in enumerate((m for m in messages if m.has_pin), start=1)}
    said = [row for row in messages if row.withdrawn_at is None]
    jobs = read_jobs(order)
    entries = [_message(row, role, numbers.get(row.pk)) for row in said]
    entries += _steps(order, role)
    refused = set(
        order.events.filter(action="refuse-proposal").values_list("version_id", flat=True)
    )
    for job in jobs:
        for version in job.proposals.all():
            is_gone = version.proposal == Version.Proposal.REFUSED and version.pk not in refused
            if not is_gone:  # what the workshop took back itself is not spoken of any more
                entries.append(_proposal(job, version, role))
    entries.sort(key=lambda entry: entry.at)
    new = sum(entry.is_new for entry in entries)
    return Thread(entries, _plates(said, numbers), new)


def _message(row: Message, role: str, number: int | None) -> Entry:
    is_mine = row.role == role
    return Entry(
        key=f"message-{row.pk}",
        at=row.at,
        who=_who(row.role, role),
        is_mine=is_mine,
        title=row.job.version.design.title if row.job else "",
        text=row.text,
        is_new=not is_mine and row.seen_at is None,
        message=row,
        pin=number,
        change_until=row.at + CHANGE_WITHIN if may_change(row, role) else None,
        job=row.job,
    )


def _steps(order: Order, role: str) -> list[Entry]:
    rows = (
        order.events.filter(action__in=STEPS, undone_by=None)
        .select_related("job__version__design", "version__design")
        .defer("version__report", "version__limits", "job__version__report")
        .order_by("id")
    )
    entries: list[Entry] = []
    settled = False
    for event in rows:
        if event.action in SETTLES:
            settled = True
        elif event.action == "answer" and settled:
            settled = False  # the job's own step behind a proposal that was taken or refused
            continue
        entries.append(_step(event, role))
    return entries


def _step(event: Event, role: str) -> Entry:
    is_mine = event.role == role
    version = event.version or (event.job.version if event.job else None)
    words = STEPS[event.action][0 if is_mine else 1].format(
        title=version.design.title if version else "a drawing",
        number=version.number if version else "",
    )
    return Entry(
        key=f"step-{event.pk}",
        at=event.at,
        who=_who(event.role, role),
        is_mine=is_mine,
        title=version.design.title if version else "",
        words=words,
        text=event.why,
        job=event.job,
    )


def _proposal(job: Job, version: Version, role: str) -> Entry:
    is_mine = role != ARTIST
    title = job.version.design.title
    return Entry(
        key=f"proposal-{job.code}-{version.number}",
        at=version.created_at,
        who=_who(Event.Role.WORKSHOP, role),
        is_mine=is_mine,
        title=title,
        words=PROPOSED[0 if is_mine else 1].format(title=title),
        text=version.proposal_reason,
        job=job,
        proposal=version,
    )


def _who(author: str, reader: str) -> str:
    if author == reader:
        return "You"
    return "The artist" if author == ARTIST else "The workshop"


def _plates(said: Iterable[Message], numbers: dict[int, int]) -> list[Plate]:
    plates: dict[int, Plate] = {}
    for row in said:
        if not row.has_pin or row.version is None or row.job is None:
            continue
        plate = plates.setdefault(row.version.pk, Plate(row.job, row.version))
        x_mm, y_mm = float(row.pin_x_mm or 0), float(row.pin_y_mm or 0)
        pin = PinShown(numbers[row.pk], x_mm, y_mm, row.pk)
        plate.pins.append(pin)
    return list(plates.values())


def stamp_of(order: Order) -> str:
    """Return what changes whenever an order's page would look different.

    Its newest event, how many proposals were looked at by now, and whether something may still be
    changed (the button for that goes by itself).
    """
    newest = order.events.order_by("-id").values_list("pk", flat=True).first() or 0
    waiting = (Version.Status.WAITING, Version.Status.CHECKING)
    looked_at = Version.objects.filter(proposed_for__order=order).exclude(status__in=waiting)
    lately = timezone.now() - CHANGE_WITHIN
    open_still = order.messages.filter(at__gt=lately, withdrawn_at=None).count()
    return f"{newest}-{looked_at.count()}-{open_still}"
